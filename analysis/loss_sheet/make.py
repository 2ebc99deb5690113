"""From the published store to the sheet of one shift."""

from __future__ import annotations

from importlib import metadata

from analysis.figures.shift_review import shift_review
from analysis.history import Machine, ShiftSpan
from analysis.loss_sheet.model import LossSheet
from analysis.loss_sheet.tell import Asked, loss_sheet
from analysis.loss_sheet.write import band_of
from analysis.period import Period, shift_period, until_horizon
from analysis.read import Store


def shifts_of(store: Store, machine: Machine) -> tuple[ShiftSpan, ...]:
    """Every shift of which a machine has data, and the one that its newest data are in; none without data."""
    if machine.first_ms is None or machine.last_ms is None:
        return ()
    return store.shifts(Period(from_ms=machine.first_ms, to_ms=machine.last_ms + 1))


def sheet_of(store: Store, machine: Machine, shift: ShiftSpan, *, demo: bool = False) -> LossSheet:
    """The sheet of a shift, as far as the data reach.

    Raises
    ------
    NothingThen
        If the shift begins after the newest data.
    """
    period = until_horizon(shift_period(shift), machine.last_ms or 0)
    history = store.history(machine, period)
    review = shift_review(history, period)
    coming = next((s for s in shifts_of(store, machine) if s.started_ms == shift.ended_ms), None)
    asked = Asked(shift=shift, coming=coming, version=metadata.version("breakhorn"), demo=demo)
    return loss_sheet(history, review, asked, band_of(history, review))
