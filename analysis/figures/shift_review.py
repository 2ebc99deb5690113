"""What happened in one shift: the ledger that sums to its length, its downtimes with those still to be coded first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.figures.efficiency import Efficiency, efficiency
from analysis.figures.ledger import Ledger, ledger
from analysis.figures.tonnes import Lost, Made, lost, lost_in, made
from analysis.history import Downtime, History
from analysis.period import Period


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftDowntime:
    """One downtime as the shift saw it.

    ms
        What of it fell into the shift, data gaps left out. [ms]
    began_here
        False for one that an earlier shift handed on; it is that shift's break.
    to_code
        True for a break that began here and has no cause yet.
    """

    downtime: Downtime
    ms: int
    lost: Lost
    began_here: bool
    to_code: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftReview:
    """One shift of one machine, up to the newest data if it still runs."""

    period: Period
    book: Ledger
    efficiency: Efficiency
    made: Made
    lost: Lost
    downtimes: tuple[ShiftDowntime, ...]

    @property
    def to_code(self) -> int:
        """How many breaks wait for a cause."""
        return sum(d.to_code for d in self.downtimes)


def numbers_by_time(rows: Sequence[ShiftDowntime]) -> dict[str, int]:
    """Number of each downtime, from 1, in the order in which the sheet was lost; by its id."""
    in_time = sorted(rows, key=lambda row: row.downtime.started_ms)
    return {row.downtime.downtime_id: number for number, row in enumerate(in_time, start=1)}


def shift_review(history: History, period: Period) -> ShiftReview:
    """The review of a period that is one shift, clipped at the newest data."""
    book = ledger(history, period)
    inside = book.by_downtime
    seen = [d for d in history.downtimes if inside.get(d.downtime_id) or period.holds(d.started_ms)]
    rows = (_row(d, inside.get(d.downtime_id, 0), period) for d in seen)
    return ShiftReview(
        period=period,
        book=book,
        efficiency=efficiency(history, book),
        made=made(history.production, period),
        lost=lost_in(book, seen),
        downtimes=tuple(sorted(rows, key=lambda r: (not r.to_code, r.downtime.started_ms))),
    )


def _row(downtime: Downtime, ms: int, period: Period) -> ShiftDowntime:
    began_here = period.holds(downtime.started_ms)
    return ShiftDowntime(
        downtime=downtime,
        ms=ms,
        lost=lost(downtime, ms),
        began_here=began_here,
        to_code=began_here and downtime.kind == "break" and downtime.cause is None,
    )
