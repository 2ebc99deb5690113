"""Tonnes: what was made on the reel, and what a downtime cost at the rate before it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from analysis.figures.ledger import Ledger
from analysis.history import Downtime, History, Production
from analysis.period import Period

MS_PER_H = 3_600_000
MS_PER_MIN = 60_000


def rate_t_h(*, trim_m: float, speed_m_min: float, basis_weight_g_m2: float) -> float:
    """Production rate at reel moisture: speed x trim x basis weight x 60 / 10^6. [m], [m/min], [g/m2] → [t/h]"""
    return speed_m_min * trim_m * basis_weight_g_m2 * 60 / 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What was made on the reel.

    tonnes_t
        At reel moisture, of the time for which it is known. [t]
    on_reel_ms
        Time on the reel that is accounted for. [ms]
    unknown_ms
        That part of it for which the tonnes are unknown, because the basis weight was. [ms]
    length_m
        Sheet onto the reel. [m]
    """

    tonnes_t: float = 0.0
    on_reel_ms: int = 0
    unknown_ms: int = 0
    length_m: float = 0.0

    def __add__(self, other: Made) -> Made:
        """Both together."""
        return Made(
            tonnes_t=self.tonnes_t + other.tonnes_t,
            on_reel_ms=self.on_reel_ms + other.on_reel_ms,
            unknown_ms=self.unknown_ms + other.unknown_ms,
            length_m=self.length_m + other.length_m,
        )


def made(rows: Iterable[Production], period: Period) -> Made:
    """What was made in a period.

    A row covers on-reel time only and at most one clock hour; where the period cuts it, tonnes and length are shared
    out by time, as if speed and basis weight had been even within the row.
    """
    return made_by(rows, period, lambda _: None).get(None, Made())


def made_by(
    rows: Iterable[Production], period: Period, label: Callable[[Production], str | None]
) -> dict[str | None, Made]:
    """What was made in a period, by grade, shade or reel; the values add up to ``made``."""
    total = defaultdict[str | None, _Sum](_Sum)
    from_ms, to_ms = period.from_ms, period.to_ms
    for row in rows:
        begin, end = row.started_ms, row.ended_ms
        # A year has some 9,000 rows a machine, nearly all of them whole.
        if begin >= from_ms and end <= to_ms:
            total[label(row)].add(row, end - begin, 1.0)
        elif inside_ms := period.clipped_ms(begin, end):
            total[label(row)].add(row, inside_ms, inside_ms / (end - begin))
    return {
        key: Made(tonnes_t=one.tonnes_t, on_reel_ms=one.on_reel_ms, unknown_ms=one.unknown_ms, length_m=one.length_m)
        for key, one in total.items()
    }


class _Sum:
    """A ``Made`` while it grows: a year has too many rows to make a new one of each."""

    __slots__ = ("length_m", "on_reel_ms", "tonnes_t", "unknown_ms")

    def __init__(self) -> None:
        self.tonnes_t = self.length_m = 0.0
        self.on_reel_ms = self.unknown_ms = 0

    def add(self, row: Production, inside_ms: int, share: float) -> None:
        self.on_reel_ms += inside_ms
        self.length_m += row.length_m * share
        if row.tonnes_t is None:
            self.unknown_ms += inside_ms
        else:
            self.tonnes_t += row.tonnes_t * share


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """What downtimes cost.

    ms
        Lost time inside the period. [ms]
    tonnes_t
        Lost time x rate over the last 30 on-reel minutes of the same grade run. [t]
    unknown_ms
        Lost time with no such rate: its tonnes are unknown. [ms]
    """

    ms: int = 0
    tonnes_t: float = 0.0
    unknown_ms: int = 0

    def __add__(self, other: Lost) -> Lost:
        """Both together."""
        return Lost(
            ms=self.ms + other.ms,
            tonnes_t=self.tonnes_t + other.tonnes_t,
            unknown_ms=self.unknown_ms + other.unknown_ms,
        )


def lost(downtime: Downtime, ms: int) -> Lost:
    """What so much time of a downtime cost. [ms]"""
    if downtime.rate_before_t_h is None:
        return Lost(ms=ms, unknown_ms=ms)
    return Lost(ms=ms, tonnes_t=ms / MS_PER_H * downtime.rate_before_t_h)


def lost_in(book: Ledger, downtimes: Iterable[Downtime]) -> Lost:
    """What downtimes cost within the period of a ledger."""
    ms = book.by_downtime
    return sum((lost(d, ms.get(d.downtime_id, 0)) for d in downtimes), Lost())


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """What was made and lost in a period: all of it, and by grade and reel, which each add up to it."""

    made: Made
    lost: Lost
    by_grade: dict[str | None, Made]
    by_reel: dict[str | None, Made]


def output(history: History, book: Ledger) -> Output:
    """Production and losses of a ledger's period; each is added up once for all who tell of it."""
    rows, period = history.production, book.period
    return Output(
        made=made(rows, period),
        lost=lost_in(book, history.downtimes),
        by_grade=made_by(rows, period, lambda row: row.grade),
        by_reel=made_by(rows, period, lambda row: row.reel),
    )


def money_of(history: History, *, lost_t: float | None, broke_t: float | None) -> float | None:
    """Lost margin and the cost of broke, of whichever the mill has set. [currency]

    None where the mill has set neither, or where what a set price applies to is unknown: never 0 for "not set".
    """
    priced = [
        (history.mill.margin_per_t, lost_t),
        (history.mill.broke_cost_per_t, broke_t),
    ]
    costs = [None if tonnes is None else price * tonnes for price, tonnes in priced if price is not None]
    known = [cost for cost in costs if cost is not None]
    return sum(known) if known else None
