"""Who is on shift: twelve hours, four crews, a cycle of 28 days. The mill's [shifts] say the same (a test compares)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.disturbance import MINUTES

CREWS = "ABCD"
ANCHOR = date(2026, 1, 5)
# Published by a paper company for its four teams: 4 nights, 3 off, 3 days, 1 off, 3 nights, 3 off, 4 days, 7 off.
CYCLE = "NNNNOOODDDONNNOOODDDDOOOOOOO"
STARTS = (time(6), time(18))
ZONE = ZoneInfo("Europe/Helsinki")

# How well a crew threads: added to the chance that an attempt succeeds (demo).
SKILL = {"A": 0.04, "B": 0.02, "C": 0.0, "D": -0.08}

HABIT_BEGINS_MIN, HABIT_LASTS_MIN = (60, 240, 420, 600), 90
"""When in its shift crew C doses broke by hand, and for how long. [min]"""


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift of one crew, from ``started_ms`` to ``ended_ms``. [ms]"""

    crew: str
    started_ms: int
    ended_ms: int


def crew_on(day: date, letter: str) -> str:
    """The crew whose turn it is: ``letter`` D for the day shift, N for the night shift that starts on ``day``."""
    number = (day - ANCHOR).days
    crews = [crew for k, crew in enumerate(CREWS) if CYCLE[(number + 7 * k) % len(CYCLE)] == letter]
    (crew,) = crews
    return crew


def pattern() -> list[str]:
    """The crews of each shift in turn over one cycle, day shift first."""
    days = [ANCHOR + timedelta(days=k) for k in range(len(CYCLE))]
    return [crew_on(day, letter) for day in days for letter in "DN"]


def shift_at(at_ms: int) -> Shift:
    """The shift in which a moment lies; shifts change at the mill's wall clock, so some last 11 or 13 hours."""
    local = datetime.fromtimestamp(at_ms / 1000, ZONE)
    if local.time() < STARTS[0]:
        day, letter = local.date() - timedelta(days=1), "N"
    else:
        day, letter = local.date(), "D" if local.time() < STARTS[1] else "N"
    return Shift(crew_on(day, letter), *_bounds(day, letter))


def dosing_habit(start_ms: int) -> NDArray[np.bool_]:
    """Minutes of the day in which crew C doses broke by hand: for an hour and a half, four times a shift."""
    habit = np.zeros(MINUTES, dtype=np.bool_)
    for k in range(0, MINUTES, 10):
        shift = shift_at(start_ms + k * 60_000)
        into = (start_ms + k * 60_000 - shift.started_ms) / 60_000
        habit[k : k + 10] = shift.crew == "C" and any(
            begin <= into < begin + HABIT_LASTS_MIN for begin in HABIT_BEGINS_MIN
        )
    return habit


def _bounds(day: date, letter: str) -> tuple[int, int]:
    if letter == "D":
        first, last = datetime.combine(day, STARTS[0], ZONE), datetime.combine(day, STARTS[1], ZONE)
    else:
        first = datetime.combine(day, STARTS[1], ZONE)
        last = datetime.combine(day + timedelta(days=1), STARTS[0], ZONE)
    return _ms(first), _ms(last)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
