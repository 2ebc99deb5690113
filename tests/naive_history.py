"""The whole history of one machine as step functions: TRACKING.md sections 1 to 3, knowing all that came later."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Generic, TypeVar

from collector.message import Scan, Value
from tests.tracked import Settings

FOREVER = 2**62
T = TypeVar("T")


class Steps(Generic[T]):
    """A step function: a value holds until the next one. Times are whole milliseconds and rise."""

    def __init__(self) -> None:
        self.times: list[int] = []
        self.values: list[T] = []

    def put(self, at: int, value: T) -> None:
        """Add a step; a value equal to the one before is none."""
        if not self.values or self.values[-1] != value:
            self.times.append(at)
            self.values.append(value)

    def at(self, moment: int) -> T | None:
        """The value that holds at a moment, None before the first."""
        index = bisect_right(self.times, moment)
        return self.values[index - 1] if index else None

    def over(self, start: int, until: int) -> list[T]:
        """The values that hold somewhere in [start, until], in order: the first may have begun before."""
        first = max(bisect_right(self.times, start) - 1, 0)
        return self.values[first : bisect_right(self.times, until)] if until >= start else []

    def changes(self) -> list[tuple[int, T, T]]:
        """Every change as (time, value before, value after): the first value is no change."""
        return list(zip(self.times[1:], self.values, self.values[1:], strict=False))


def number(value: Value) -> float | None:
    """A number; a truth or a text is of the wrong type."""
    return None if isinstance(value, bool | str | None) else float(value)


def truth(value: Value) -> bool | None:
    """True, or any number but 0."""
    return None if isinstance(value, str | None) else bool(value)


def text(value: Value) -> str | None:
    """A text; a whole number is written without its point, so that reel 1041.0 is "1041"."""
    if isinstance(value, bool | None):
        return None
    return value if isinstance(value, str) else f"{value:.15g}"


def shows_sheet(value: Value) -> bool | None:
    """A witness: true, or a number above 0."""
    if isinstance(value, str | None):
        return None
    return value if isinstance(value, bool) else value > 0


# ---------------------------------------------------------------- 1. From values to scans


@dataclass(slots=True)
class Moment:
    """All role values of one millisecond.

    heard, brought_by
        The sources heard at it, and the source of each value.
    """

    at: int
    values: dict[str, Value] = field(default_factory=dict)
    heard: set[int] = field(default_factory=set)
    brought_by: dict[str, int] = field(default_factory=dict)


def closed_moments(arrivals: Sequence[Scan], settings: Settings, *, flush: bool) -> tuple[list[Moment], list[Scan]]:
    """The closed scans in time order, and the scans that came late."""
    moments: dict[int, Moment] = {}
    late: list[Scan] = []
    initial: list[tuple[int, dict[str, Value]]] = []
    role_sources: set[int] = set()
    heard: set[str] = set()
    newest, watermark = -FOREVER, -FOREVER
    for scan in arrivals:
        values = {tag: value for tag, value in scan.values.items() if tag in settings.role_tags}
        if scan.initial:
            unheard: dict[str, Value] = {
                tag: value for tag, value in values.items() if tag not in heard and value is not None
            }
            initial.append((watermark, unheard))
            heard |= set(unheard)
            continue
        if values:
            role_sources.add(scan.source)
        if scan.source not in role_sources:
            continue
        if scan.at_ms < watermark:
            late.append(scan)
        else:
            moment = moments.setdefault(scan.at_ms, Moment(scan.at_ms))
            moment.values.update(values)
            moment.heard.add(scan.source)
            moment.brought_by.update(dict.fromkeys(values, scan.source))
            heard |= {tag for tag, value in values.items() if value is not None}
        newest = max(newest, min(scan.at_ms, scan.heard_ms))
        watermark = newest - settings.reorder_ms
    closed = [moments[at] for at in sorted(moments) if flush or at < watermark]
    for arrived_at_watermark, values in initial:
        set_unheard_roles(closed, arrived_at_watermark, values)
    return with_missed_heartbeats(closed, settings), late


def set_unheard_roles(closed: list[Moment], watermark: int, values: dict[str, Value]) -> None:
    """A retained value without a time of its own holds from the first scan that is handled after it came."""
    for moment in closed:
        if moment.at >= watermark:
            moment.values = {**values, **moment.values}
            return


def with_missed_heartbeats(closed: list[Moment], settings: Settings) -> list[Moment]:
    """Nulls where a source has missed its heartbeat, and its values once more where it is heard again."""
    added: dict[int, dict[str, Value]] = {}
    for source, beat in settings.heartbeats.items():
        for start, until in silences_of(source, beat, closed, settings.stale_after_ms):
            for tag in settings.role_tags:
                told = [moment for moment in closed if tag in moment.brought_by]
                at_start = [moment for moment in told if moment.at <= start][-1:]
                if any(moment.brought_by[tag] == source for moment in at_start):
                    added.setdefault(start, {})[tag] = None
                at_end = [moment for moment in told if moment.at < until][-1:]
                for moment in at_end if until < FOREVER else []:
                    if moment.brought_by[tag] == source:
                        added.setdefault(until, {})[tag] = moment.values[tag]
    everything = {moment.at: moment.values for moment in closed}
    times = sorted(everything.keys() | added.keys())
    return [Moment(at, {**added.get(at, {}), **everything.get(at, {})}) for at in times]


def silences_of(source: int, beat: int, closed: list[Moment], stale_after: int) -> list[tuple[int, int]]:
    """From when to when a source owed a heartbeat; where the whole machine was silent then, only from after that."""
    heard = [moment.at for moment in closed if source in moment.heard]
    silences = []
    for last, again in pairwise([*heard, FOREVER]):
        start = last + beat
        around = [(a.at, b.at) for a, b in pairwise(closed) if a.at < start <= b.at]
        for before, after in around:
            start = after if stale_after and after - before > stale_after else start
            if start < again:
                silences.append((start, again))
    return silences


# ---------------------------------------------------------------- 2. and 3. What is known when


@dataclass(frozen=True, slots=True)
class Span:
    """[start, end)."""

    start: int
    end: int

    def covers(self, moment: int) -> bool:
        """Whether the moment lies in it."""
        return self.start <= moment < self.end


def bad_spans(moments: Sequence[Moment], tag: str, good: Callable[[Value], object], stale_after: int) -> list[Span]:
    """From the first null to the next good value, where that is longer than ``stale_after``; the last may be open."""
    spans, first_null = [], None
    for moment in moments:
        if tag in moment.values and good(moment.values[tag]) is not None:
            if first_null is not None and moment.at - first_null > stale_after:
                spans.append(Span(first_null, moment.at))
            first_null = None
        elif tag in moment.values and first_null is None:
            first_null = moment.at
    if first_null is not None and moments[-1].at - first_null > stale_after:
        spans.append(Span(first_null, FOREVER))
    return spans if stale_after else []


def undecided_null(moments: Sequence[Moment], tag: str, good: Callable[[Value], object], stale_after: int) -> int:
    """The first of the nulls at the end that may still turn out to be bad; FOREVER if there are none."""
    first_null = FOREVER
    for moment in moments:
        if tag in moment.values:
            is_null = good(moment.values[tag]) is None
            first_null = min(first_null, moment.at) if is_null else FOREVER
    return first_null if stale_after and moments and moments[-1].at - first_null <= stale_after else FOREVER


def merged(spans: list[Span]) -> list[Span]:
    """Overlapping spans made one; spans that only touch stay two, because the scan between them is known."""
    result: list[Span] = []
    for span in sorted(spans, key=lambda each: (each.start, each.end)):
        if result and span.start < result[-1].end:
            result[-1] = Span(result[-1].start, max(result[-1].end, span.end))
        else:
            result.append(span)
    return result


@dataclass(slots=True)
class Steady:
    """One detector after debouncing."""

    values: Steps[bool] = field(default_factory=Steps)
    flickers: list[int] = field(default_factory=list)
    unconfirmed: int = FOREVER


def steady(moments: Sequence[Moment], tag: str, gaps: Sequence[Span], debounce: int) -> Steady:
    """A change counts once it has lasted ``debounce``, dated back; a gap forgets what is unconfirmed when it begins."""
    result = Steady()
    last_heard: bool | None = None
    changed_at: int | None = None
    gap_starts, gap_ends = {gap.start for gap in gaps}, {gap.end for gap in gaps}
    for moment in moments:
        heard = truth(moment.values.get(tag))
        last_heard = last_heard if heard is None else heard
        if any(gap.start < moment.at < gap.end for gap in gaps) or last_heard is None:
            continue
        holds = result.values.at(moment.at)
        if moment.at in gap_ends or holds is None:
            result.values.put(moment.at, last_heard)
            holds, changed_at = last_heard, None
        if changed_at is not None and moment.at - changed_at >= debounce:
            result.values.put(changed_at, not holds)
            holds, changed_at = not holds, None
        if changed_at is not None and last_heard == holds:
            result.flickers.append(changed_at)
            changed_at = None
        if changed_at is None and last_heard != holds:
            changed_at = moment.at
        if changed_at == moment.at and debounce == 0:
            result.values.put(moment.at, last_heard)
            changed_at = None
        if moment.at in gap_starts:
            changed_at = None
    result.unconfirmed = FOREVER if changed_at is None else changed_at
    return result


@dataclass(slots=True)
class History:
    """All that the closed scans say, as step functions.

    end
        The first moment that is not known yet: what happens before it is final.
    gaps
        Data gaps and the times in which speed or the last detector was bad. The scan at a gap's start is known.
    bad
        For each detector, when it was bad.
    """

    settings: Settings
    moments: list[int]
    gaps: list[Span]
    bad: list[list[Span]]
    detectors: list[Steady]
    end: int
    late: list[Scan]
    speed: Steps[float]
    basis_weight: Steps[float | None]
    stock_on: Steps[bool]
    planned: Steps[bool]
    full_width: Steps[bool]
    witness: Steps[bool | None]
    grade: Steps[str]
    shade: Steps[str]
    reel: Steps[str]

    def gap_start_from(self, moment: int) -> int:
        """When the next gap begins, at the moment or later; FOREVER if none is known."""
        return min((gap.start for gap in self.gaps if gap.start >= moment), default=FOREVER)

    def gap_end_until(self, moment: int) -> int:
        """When the last gap ended, at the moment or before; long ago if there was none."""
        return max((gap.end for gap in self.gaps if gap.end <= moment), default=-FOREVER)

    def falls(self, index: int, after: int, until: int) -> bool:
        """Whether a detector that is not bad falls in (after, until]."""
        changes = self.detectors[index].values.changes()
        return any(after < at <= until and not now and not self.is_bad(index, at - 1) for at, _, now in changes)

    def is_bad(self, index: int, moment: int) -> bool:
        """Whether a detector is bad; the last one never is, since that is a gap already."""
        return index < len(self.bad) - 1 and any(span.covers(moment) for span in self.bad[index])


def signal(moments: Sequence[Moment], tag: str | None, good: Callable[[Value], T | None]) -> Steps[T]:
    """The good values of a tag as a step function; a null changes nothing."""
    steps: Steps[T] = Steps()
    for moment in moments:
        value = good(moment.values[tag]) if tag in moment.values else None
        if value is not None:
            steps.put(moment.at, value)
    return steps


def unless_bad(steps: Steps[T], spans: Sequence[Span]) -> Steps[T | None]:
    """The same with nothing known while the signal is bad."""
    result: Steps[T | None] = Steps()
    edges = {edge for span in spans for edge in (span.start, span.end)}
    for at in sorted({*steps.times, *edges}):
        result.put(at, None if any(span.covers(at) for span in spans) else steps.at(at))
    return result


def history(arrivals: Sequence[Scan], settings: Settings, *, flush: bool) -> History:
    """Everything that is known from the scans of one machine, given in their order of arrival."""
    closed, late = closed_moments(arrivals, settings, flush=flush)
    stale = settings.stale_after_ms
    tags = [detector.tag for detector in settings.detectors]
    speed = settings.roles["speed"]
    bad = [bad_spans(closed, tag, truth, stale) for tag in tags]
    blackouts = bad[-1] + bad_spans(closed, speed, number, stale)
    undecided = min(undecided_null(closed, tag, truth, stale) for tag in tags)
    undecided = min(undecided, undecided_null(closed, speed, number, stale))
    weight, witness = settings.roles.get("basis_weight"), settings.roles.get("reel_witness")
    undecided = min(undecided, undecided_null(closed, weight or "", number, stale))
    undecided = min(undecided, undecided_null(closed, witness or "", shows_sheet, stale))
    known = [moment for moment in closed if moment.at < undecided]
    if undecided < FOREVER:
        known.append(Moment(undecided))
    pairs = [(a.at, b.at) for a, b in pairwise(known)]
    silences = [Span(a, b) for a, b in pairs if stale and b - a > stale]
    gaps = merged(silences + [span for span in blackouts if known and span.start <= known[-1].at])
    detectors = [steady(known, tag, gaps, settings.debounce_ms) for tag in tags]
    last = known[-1].at + 1 if known else 0
    end = min([last, undecided, *(detector.unconfirmed for detector in detectors)])
    role = settings.roles.get
    return History(
        settings=settings,
        moments=[moment.at for moment in known if moment.at < end],
        gaps=gaps,
        bad=bad,
        detectors=detectors,
        end=end,
        late=late,
        speed=signal(known, speed, number),
        basis_weight=unless_bad(signal(known, weight, number), bad_spans(closed, weight or "", number, stale)),
        stock_on=signal(known, role("stock_on"), truth),
        planned=signal(known, role("planned"), truth),
        full_width=signal(known, role("full_width"), truth),
        witness=unless_bad(signal(known, witness, shows_sheet), bad_spans(closed, witness or "", shows_sheet, stale)),
        grade=signal(known, role("grade"), text),
        shade=signal(known, role("shade"), text),
        reel=signal(known, role("reel"), text),
    )
