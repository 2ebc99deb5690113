"""What a section, a cause or a crew's habit costs a year, and what it would be worth to be rid of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.figures.compound import Floats, Redrawn, ends
from analysis.figures.efficiency import available_ms
from analysis.figures.ledger import Class, Ledger
from analysis.figures.tonnes import MS_PER_H, money_of
from analysis.history import History
from analysis.pareto.bars import label_of, sort_of
from analysis.pareto.dimension import DIMENSIONS
from analysis.pareto.ranking import Sort
from analysis.pareto.tally import BREAKS, Selection, Tally, tallies

YEAR_H = 365.25 * 24
"""A year by the calendar. [h]"""
_MINUTES, _TONNES, _MONEY = 0, 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A figure with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """How a period becomes a year.

    available_h
        Hours in a year in which the machine is available. [h]
    factor
        That over the available time of the period.
    given
        Whether somebody said so; else the period's own share of available time is taken for the year's.
    """

    available_h: float
    factor: float
    given: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What the downtimes of one label cost a year, and what is saved without them. [h], [t], [currency]

    lost_t, cost, saved_cost
        None where unknown, or where the mill has set no prices.
    saved_h
        Time regained on the reel; None where there is nothing to compare with, or to be rid of.
    """

    label: str
    name: str
    sort: Sort
    lost_h: float
    lost_t: float | None
    cost: Amount | None
    saved_h: Amount | None
    saved_cost: Amount | None

    @property
    def saved(self) -> Amount | None:
        """What is saved in money, in hours where no prices are set."""
        return self.saved_cost or self.saved_h


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """Costs of a year along one dimension, the dearest first.

    to_others
        Whether "rid of it" means as little lost time per hour on the reel as all others together (crews, grades, hours
        of the day: they cannot be taken away), rather than none at all (sections, causes).
    optimism_pct
        By how much the dearest one's figure is too high on average because it was picked as the dearest. [%]
    """

    by: str
    year: Year
    to_others: bool
    costs: tuple[Cost, ...]
    optimism_pct: float | None


def year_of(history: History, book: Ledger, year_h: float | None = None) -> Year | None:
    """How the period of a ledger becomes a year; None where the machine was never available.

    year_h
        Available hours in a year, where the mill knows them; else 8,766 h x the available share of the time with data.
    """
    available = available_ms(
        book, history.downtimes, planned_cutoff_h=history.mill.planned_cutoff_h, horizon_ms=history.horizon_ms
    )
    if available <= 0:
        return None
    seen_ms = book.period.length_ms - book.ms[Class.NO_DATA]
    hours = YEAR_H * available / seen_ms if year_h is None else year_h
    return Year(available_h=hours, factor=hours * MS_PER_H / available, given=year_h is not None)


def worth(
    history: History, book: Ledger, by: str, selection: Selection = BREAKS, *, year_h: float | None = None
) -> Worth | None:
    """What the breaks of every label cost a year, secondary ones included, and what is saved without them.

    Cost: lost tonnes x margin + broke x its cost, of the period, scaled by ``year_of``. Saved time: that of the label
    (or what it exceeds the others by), over 1 + the remaining lost time per hour on the reel, since the sheet breaks
    in regained time as well; money in proportion. Intervals: ``compound.redrawn``. None without available time.
    """
    year = year_of(history, book, year_h)
    if year is None:
        return None
    found = tallies([(history, book)], by, selection)
    told = [tally for tally in found.values() if tally.parts or tally.on_reel_ms]
    to_others = DIMENSIONS[by].of_on_reel is not None
    savings = {tally.label: _saving(tally, told, to_others=to_others) for tally in told}
    costs = [_cost(history, book, tally, savings[tally.label], year) for tally in told]
    return Worth(
        by=by,
        year=year,
        to_others=to_others,
        costs=tuple(sorted(costs, key=_dearest)),
        optimism_pct=_optimism(history, told, savings),
    )


def _dearest(cost: Cost) -> tuple[bool, float, float, str]:
    return cost.sort is Sort.REMAINDER, -(cost.cost.value if cost.cost else 0.0), -cost.lost_h, cost.label


@dataclass(frozen=True, slots=True, kw_only=True)
class _Saving:
    """Minutes, tonnes and money of the period that would be saved, as they are and redrawn."""

    seen: Floats
    drawn: Redrawn


def _saving(tally: Tally, told: list[Tally], *, to_others: bool) -> _Saving | None:
    """All that a label lost or, where its like cannot be taken away, what it lost more than others in its time."""
    seen, drawn = _seen(tally), _drawn(tally)
    if not to_others:
        return _Saving(seen=seen, drawn=drawn)
    others = [other for other in told if other is not tally and other.label is not None]
    others_ms = sum(other.on_reel_ms for other in others)
    if not others_ms or not tally.on_reel_ms:
        return None
    share = tally.on_reel_ms / others_ms
    return _Saving(
        seen=seen - share * sum((_seen(other) for other in others), np.zeros(3)),
        drawn=Redrawn(
            below=drawn.below - share * sum((_drawn(other).above for other in others), np.zeros(3)),
            above=drawn.above - share * sum((_drawn(other).below for other in others), np.zeros(3)),
        ),
    )


def _seen(tally: Tally) -> Floats:
    lost = tally.lost
    money = sum(part.money or 0.0 for part in tally.parts.values())
    return np.array([lost.ms / 60_000, lost.tonnes_t, money])


def _drawn(tally: Tally) -> Redrawn:
    # Of what never happened nothing is known but its count, so it adds nothing to the comparison with others.
    return tally.drawn or Redrawn(below=np.zeros((1, 3)), above=np.zeros((1, 3)))


def _cost(history: History, book: Ledger, tally: Tally, saving: _Saving | None, year: Year) -> Cost:
    seen, drawn, lost = _seen(tally), _drawn(tally), tally.lost
    known_t = lost.unknown_ms < lost.ms or not lost.ms
    priced = known_t and money_of(history, lost_t=0.0, broke_t=0.0) is not None
    cost = _amount(seen, drawn, _MONEY, year.factor) if priced else None
    saved_h = saved_cost = None
    if saving is not None and tally.parts and book.ms[Class.ON_REEL]:
        remaining_ms = book.ms[Class.BREAK] - float(saving.seen[_MINUTES]) * 60_000
        regained = year.factor / (1 + remaining_ms / book.ms[Class.ON_REEL])
        saved_h = _amount(saving.seen, saving.drawn, _MINUTES, regained / 60)
        saved_cost = _amount(saving.seen, saving.drawn, _MONEY, regained) if priced else None
    return Cost(
        label=label_of(tally),
        name=history.causes.get(tally.label or "", "") if tally.by == "cause" else "",
        sort=sort_of(tally, history),
        lost_h=float(seen[_MINUTES]) * year.factor / 60,
        lost_t=float(seen[_TONNES]) * year.factor if known_t else None,
        cost=cost,
        saved_h=saved_h,
        saved_cost=saved_cost,
    )


def _amount(seen: Floats, drawn: Redrawn, measure: int, factor: float) -> Amount:
    low, high = ends(drawn.below[:, measure], drawn.above[:, measure])
    return Amount(value=float(seen[measure]) * factor, low=low * factor, high=high * factor)


def _optimism(history: History, told: list[Tally], savings: Mapping[str | None, _Saving | None]) -> float | None:
    """How far the greatest saving is too great on average, having been picked for that.

    In every redrawn world: the greatest of its savings less what the same label shows in the real one; the mean of
    that over the greatest real one. After B. Efron & R. Tibshirani, An Introduction to the
    Bootstrap (1993), chapter 17 (cited from memory).
    """
    measure = _MINUTES if money_of(history, lost_t=0.0, broke_t=0.0) is None else _MONEY
    named = [savings[tally.label] for tally in told if sort_of(tally, history) is not Sort.REMAINDER]
    known = [saving for saving in named if saving is not None and len(saving.drawn.below) > 1]
    if len(known) < 2:
        return None
    worlds = np.column_stack([saving.drawn.below[:, measure] for saving in known])
    real = np.array([saving.seen[measure] for saving in known])
    greatest = float(real.max())
    picked = worlds.argmax(axis=1)
    excess = float((worlds.max(axis=1) - real[picked]).mean())
    return 100 * max(0.0, excess) / greatest if greatest > 0 else None
