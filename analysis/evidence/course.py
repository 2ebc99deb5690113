"""Where a moment stands in the machine's course: since the sheet's return, in its grade run, at what speed. Pure."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from analysis.evidence.settings import MINUTE_MS
from analysis.risk.rows import Floats, Ints, Past, minutes_since

SPEED_FROM, SPEED_TO = -10, -2
"""The speed of a moment is the mean over these minutes before it. [min]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Some moments with what they are matched on, and what the balance is checked on. Arrays of one length.

    at_ms
        The moment: a loss, or in a quiet run the end of an equally long window. [ms]
    stretch
        Which stretch on the reel it lies in, or ends; -1 for none.
    ends_ms
        When that stretch ends.
    on_reel_min
        Since the sheet's return; NaN without a stretch. [min]
    grade_run
        Which grade run, -1 before the first.
    grade
        Number of its grade, -1 if not known.
    grade_age_min, turn_up_min
        Since that grade run began, since the last turn-up; NaN if not known. [min]
    speed
        Of the machine just before; NaN if not known. [m/min]
    """

    at_ms: Ints
    stretch: Ints
    ends_ms: Ints
    on_reel_min: Floats
    grade_run: Ints
    grade: Ints
    grade_age_min: Floats
    turn_up_min: Floats
    speed: Floats

    def __len__(self) -> int:
        """How many there are."""
        return len(self.at_ms)

    def take(self, chosen: Ints | NDArray[np.bool_]) -> Moments:
        """Only these."""
        return Moments(**{column.name: getattr(self, column.name)[chosen] for column in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed:
    """The machine's speed minute by minute: ``mean[i]`` is that of minute ``first + i`` since 1970. [m/min]"""

    first: int
    mean: Floats

    def before(self, at_ms: Ints) -> Floats:
        """Mean speed just before some moments; NaN where none is known. [m/min]"""
        known = np.isfinite(self.mean)
        count = np.concatenate(([0], np.cumsum(known)))
        total = np.concatenate(([0.0], np.cumsum(np.where(known, self.mean, 0.0))))
        minute = at_ms // MINUTE_MS - self.first
        start, end = ((minute + shift).clip(0, len(self.mean)) for shift in (SPEED_FROM, SPEED_TO))
        seen = count[end] - count[start]
        with np.errstate(invalid="ignore"):
            return np.where(seen > 0, (total[end] - total[start]) / np.maximum(seen, 1), np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What the machine did, and how fast; ``speed`` None where the mill names no speed signal."""

    machine: str
    past: Past
    speed: Speed | None

    def at(self, at_ms: Ints) -> Moments:
        """Where some moments stand."""
        past = self.past
        starts, ends = past.on_reel_ms[:, 0], past.on_reel_ms[:, 1]
        # A loss ends its stretch: the sheet was on the reel up to it.
        stretch = np.searchsorted(starts, at_ms, side="left") - 1
        inside = (stretch >= 0) & (at_ms <= np.append(ends, 0)[stretch])
        stretch = np.where(inside, stretch, -1)
        run = np.searchsorted(past.grade_runs_ms, at_ms, side="left") - 1
        names = sorted(set(past.grades))
        grade = np.array([*(names.index(g) if g else -1 for g in past.grades), -1], np.int64)
        return Moments(
            at_ms=at_ms,
            stretch=stretch,
            ends_ms=np.append(ends, 0)[stretch],
            on_reel_min=np.where(inside, (at_ms - np.append(starts, 0)[stretch]) / MINUTE_MS, np.nan),
            grade_run=run,
            grade=grade[run],
            grade_age_min=minutes_since(past.grade_runs_ms, at_ms - 1),
            turn_up_min=minutes_since(past.turn_ups_ms, at_ms - 1),
            speed=np.full(len(at_ms), np.nan) if self.speed is None else self.speed.before(at_ms),
        )

    def clothing_days(self, at_ms: Ints) -> dict[str, Floats]:
        """Age of the clothing at each position, at some moments. [d]"""
        return {place: minutes_since(ms, at_ms) / 1440 for place, ms in sorted(self.past.clothing_ms.items())}
