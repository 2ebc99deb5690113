"""From the rows of a machine's history to what the figures take: breaks on a clock that stops while the sheet is off.

A break per calendar day would fall whenever the machine stands. On the on-reel clock it does not: time without the
sheet, planned or not, and time without data are simply not there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from analysis.figures.ledger import Class, Ledger, Slice, by_day
from analysis.history import Attempt, Downtime, History
from analysis.period import Period, local
from analysis.runnability.observed import Floats, Observed, Tally
from analysis.runnability.rethreading import Return
from analysis.runnability.survival import Runs

MS_PER_H = 3_600_000
MS_PER_DAY = 86_400_000
_QUARTER_MS = 900_000


class OnReelClock:
    """Counts on-reel hours from the beginning of a period."""

    def __init__(self, book: Ledger) -> None:
        """Set the clock by a time ledger."""
        stretches = book.stretches()
        self.spans = [(a, b) for a, b, cls in stretches if cls is Class.ON_REEL]
        self._moments = np.array([book.period.from_ms, *(b for _, b, _ in stretches)], dtype=np.float64)
        run = [0.0, *((b - a) / MS_PER_H if cls is Class.ON_REEL else 0.0 for a, b, cls in stretches)]
        self._hours = np.cumsum(run)

    @property
    def total_h(self) -> float:
        """On-reel time of the whole period. [h]"""
        return float(self._hours[-1])

    def at(self, at_ms: float) -> float:
        """On-reel time from the beginning to a moment. [h]"""
        return float(np.interp(at_ms, self._moments, self._hours))

    def at_each(self, at_ms: Iterable[float]) -> Floats:
        """The same for many moments. [h]"""
        moments = np.fromiter(at_ms, dtype=np.float64)
        return np.asarray(np.interp(moments, self._moments, self._hours), dtype=np.float64)

    def moment(self, hours: float) -> int:
        """The first moment at which so much on-reel time had passed. [ms]"""
        after = int(np.searchsorted(self._hours, hours, side="left"))
        if after == 0:
            return int(self._moments[0])
        after = min(after, self._hours.size - 1)
        return round(float(self._moments[after]) - (float(self._hours[after]) - hours) * MS_PER_H)


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which breaks count.

    secondary
        Secondary ones as well. (One of which it cannot be known counts as primary.)
    section
        Only those of this section.
    """

    secondary: bool = False
    section: str | None = None

    def holds(self, downtime: Downtime) -> bool:
        """Whether a downtime counts."""
        return (
            downtime.kind == "break"
            and (self.secondary or not downtime.secondary)
            and self.section in (None, downtime.section)
        )

    @property
    def words(self) -> str:
        """What is counted, for a sentence, in the plural."""
        kind = "breaks" if self.secondary else "primary breaks"
        return kind if self.section is None else f"{kind} at {self.section}"


def breaks_of(history: History, period: Period, selection: Selection) -> list[Downtime]:
    """The breaks of a period that count, in order of time."""
    found = [d for d in history.downtimes if period.holds(d.started_ms) and selection.holds(d)]
    return sorted(found, key=lambda d: (d.started_ms, d.downtime_id))


def observed(name: str, clock: OnReelClock, breaks: Sequence[Downtime]) -> Observed:
    """A machine over its whole period, on the on-reel clock; a break before any on-reel time is left out."""
    events = clock.at_each(d.started_ms for d in breaks)
    return Observed(name=name, events=tuple(float(e) for e in events if e > 0), end=clock.total_h)


def by_days(book: Ledger, clock: OnReelClock, breaks: Sequence[Downtime], zone: ZoneInfo) -> Tally:
    """Breaks and on-reel hours of each mill day."""
    days = [(part.period.from_ms, part.period.to_ms, part.period.name) for part in by_day(book, zone)]
    return _tallied(clock, breaks, days)


def by_shifts(history: History, period: Period, clock: OnReelClock, breaks: Sequence[Downtime]) -> Tally:
    """Breaks and on-reel hours of each shift that touches the period."""
    spans = [
        (max(s.started_ms, period.from_ms), min(s.ended_ms, period.to_ms), f"{s.shift_date} {s.shift}")
        for s in sorted(history.shifts, key=lambda s: s.started_ms)
        if s.started_ms < period.to_ms and s.ended_ms > period.from_ms
    ]
    return _tallied(clock, breaks, spans)


def by_hour_of_day(period: Period, clock: OnReelClock, breaks: Sequence[Downtime], zone: ZoneInfo) -> Tally:
    """Breaks and on-reel hours of each hour of the mill's clock."""
    quarters = np.arange(period.from_ms // _QUARTER_MS * _QUARTER_MS, period.to_ms + _QUARTER_MS, _QUARTER_MS)
    edges = np.clip(quarters, period.from_ms, period.to_ms)
    hour = [local(int(q), zone).hour for q in quarters[:-1]]
    hours = np.bincount(hour, weights=np.diff(clock.at_each(edges)), minlength=24)
    counts = np.bincount([local(d.started_ms - 1, zone).hour for d in breaks], minlength=24)
    return _known(tuple(f"{h:02d}:00" for h in range(24)), counts, np.asarray(hours, dtype=np.float64))


def by_label(book: Ledger, breaks: Sequence[Downtime], of: Callable[[Slice], str | None]) -> Tally:
    """Breaks and on-reel hours of each label that slices of time carry (crew, name of the shift, grade).

    A break belongs where the sheet was still on the reel just before it.
    """
    on_reel = [s for s in book.of(Class.ON_REEL) if of(s) is not None]
    labels = sorted({of(s) or "" for s in on_reel})
    place = {label: i for i, label in enumerate(labels)}
    hours = np.zeros(len(labels))
    ends: dict[int, int] = {}
    for s in on_reel:
        hours[place[of(s) or ""]] += s.ms / MS_PER_H
        ends[s.to_ms] = place[of(s) or ""]
    counts = np.zeros(len(labels))
    for d in breaks:
        if d.started_ms in ends:
            counts[ends[d.started_ms]] += 1
    return _known(tuple(labels), counts, hours)


def runs_of(book: Ledger, selection: Selection) -> Runs:
    """Runs that began with a return to the reel inside the period; see ``survival``.

    A run of which the beginning is not known (the first, one after a data gap) says nothing here and is left out.
    """
    pieces = _pieces(book)
    hours, broke = [], []
    for before, run, after in zip(pieces, pieces[1:], [*pieces[2:], None], strict=False):
        if run[0].cls is not Class.ON_REEL or before[0].downtime is None or before[0].cls is Class.NO_DATA:
            continue
        hours.append(sum(s.ms for s in run) / MS_PER_H)
        ending = after[0].downtime if after else None
        broke.append(ending is not None and ending.started_ms >= run[-1].to_ms and selection.holds(ending))
    return Runs(hours=tuple(hours), broke=tuple(broke))


@dataclass(frozen=True, slots=True, kw_only=True)
class Clothing:
    """One fabric or felt at its position. [ms]"""

    position: str
    installed_ms: int
    removed_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaigns:
    """Lives of the clothing at one position, aligned at their installation.

    left_out
        Those that were already in when the period begins: their on-reel age is not known.
    """

    systems: tuple[Observed, ...]
    left_out: int


def campaigns(
    clothing: Sequence[Clothing],
    period: Period,
    clock: OnReelClock,
    breaks: Sequence[Downtime],
    cost: Callable[[Downtime], float] | None = None,
) -> Campaigns:
    """Breaks of each felt by its on-reel age; ``cost`` weighs them."""
    systems, left_out = [], 0
    for felt in sorted(clothing, key=lambda c: c.installed_ms):
        until_ms = min(felt.removed_ms or period.to_ms, period.to_ms)
        if felt.installed_ms >= period.to_ms or until_ms <= period.from_ms:
            continue
        if felt.installed_ms < period.from_ms:
            left_out += 1
            continue
        start, end = clock.at(felt.installed_ms), clock.at(until_ms)
        inside = [d for d in breaks if felt.installed_ms < d.started_ms <= until_ms]
        aged = [(clock.at(d.started_ms) - start, d) for d in inside if clock.at(d.started_ms) > start]
        if end > start:
            systems.append(
                Observed(
                    name=str(felt.installed_ms),
                    events=tuple(age for age, _ in aged),
                    end=end - start,
                    costs=tuple(cost(d) for _, d in aged) if cost else (),
                )
            )
    return Campaigns(systems=tuple(systems), left_out=left_out)


def lost_minutes(horizon_ms: int) -> Callable[[Downtime], float]:
    """The cost of a break in minutes. [min]"""
    return lambda downtime: downtime.lasts_ms(horizon_ms) / 60_000


def lost_tonnes(horizon_ms: int) -> Callable[[Downtime], float]:
    """The cost of a break in tonnes: lost time × rate before it; 0 where the rate is not known. [t]"""
    return lambda downtime: downtime.lasts_ms(horizon_ms) / MS_PER_H * (downtime.rate_before_t_h or 0.0)


def reels_between(turn_ups_ms: Sequence[int], breaks: Sequence[Downtime]) -> tuple[int, ...]:
    """Turn-ups between each break and the next."""
    moments = np.sort(np.asarray(turn_ups_ms, dtype=np.int64))
    passed = np.searchsorted(moments, [d.started_ms for d in breaks], side="right")
    return tuple(int(n) for n in np.diff(passed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Returns:
    """Downtimes that were threaded back, and how many could not be used.

    unclear
        An end hidden by a data gap, or nothing known of attempts (a break that the crew added).
    still_open
        Not back yet at the newest data.
    """

    returns: tuple[Return, ...]
    unclear: int
    still_open: int


def returns_of(history: History, breaks: Sequence[Downtime]) -> Returns:
    """The returns after these breaks."""
    first: dict[str, Attempt] = {}
    for attempt in sorted(history.attempts, key=lambda a: a.attempt):
        first.setdefault(attempt.downtime_id, attempt)
    returns, unclear, still_open = [], 0, 0
    for d in breaks:
        if d.ended_ms is None:
            still_open += 1
        elif d.end_uncertain or not d.attempts:
            unclear += 1
        else:
            returns.append(_return(d, d.ended_ms, d.attempts, first.get(d.downtime_id)))
    return Returns(returns=tuple(returns), unclear=unclear, still_open=still_open)


def _return(d: Downtime, ended_ms: int, attempts: int, first: Attempt | None) -> Return:
    began_ms = None if first is None else first.started_ms
    seen_from_start = not d.start_uncertain
    return Return(
        day=d.started_ms / MS_PER_DAY,
        section=d.section,
        crew=d.crew,
        grade=d.grade,
        attempts=attempts,
        lost_min=(ended_ms - d.started_ms) / 60_000 if seen_from_start else None,
        clearing_min=(began_ms - d.started_ms) / 60_000 if began_ms is not None and seen_from_start else None,
        threading_min=(ended_ms - began_ms) / 60_000 if began_ms is not None else None,
    )


def _tallied(clock: OnReelClock, breaks: Sequence[Downtime], units: Sequence[tuple[int, int, str]]) -> Tally:
    """Counts and hours of units of time, in order. A break belongs to the unit in which its run ended, which ran."""
    starts, ends = clock.at_each(a for a, _, _ in units), clock.at_each(b for _, b, _ in units)
    hours, counts = ends - starts, np.zeros(len(units))
    first = int(np.argmax(hours > 0)) if units else 0
    for at in clock.at_each(d.started_ms for d in breaks):
        unit = int(np.searchsorted(starts, at, side="left")) - 1 if at > 0 else first
        if 0 <= unit < counts.size and at <= ends[unit]:
            counts[unit] += 1
    return _known(tuple(name for _, _, name in units), counts, hours)


def _known(labels: tuple[str, ...], counts: Floats | np.typing.NDArray[np.int64], hours: Floats) -> Tally:
    """A tally; breaks of a unit that never ran have no rate and are left out."""
    return Tally(
        counts=tuple(int(c) if h > 0 else 0 for c, h in zip(counts, hours, strict=True)),
        hours=tuple(float(h) for h in hours),
        labels=labels,
    )


def _pieces(book: Ledger) -> list[list[Slice]]:
    """Neighbouring slices of one class and downtime."""
    pieces: list[list[Slice]] = [[s] for s in book.slices[:1]]
    for before, s in pairwise(book.slices):
        same = before.cls is s.cls and before.downtime == s.downtime
        if same:
            pieces[-1].append(s)
        else:
            pieces.append([s])
    return pieces
