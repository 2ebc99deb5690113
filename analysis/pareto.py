"""Losses ranked: breaks by section, cause, crew … in count, minutes, tonnes and money, side by side."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import accumulate

from analysis.broke import broke_in
from analysis.history import Downtime, History
from analysis.ledger import NO_SECTION, SPLITS, UNCODED, Class, Ledger, Slice, cause_label, section_label
from analysis.period import Period, local
from analysis.rates import Rate, count_interval, rate_of
from analysis.tonnes import MS_PER_H, Lost, lost, money_of


class Measure(StrEnum):
    """What losses are ranked by; their orders differ."""

    COUNT = "count"
    MINUTES = "minutes"
    TONNES = "tonnes"
    MONEY = "money"


class Sort(StrEnum):
    """Whether a bar names one thing, one thing with a doubt, or the remainder of which nothing is said."""

    KNOWN = "known"
    DOUBTFUL = "doubtful"
    REMAINDER = "remainder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """One line of a ranking: its value, the sum down to it, and both as shares of the total. [%]"""

    label: str
    value: float
    cumulative: float
    share_pct: float
    cumulative_pct: float


def ranked(values: Mapping[str, float]) -> list[Ranked]:
    """Values from the greatest down with cumulative shares; equal ones in order of their labels."""
    order = sorted(values.items(), key=lambda item: (-item[1], item[0]))
    sums = list(accumulate(value for _, value in order))
    total = sums[-1] if sums and sums[-1] else 1.0
    return [
        Ranked(
            label=label,
            value=value,
            cumulative=cumulative,
            share_pct=100 * value / total,
            cumulative_pct=100 * cumulative / total,
        )
        for (label, value), cumulative in zip(order, sums, strict=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """The breaks of one label.

    count, low, high
        Breaks that began in the period, with the exact 95 % interval of a Poisson count.
    lost
        What of the period they took, also of one that began before it.
    broke_t
        Broke made meanwhile; None where it is not known of any of them. [t]
    money
        None where the mill has set no prices. [currency]
    rate
        Breaks per hour on the reel of what the label stands for: of that crew, that grade, that hour of day; of the
        whole period for sections and causes. [1/h]
    """

    label: str
    name: str
    sort: Sort
    count: int
    low: float
    high: float
    lost: Lost
    broke_t: float | None
    money: float | None
    rate: Rate

    def value(self, measure: Measure) -> float | None:
        """The bar's length in one measure; None where it cannot be known. [1], [min], [t], [currency]"""
        match measure:
            case Measure.COUNT:
                return self.count
            case Measure.MINUTES:
                return self.lost.ms / 60_000
            case Measure.TONNES:
                return self.lost.tonnes_t if self.lost.unknown_ms < self.lost.ms or not self.lost.ms else None
            case Measure.MONEY:
                return self.money


@dataclass(frozen=True, slots=True, kw_only=True)
class Pareto:
    """Breaks ranked along one dimension.

    bars
        Primary breaks, most frequent first (hours of the day in their own order); the remainder comes last.
    secondary
        Secondary breaks, the same way, apart: they follow from the break before.
    """

    by: str
    bars: tuple[Bar, ...]
    secondary: tuple[Bar, ...]

    def rank(self, measure: Measure) -> dict[str, int]:
        """Place of every primary bar in one measure, from 1; bars without a value have none."""
        values = {bar.label: value for bar in self.bars if (value := bar.value(measure)) is not None}
        return {line.label: place for place, line in enumerate(ranked(values), start=1)}

    def cumulative_pct(self, measure: Measure) -> dict[str, float]:
        """Share of the total down to every bar in the order of the measure. [%]"""
        values = {bar.label: value for bar in self.bars if (value := bar.value(measure)) is not None}
        return {line.label: line.cumulative_pct for line in ranked(values)}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dimension:
    """How a break, and a stretch of one, is labelled; and what the exposure of a label is."""

    of_downtime: Callable[[Downtime, History], str | None]
    of_slice: Callable[[Slice, Downtime, History], str | None]
    own_exposure: Callable[[Ledger, History], dict[str | None, int]] | None = None


def _hour(downtime: Downtime, history: History) -> str:
    return f"{local(downtime.started_ms, history.mill.zone).hour:02d} h"


def _on_reel_by(label: Callable[[Slice], str | None]) -> Callable[[Ledger, History], dict[str | None, int]]:
    def on_reel(book: Ledger, _: History) -> dict[str | None, int]:
        total = defaultdict[str | None, int](int)
        for s in book.of(Class.ON_REEL):
            total[label(s)] += s.ms
        return dict(total)

    return on_reel


def _on_reel_by_hour(book: Ledger, history: History) -> dict[str | None, int]:
    total = defaultdict[str | None, int](int)
    for from_ms, to_ms in _quarters(book):
        total[f"{local(from_ms, history.mill.zone).hour:02d} h"] += to_ms - from_ms
    return dict(total)


def _quarters(book: Ledger) -> Iterator[tuple[int, int]]:
    """On-reel time cut at every quarter of an hour: clocks change, and zones differ, on quarters only."""
    quarter = 15 * 60_000
    for s in book.of(Class.ON_REEL):
        at = s.from_ms
        while at < s.to_ms:
            until = min(s.to_ms, (at // quarter + 1) * quarter)
            yield at, until
            at = until


DIMENSIONS: dict[str, _Dimension] = {
    "section": _Dimension(of_downtime=lambda d, _: section_label(d), of_slice=lambda _, d, __: section_label(d)),
    "cause": _Dimension(of_downtime=lambda d, _: cause_label(d), of_slice=lambda _, d, __: cause_label(d)),
    "crew": _Dimension(
        of_downtime=lambda d, _: d.crew,
        of_slice=lambda s, _, __: SPLITS["crew"](s),
        own_exposure=_on_reel_by(SPLITS["crew"]),
    ),
    "shift": _Dimension(
        of_downtime=lambda d, _: d.shift,
        of_slice=lambda s, _, __: SPLITS["shift"](s),
        own_exposure=_on_reel_by(SPLITS["shift"]),
    ),
    "grade": _Dimension(
        of_downtime=lambda d, _: d.grade, of_slice=lambda _, d, __: d.grade, own_exposure=_on_reel_by(SPLITS["grade"])
    ),
    "hour": _Dimension(
        of_downtime=_hour, of_slice=lambda _, d, history: _hour(d, history), own_exposure=_on_reel_by_hour
    ),
}
"""What breaks can be ranked by. A break counts where it begins; for crew and shift, minutes are split at shift ends."""


@dataclass(slots=True)
class _Tally:
    count: int = 0
    lost: Lost = field(default_factory=Lost)
    broke_t: float | None = None


def pareto(history: History, book: Ledger, by: str) -> Pareto:
    """Breaks of a period ranked along one of ``DIMENSIONS``.

    The minutes of all bars, primary and secondary, add up to the break class of the time ledger, exactly. A break of
    which it cannot be known whether it is secondary counts as primary.
    """
    dimension = DIMENSIONS[by]
    primary = _tallies(history, book, dimension, secondary=False)
    secondary = _tallies(history, book, dimension, secondary=True)
    exposure = _exposure(history, book, dimension)

    def bars(tallies: Mapping[str | None, _Tally]) -> tuple[Bar, ...]:
        made = (_bar(history, by, label, tally, exposure(label)) for label, tally in tallies.items())
        return tuple(sorted(made, key=_by_label if by == "hour" else _by_count))

    return Pareto(by=by, bars=bars(primary), secondary=bars(secondary))


def _by_count(bar: Bar) -> tuple[bool, int, int, str]:
    return bar.sort is Sort.REMAINDER, -bar.count, -bar.lost.ms, bar.label


def _by_label(bar: Bar) -> str:
    return bar.label


def _tallies(history: History, book: Ledger, dimension: _Dimension, *, secondary: bool) -> dict[str | None, _Tally]:
    tallies = defaultdict[str | None, _Tally](_Tally)
    for d in _breaks(history.downtimes, book.period, secondary=secondary):
        tallies[dimension.of_downtime(d, history)].count += 1
    for s in book.of(Class.BREAK):
        if s.downtime is None or bool(s.downtime.secondary) is not secondary:
            continue
        tally = tallies[dimension.of_slice(s, s.downtime, history)]
        tally.lost += lost(s.downtime, s.ms)
        if (broke_t := broke_in(s.downtime, s.ms, history.horizon_ms)) is not None:
            tally.broke_t = (tally.broke_t or 0.0) + broke_t
    return dict(tallies)


def _breaks(downtimes: Iterable[Downtime], period: Period, *, secondary: bool) -> Iterator[Downtime]:
    for d in downtimes:
        if d.kind == "break" and period.holds(d.started_ms) and bool(d.secondary) is secondary:
            yield d


def _exposure(history: History, book: Ledger, dimension: _Dimension) -> Callable[[str | None], float]:
    if dimension.own_exposure is None:
        whole = book.ms[Class.ON_REEL] / MS_PER_H
        return lambda _: whole
    own = dimension.own_exposure(book, history)
    return lambda label: own.get(label, 0) / MS_PER_H


def _bar(history: History, by: str, label: str | None, tally: _Tally, exposure_h: float) -> Bar:
    low, high = count_interval(tally.count)
    known_t = tally.lost.tonnes_t if tally.lost.unknown_ms < tally.lost.ms else None
    return Bar(
        label=f"{by} not known" if label is None else label,
        name=history.causes.get(label or "", "") if by == "cause" else "",
        sort=_sort(label),
        count=tally.count,
        low=low,
        high=high,
        lost=tally.lost,
        broke_t=tally.broke_t,
        money=money_of(history, lost_t=known_t, broke_t=tally.broke_t),
        rate=rate_of(tally.count, exposure_h),
    )


def _sort(label: str | None) -> Sort:
    if label is None or label in (NO_SECTION, UNCODED):
        return Sort.REMAINDER
    return Sort.DOUBTFUL if label.endswith(")") else Sort.KNOWN
