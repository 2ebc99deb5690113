"""What a machine's simulation is given and gives: happenings wanted, and the record of a day."""

from __future__ import annotations

from dataclasses import dataclass

from replay_data.simulator.disturbance import MINUTES
from replay_data.simulator.downtime import Downtime
from replay_data.simulator.frame import Balance, Frame, Tracks
from replay_data.simulator.grades import GRADES, Grade, Order
from replay_data.simulator.tracks import Change, Value

STOCK_ON, SHEET_OFF, GRADE, SHADE, REEL = (
    *("headbox.stock_on", "crew.sheet_off"),
    *("order.grade", "order.shade", "reel.number"),
)
"""Signals that are sent on change, besides the sheet detectors."""


@dataclass(frozen=True, slots=True, order=True)
class Forced:
    """Something that a scenario wants to happen at a time or, if the sheet is off then, soon after it is back.

    kind
        trip, turn-up (a missed one), sheet-off or break; the last two at section ``where``. ``lasts_s``: the clearing
        takes at least that long, the job just that long.
    """

    at_ms: int
    kind: str
    where: str = "press"
    lasts_s: float = 80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothingPut:
    """A piece of clothing was put in."""

    position: str
    installed_ms: int
    told_ms: int


@dataclass(slots=True, kw_only=True)
class DayRecord:
    """What happened on one machine on one day, before it is cast into messages.

    before, changes
        What the signals sent on change were in the morning, and how they changed.
    orders
        Grade runs begun, each with the moment. [ms]
    """

    machine: str
    number: int
    frame: Frame
    tracks: Tracks
    before: dict[str, Value]
    changes: list[Change]
    downtimes: list[Downtime]
    orders: list[tuple[int, Order]]
    clothing: list[ClothingPut]
    balance: Balance

    def grade_runs(self) -> list[tuple[int, int, Grade]]:
        """The grades of the day: from which minute on, up to which, and which."""
        changes = [change for change in self.changes if change.tag == GRADE]
        firsts = [0, *(self.frame.minute(change.at_ms) for change in changes)]
        names = [self.before[GRADE], *(change.value for change in changes)]
        lasts = [*firsts[1:], MINUTES]
        return [(a, b, GRADES[str(name)]) for a, b, name in zip(firsts, lasts, names, strict=True) if a < b]
