"""The time ledger: every millisecond of a period in exactly one class, so that its sum is the period's length."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum
from functools import cached_property
from itertools import chain, pairwise
from typing import Generic, Protocol, TypeVar
from zoneinfo import ZoneInfo

from analysis.history import Downtime, History, ShiftSpan
from analysis.period import Period, day_start_ms, local


class Class(StrEnum):
    """Where a millisecond belongs, in the order in which people read the ledger."""

    ON_REEL = "on reel"
    BREAK = "break"
    STOP = "stop"
    PLANNED = "planned"
    UNKNOWN = "unknown"
    NO_DATA = "no data"


MEANING = {
    Class.ON_REEL: "the sheet is on the reel",
    Class.BREAK: "from an unplanned loss of the sheet to the sheet back on the reel",
    Class.STOP: "the same, when stock went off or the machine slowed down with the loss",
    Class.PLANNED: "the same, when the crew took the sheet off on purpose",
    Class.UNKNOWN: "the loss fell into a data gap or before the first data; also a standing machine, or one without "
    "stock, while no downtime was open",
    Class.NO_DATA: "nothing was heard of the machine; it wins over every other class",
}

NO_SECTION = "section not known"
UNCODED = "not coded"

_BY_KIND = {"break": Class.BREAK, "stop": Class.STOP, "planned": Class.PLANNED}
_NOTHING_HEARD = "no_data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Slice:
    """A stretch of one class during which nothing that the ledger is split by changes. [ms]"""

    from_ms: int
    to_ms: int
    cls: Class
    state: str
    downtime: Downtime | None
    grade: str | None
    shift: ShiftSpan | None
    shade: str | None = None

    @property
    def ms(self) -> int:
        """How long it is. [ms]"""
        return self.to_ms - self.from_ms


def section_label(downtime: Downtime) -> str:
    """Section of the loss; one that is tied, unwitnessed or began unseen says so and is a label of its own."""
    if downtime.section is None:
        return NO_SECTION
    doubts = (
        ("tied", downtime.location_tied),
        ("unwitnessed", downtime.unwitnessed),
        ("uncertain", downtime.start_uncertain),
    )
    said = ", ".join(word for word, holds in doubts if holds)
    return f"{downtime.section} ({said})" if said else downtime.section


def cause_label(downtime: Downtime) -> str:
    """Code of the cause that the crew gave, or that there is none."""
    return downtime.cause or UNCODED


SPLITS: dict[str, Callable[[Slice], str | None]] = {
    "state": lambda s: s.state.replace("_", " "),
    "section": lambda s: section_label(s.downtime) if s.downtime else None,
    "cause": lambda s: cause_label(s.downtime) if s.downtime else None,
    "grade": lambda s: s.grade,
    "crew": lambda s: s.shift.crew if s.shift else None,
    "shift": lambda s: s.shift.shift if s.shift else None,
}
"""What a ledger can be split by, each as the label of a slice; None where the split says nothing of it."""


@dataclass(frozen=True, kw_only=True)
class Ledger:
    """The slices of one machine and period, in time order, without gap or overlap.

    Sums that many ask for are made once; nobody writes into them.
    """

    period: Period
    slices: tuple[Slice, ...]

    @cached_property
    def ms(self) -> Mapping[Class, int]:
        """Every class with its time; the values add up to the period's length. [ms]"""
        total = dict.fromkeys(Class, 0)
        for s in self.slices:
            total[s.cls] += s.ms
        return total

    @cached_property
    def by_downtime(self) -> Mapping[str, int]:
        """Time inside the period that each downtime accounts for, by id; data gaps are left out. [ms]"""
        total = defaultdict[str, int](int)
        for s in self.slices:
            if s.downtime is not None and s.cls is not Class.NO_DATA:
                total[s.downtime.downtime_id] += s.ms
        return dict(total)

    def by(self, split: str) -> dict[tuple[Class, str | None], int]:
        """Time of every class and label of a split (see ``SPLITS``); the values add up to the period's length. [ms]"""
        label, total = SPLITS[split], defaultdict[tuple[Class, str | None], int](int)
        for s in self.slices:
            total[s.cls, label(s)] += s.ms
        return dict(total)

    def of(self, cls: Class) -> Iterator[Slice]:
        """The slices of one class."""
        return (s for s in self.slices if s.cls is cls)

    def stretches(self) -> list[tuple[int, int, Class]]:
        """From, to and class, neighbours of one class joined: what a picture of the period needs. [ms], [ms]"""
        found: list[tuple[int, int, Class]] = []
        for s in self.slices:
            if found and found[-1][2] is s.cls:
                found[-1] = (found[-1][0], s.to_ms, s.cls)
            else:
                found.append((s.from_ms, s.to_ms, s.cls))
        return found


def ledger(history: History, period: Period) -> Ledger:
    """The time ledger of a period.

    Time of which the history says nothing is ``no data``. A downtime that is still open reaches to the end of the
    period, so clip the period at the newest data first (``period.until_horizon``). Of downtimes that overlap, as a
    correction by the crew may leave them, the one that began first holds.
    """
    states = _Track(history.states, period)
    downtimes = _Track(sorted(history.downtimes, key=lambda d: (d.started_ms, d.downtime_id)), period)
    runs = _Track(history.grade_runs, period)
    shifts = _Track(history.shifts, period)
    cuts = sorted({period.from_ms, period.to_ms, *states.cuts, *downtimes.cuts, *runs.cuts, *shifts.cuts})
    slices = []
    for from_ms, to_ms in pairwise(cuts):
        span, downtime, run = states.at(from_ms), downtimes.at(from_ms), runs.at(from_ms)
        state = span.state if span else _NOTHING_HEARD
        slices.append(
            Slice(
                from_ms=from_ms,
                to_ms=to_ms,
                cls=_class(state, downtime),
                state=state,
                downtime=downtime,
                grade=run.grade if run else None,
                shift=shifts.at(from_ms),
                shade=run.shade if run else None,
            )
        )
    return Ledger(period=period, slices=tuple(slices))


def by_day(book: Ledger, zone: ZoneInfo) -> list[Ledger]:
    """A ledger cut at mill-local midnights, each part named by its day; days of 23 and 25 hours keep their length."""
    days = _days(book.period, zone)
    parts: list[list[Slice]] = [[] for _ in days]
    at = 0
    for s in book.slices:
        while s.to_ms > days[at].to_ms:
            if s.from_ms < days[at].to_ms:
                parts[at].append(replace(s, to_ms=days[at].to_ms))
                s = replace(s, from_ms=days[at].to_ms)
            at += 1
        parts[at].append(s)
    return [Ledger(period=day, slices=tuple(part)) for day, part in zip(days, parts, strict=True)]


def _days(period: Period, zone: ZoneInfo) -> list[Period]:
    days = []
    start_ms, day = period.from_ms, local(period.from_ms, zone).date()
    while start_ms < period.to_ms:
        next_ms = day_start_ms(day + timedelta(days=1), zone)
        days.append(Period(from_ms=start_ms, to_ms=min(next_ms, period.to_ms), name=day.isoformat()))
        start_ms, day = next_ms, day + timedelta(days=1)
    return days


def _class(state: str, downtime: Downtime | None) -> Class:
    if state == _NOTHING_HEARD:
        return Class.NO_DATA
    if downtime is not None:
        return _BY_KIND.get(downtime.kind, Class.UNKNOWN)
    return Class.ON_REEL if state == "on_reel" else Class.UNKNOWN


class _Span(Protocol):
    @property
    def started_ms(self) -> int: ...
    @property
    def ended_ms(self) -> int | None: ...


S = TypeVar("S", bound=_Span)


class _Track(Generic[S]):
    """Spans of one kind inside a period, made free of overlap, asked at instants in ascending order."""

    def __init__(self, spans: Sequence[S], period: Period) -> None:
        self._spans: list[tuple[int, int, S]] = []
        self._next = 0
        free_from = period.from_ms
        for span in sorted(spans, key=lambda s: s.started_ms):
            ended_ms = period.to_ms if span.ended_ms is None else min(span.ended_ms, period.to_ms)
            started_ms = max(span.started_ms, free_from)
            if started_ms < ended_ms:
                self._spans.append((started_ms, ended_ms, span))
                free_from = ended_ms
        self.cuts = set(chain.from_iterable((started, ended) for started, ended, _ in self._spans))

    def at(self, at_ms: int) -> S | None:
        while self._next < len(self._spans) and self._spans[self._next][1] <= at_ms:
            self._next += 1
        if self._next == len(self._spans) or self._spans[self._next][0] > at_ms:
            return None
        return self._spans[self._next][2]
