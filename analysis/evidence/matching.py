"""Which quiet runs each break is held against: like it in all that is not asked about, chosen blind to the tags.

The choice is drawn by a hash of break and minute, not from a stream of random numbers: the same store gives the same
runs, and data that come later change the choice for a break only if they bring candidates near it. Two breaks may share
a quiet run: what is then common to both does not make their comparisons hang together (Goldstein & Langholz, Annals of
Statistics 20 (1992) 1903-1928, for sampled risk sets), while forbidding it would push the runs of later breaks later.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.evidence.course import Course, Moments
from analysis.evidence.settings import DAY_MS, MINUTE_MS, EvidenceSettings
from analysis.history import Downtime
from analysis.period import Period
from analysis.risk.rows import Ints

GRID_MIN = 5
"""A quiet run may end at every fifth minute. [min]"""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    """A break that is left out, with the reason."""

    downtime: Downtime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Breaks with their quiet runs.

    breaks
        Those with at least one, in order of time.
    at
        Where they stand, one a break.
    quiet
        Where the quiet runs end, each once, in order of time.
    controls
        Numbers of the quiet runs of each break, shape (breaks, most controls), -1 for none.
    asked
        How many quiet runs each break was to have.
    """

    breaks: tuple[Downtime, ...]
    at: Moments
    quiet: Moments
    controls: Ints
    asked: int
    unmatched: tuple[Unmatched, ...]

    def __len__(self) -> int:
        """How many breaks are matched."""
        return len(self.breaks)

    @property
    def at_ms(self) -> Ints:
        """All moments: the breaks, then the quiet runs. [ms]"""
        return np.concatenate((self.at.at_ms, self.quiet.at_ms))

    @property
    def of_each(self) -> Ints:
        """How many quiet runs each break has."""
        count: Ints = (self.controls >= 0).sum(axis=1)
        return count


def match(breaks: Sequence[Downtime], course: Course, period: Period, settings: EvidenceSettings) -> Matching:
    """Find the quiet runs of some breaks.

    period
        Quiet runs end inside it.
    """
    breaks = sorted(breaks, key=lambda d: (d.started_ms, d.downtime_id))
    at = course.at(np.array([d.started_ms for d in breaks], np.int64))
    pool = _pool(course, period, settings)
    kept, rows, unmatched = [], [], []
    for number, downtime in enumerate(breaks):
        found = _like(at, number, pool, settings, speed=course.speed is not None)
        if isinstance(found, str):
            unmatched.append(Unmatched(downtime=downtime, reason=found))
            continue
        order = np.flatnonzero(found)
        order = order[np.argsort(_draw(course.machine, downtime, pool.at_ms[order], settings))]
        kept.append(number)
        rows.append(_choose(order, pool, settings))
    taken = np.unique(np.array([one for row in rows for one in row], np.int64))
    return Matching(
        breaks=tuple(breaks[n] for n in kept),
        at=at.take(np.array(kept, np.int64)),
        quiet=pool.take(taken),
        controls=_numbered(rows, taken, settings.controls),
        asked=settings.controls,
        unmatched=tuple(unmatched),
    )


def _pool(course: Course, period: Period, settings: EvidenceSettings) -> Moments:
    """Every moment that could end a quiet run: on the reel for a window's length before, and for an hour after it."""
    grid, keep = GRID_MIN * MINUTE_MS, settings.quiet_min * MINUTE_MS
    moments = []
    for start, end in course.past.on_reel_ms.tolist():
        first, last = max(start + _least_ms(settings), period.from_ms), min(end - keep, period.to_ms - keep)
        moments.append(np.arange(-(-first // grid) * grid, last + 1, grid, dtype=np.int64))
    return course.at(np.concatenate([*moments, np.empty(0, np.int64)]))


def _least_ms(settings: EvidenceSettings) -> int:
    """The last window must lie behind the sheet's return."""
    return -max(w.start for w in settings.windows) * MINUTE_MS


def _like(at: Moments, number: int, pool: Moments, settings: EvidenceSettings, *, speed: bool) -> Mask | str:
    """Which moments of the pool are like the break; or why none is."""
    if at.stretch[number] < 0:
        return "the sheet was not seen on the reel before it"
    if at.on_reel_min[number] * MINUTE_MS < _least_ms(settings):
        return f"the sheet was back for less than {_least_ms(settings) // MINUTE_MS} min"
    if speed and not np.isfinite(at.speed[number]):
        return "the speed before it is not known"
    edges = np.array(settings.restart_edges_min)
    steps = [
        (
            f"within {settings.near_days:g} d",
            np.abs(pool.at_ms - at.at_ms[number]) <= settings.near_days * DAY_MS,
        ),
        ("of its grade", pool.grade == at.grade[number]),
        (
            "as long after its change" if _young(at, settings)[number] else "as settled in its grade",
            _young(pool, settings) == _young(at, settings)[number],
        ),
        (
            "as long after the sheet's return",
            np.searchsorted(edges, pool.on_reel_min, side="right")
            == np.searchsorted(edges, at.on_reel_min[number], side="right"),
        ),
    ]
    if speed:
        steps.append(("as fast", np.abs(pool.speed - at.speed[number]) <= settings.speed_band_m_min))
    found = np.ones(len(pool), bool)
    said = []
    for name, like in steps:
        found = found & like
        said.append(name)
        if not found.any():
            return f"no quiet run {', '.join(said)}"
    return found


def _young(moments: Moments, settings: EvidenceSettings) -> Mask:
    young: Mask = moments.grade_age_min < settings.settled_min
    return young


def _choose(order: Ints, pool: Moments, settings: EvidenceSettings) -> list[int]:
    """The first few of an order that come from stretches of their own."""
    chosen: list[int] = []
    used: set[int] = set()
    for one in order.tolist():
        apart = all(abs(pool.at_ms[one] - pool.at_ms[c]) >= settings.quiet_min * MINUTE_MS for c in chosen)
        if int(pool.stretch[one]) not in used and apart:
            chosen.append(one)
            used.add(int(pool.stretch[one]))
        if len(chosen) == settings.controls:
            break
    return chosen


def _draw(machine: str, downtime: Downtime, at_ms: Ints, settings: EvidenceSettings) -> NDArray[np.uint64]:
    """A number for each candidate of a break, as good as random (the finaliser of splitmix64; Steele et al. 2014)."""
    salt = zlib.crc32(f"{settings.seed} {machine} {downtime.downtime_id}".encode())
    x = (at_ms // MINUTE_MS).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(salt)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def _numbered(rows: Sequence[Sequence[int]], taken: Ints, most: int) -> Ints:
    numbers = np.full((len(rows), most), -1, np.int64)
    for place, row in enumerate(rows):
        numbers[place, : len(row)] = np.searchsorted(taken, row)
    return numbers
