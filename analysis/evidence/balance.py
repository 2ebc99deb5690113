"""How alike breaks and their quiet runs are in what was not asked about. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from analysis.evidence.course import Course, Moments
from analysis.evidence.matching import Matching
from analysis.evidence.settings import DAY_MS
from analysis.period import local
from analysis.risk.rows import Floats, Ints

POOR = 0.25
"""A standardised difference from here on is poor: Stuart, Statistical Science 25 (2010) 1-21 (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balanced:
    """One quantity before breaks and in quiet runs.

    of_breaks, of_quiet
        Means: of the breaks, and of the means of their quiet runs.
    difference
        In standard deviations; None where nothing varies.
    chance
        As large as luck alone makes it about once in 20 times, with so many breaks.
    """

    name: str
    unit: str
    breaks: int
    of_breaks: float
    of_quiet: float
    difference: float | None
    chance: float | None

    @property
    def poor(self) -> bool:
        """Whether the difference is large, and not just luck."""
        return self.difference is not None and abs(self.difference) >= max(POOR, self.chance or 0.0)


def balance(matching: Matching, course: Course, zone: ZoneInfo) -> tuple[Balanced, ...]:
    """The balance of a matching, quantity by quantity."""
    before, quiet = _quantities(matching.at, course, zone), _quantities(matching.quiet, course, zone)
    return tuple(
        balanced(name, unit, values, quiet[name, unit], matching.controls) for (name, unit), values in before.items()
    )


def balanced(name: str, unit: str, breaks: Floats, quiet: Floats, controls: Ints) -> Balanced:
    """Standardised mean difference within matched sets: mean of (break − mean of its quiet runs) / pooled spread.

    Pooled spread is the root of the mean of both variances, as in Austin, Statistics in Medicine 28 (2009) 3083-3107.
    Sets in which the quantity is not known are left out.
    """
    padded = np.append(quiet, np.nan)[controls]
    some = np.isfinite(padded)
    with np.errstate(invalid="ignore"):
        means = np.where(some, padded, 0.0).sum(axis=1) / np.where(some.any(axis=1), some.sum(axis=1), np.nan)
    known = np.isfinite(breaks) & np.isfinite(means)
    n = int(known.sum())
    if n < 2:
        return Balanced(
            name=name, unit=unit, breaks=n, of_breaks=math.nan, of_quiet=math.nan, difference=None, chance=None
        )
    apart = breaks[known] - means[known]
    spread = math.sqrt((float(breaks[known].var(ddof=1)) + float(padded[known][some[known]].var(ddof=1))) / 2)
    return Balanced(
        name=name,
        unit=unit,
        breaks=n,
        of_breaks=float(breaks[known].mean()),
        of_quiet=float(means[known].mean()),
        difference=float(apart.mean()) / spread if spread > 0 else None,
        chance=1.96 * float(apart.std(ddof=1)) / math.sqrt(n) / spread if spread > 0 else None,
    )


def _quantities(at: Moments, course: Course, zone: ZoneInfo) -> Mapping[tuple[str, str], Floats]:
    turn = 2 * math.pi * np.array([local(ms, zone).hour + local(ms, zone).minute / 60 for ms in at.at_ms.tolist()]) / 24
    start_ms = course.past.on_reel_ms[0, 0] if len(course.past.on_reel_ms) else 0
    found: dict[tuple[str, str], Floats] = {
        ("speed", "m/min"): at.speed,
        ("since the sheet's return", "min"): at.on_reel_min,
        ("since the grade change", "min"): at.grade_age_min,
        ("since the turn-up", "min"): at.turn_up_min,
        ("midday rather than midnight", "−1 to 1"): -np.cos(turn),
        ("morning rather than evening", "−1 to 1"): np.sin(turn),
        ("day of the period", "d"): (at.at_ms - start_ms) / DAY_MS,
    }
    for place, days in course.clothing_days(at.at_ms).items():
        found[f"age of {place}", "d"] = days
    return found
