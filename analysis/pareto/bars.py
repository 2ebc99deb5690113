"""Losses ranked: downtimes by section, cause, crew … in count, minutes, tonnes and money, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

from analysis.figures.compound import ends
from analysis.figures.ledger import NO_SECTION, UNCODED, Ledger
from analysis.figures.rates import Rate, count_interval, rate_of
from analysis.figures.tonnes import Lost, money_of
from analysis.history import History
from analysis.pareto.dimension import DIMENSIONS, shown
from analysis.pareto.ranking import Measure, Sort, ranked
from analysis.pareto.tally import BREAKS, Selection, Source, Tally, hours, on_reel_ms, tallies
from analysis.result import natural

_DRAWN = {Measure.MINUTES: 0, Measure.TONNES: 1, Measure.MONEY: 2}
_TOGETHER = ("kind", "secondary")
"""Dimensions that tell primary and secondary breaks apart by themselves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """The downtimes of one label.

    count, low, high
        Downtimes that began in the period, with the exact 95 % interval of a Poisson count.
    lost
        What of the period they took, also of one that began before it.
    broke_t
        Broke made meanwhile; None where it is not known of any of them. [t]
    money
        None where the mill has set no prices. [currency]
    rate
        Downtimes per hour on the reel of what the label stands for: of that crew, that grade, that hour of day; of
        the whole period for sections and causes. [1/h]
    spread
        95 % intervals of the sums, as ``compound.redrawn`` says; none where the sum is unknown or nothing was lost.
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
    spread: Mapping[Measure, tuple[float, float]] = field(default_factory=dict)

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

    def interval(self, measure: Measure) -> tuple[float, float] | None:
        """Its 95 % interval; None where there is none."""
        return (self.low, self.high) if measure is Measure.COUNT else self.spread.get(measure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pareto:
    """Downtimes ranked along one dimension.

    noun
        What is counted: primary breaks, breaks or downtimes.
    bars
        Most frequent first (hours of the day and the like in their own order); the remainder comes last.
    secondary
        Secondary breaks, the same way, apart: they follow from the break before. Empty where bars hold them too.
    """

    by: str
    noun: str
    selection: Selection
    bars: tuple[Bar, ...]
    secondary: tuple[Bar, ...]

    @property
    def in_order(self) -> bool:
        """Whether the bars stand in an order of their own, as hours of the day do."""
        return DIMENSIONS[self.by].in_order

    def rank(self, measure: Measure) -> dict[str, int]:
        """Place of every bar in one measure, from 1; equal ones share it. The remainder has none."""
        named = (bar for bar in self.bars if bar.sort is not Sort.REMAINDER)
        return {line.label: line.place for line in ranked(_values(named, measure))}

    def order(self, measure: Measure) -> list[Bar]:
        """The bars with a value from the greatest down in one measure, the remainder last."""
        known = [bar for bar in self.bars if bar.value(measure) is not None]
        return sorted(known, key=lambda b: _by_value(b, measure))

    def cumulative_pct(self, measure: Measure) -> dict[str, float]:
        """Share of the total down to every bar in ``order``. [%]"""
        bars = self.order(measure)
        sums = list(accumulate(bar.value(measure) or 0.0 for bar in bars))
        total = sums[-1] if sums and sums[-1] else 1.0
        return {bar.label: 100 * value / total for bar, value in zip(bars, sums, strict=True)}


def _values(bars: Iterable[Bar], measure: Measure) -> dict[str, float]:
    return {bar.label: value for bar in bars if (value := bar.value(measure)) is not None}


def pareto(history: History, book: Ledger, by: str, selection: Selection = BREAKS) -> Pareto:
    """Downtimes of one machine and period ranked along one of ``DIMENSIONS``; by default its breaks.

    The minutes of all bars, primary and secondary, add up to the time of their kinds in the time ledger, exactly. A
    break of which it cannot be known whether it is secondary counts as primary.
    """
    return pareto_of([(history, book)], by, selection)


def pareto_of(sources: Sequence[Source], by: str, selection: Selection = BREAKS) -> Pareto:
    """The same over several machines together."""
    asked = {by, *(within for within, _ in selection.within)}
    together = selection.kinds != BREAKS.kinds or not asked.isdisjoint(_TOGETHER)
    history = sources[0][0]
    on_reel = on_reel_ms(sources, by, selection)

    def bars(*, secondary: bool | None) -> tuple[Bar, ...]:
        found = tallies(sources, by, selection, secondary=secondary, on_reel=on_reel).values()
        made = (_bar(history, tally) for tally in found if secondary is not True or tally.parts or tally.count)
        return tuple(sorted(made, key=_in_order if DIMENSIONS[by].in_order else _by_count))

    noun = "downtime" if selection.kinds != BREAKS.kinds else "break" if together else "primary break"
    return Pareto(
        by=by,
        noun=noun,
        selection=selection,
        bars=bars(secondary=None if together else False),
        secondary=() if together else bars(secondary=True),
    )


def _by_value(bar: Bar, measure: Measure) -> tuple[bool, float, int, str]:
    return bar.sort is Sort.REMAINDER, -(bar.value(measure) or 0.0), -bar.lost.ms, bar.label


def _by_count(bar: Bar) -> tuple[bool, int, int, str]:
    return bar.sort is Sort.REMAINDER, -bar.count, -bar.lost.ms, bar.label


def _in_order(bar: Bar) -> tuple[bool, int, tuple[bool, list[str | int]]]:
    return bar.sort is Sort.REMAINDER, _PLACES.get(bar.label, 0), natural(bar.label)


_PLACES = {label: place for dimension in DIMENSIONS.values() for place, label in enumerate(dimension.all_labels)}


def _bar(history: History, tally: Tally) -> Bar:
    low, high = count_interval(tally.count)
    lost, broke_t = tally.lost, tally.broke_t
    known_t = lost.tonnes_t if lost.unknown_ms < lost.ms or not lost.ms else None
    money = money_of(history, lost_t=known_t, broke_t=broke_t)
    return Bar(
        label=label_of(tally),
        name=history.causes.get(tally.label or "", "") if tally.by == "cause" else "",
        sort=sort_of(tally, history),
        count=tally.count,
        low=low,
        high=high,
        lost=lost,
        broke_t=broke_t,
        money=money,
        rate=rate_of(tally.count, hours(tally.on_reel_ms)),
        spread=_spread(tally, known={Measure.MINUTES: True, Measure.TONNES: known_t is not None}, money=money),
    )


def _spread(tally: Tally, known: Mapping[Measure, bool], money: float | None) -> dict[Measure, tuple[float, float]]:
    drawn = tally.drawn
    if drawn is None:
        return {}
    wanted = {**known, Measure.MONEY: money is not None}
    return {m: ends(drawn.below[:, n], drawn.above[:, n]) for m, n in _DRAWN.items() if wanted[m]}


def label_of(tally: Tally) -> str:
    """The label for people."""
    return shown(tally.by, tally.label)


def sort_of(tally: Tally, history: History) -> Sort:
    """Whether a label names one thing, one with a doubt, or the remainder, as a code for "unknown" is too."""
    label = tally.label
    if label is None or label in (NO_SECTION, UNCODED) or (tally.by == "cause" and label in history.nameless):
        return Sort.REMAINDER
    return Sort.DOUBTFUL if label.endswith(")") else Sort.KNOWN
