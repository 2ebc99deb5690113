"""What the machine makes: the grades and the round of orders."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING

from replay_data.simulator.geometry import jumbo_length_m, production_t_h

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.random import Generator

HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Grade:
    """A grade with its target speed: up to 70 g/m² the drives limit it, from 80 g/m² the drying (demo).

    tender
        Break rate in the open draw against C80's: a light sheet runs faster and is weaker.
    turn_up_failure
        Share of turn-ups missed; the heavy grades hide a fault of the turn-up device (demo).
    """

    name: str
    basis_weight_g_m2: float
    speed_m_min: float
    tender: float
    turn_up_failure: float

    @property
    def jumbo_min(self) -> float:
        """How long a jumbo takes at the target speed. [min]"""
        return jumbo_length_m(self.basis_weight_g_m2) / self.speed_m_min


USUAL_TURN_UP_FAILURE = 0.010
"""Share of turn-ups missed where nothing is wrong with the device (demo)."""

GRADES = {
    grade.name: grade
    for grade in (
        Grade("C60", 60, 900, 1.5, USUAL_TURN_UP_FAILURE),
        Grade("C70", 70, 860, 1.15, USUAL_TURN_UP_FAILURE),
        Grade("C80", 80, 780, 1.0, USUAL_TURN_UP_FAILURE),
        Grade("C90", 90, 700, 0.9, 0.028),
        Grade("C100", 100, 630, 0.85, 0.038),
    )
}
# From grade to grade in small steps, up and down again, as planners like it: common practice, no source.
ROUND = ("C80", "C70", "C60", "C70", "C80", "C90", "C100", "C90")
WHITE, IVORY = "white", "ivory"


@dataclass(frozen=True, slots=True)
class Order:
    """One grade run as ordered: from ``due_ms`` on the machine is to make it. [ms], [t]"""

    order_id: str
    grade: Grade
    shade: str
    due_ms: int
    tonnes: float


def orders(rng: Generator, start_ms: int, prefix: str) -> Iterator[Order]:
    """The orders one after the other, without end; the first one is under way at ``start_ms``."""
    due_ms = start_ms
    for number in count():
        grade = GRADES[ROUND[number % len(ROUND)]]
        tinted = grade.name in ("C80", "C90") and number > 0 and rng.random() < 0.3
        hours = float(rng.uniform(14, 26) if grade.name == "C80" else rng.uniform(8, 20))
        tonnes = round(hours * 0.93 * production_t_h(grade.speed_m_min, grade.basis_weight_g_m2))
        yield Order(f"{prefix}-{4100 + number}", grade, IVORY if tinted else WHITE, due_ms, tonnes)
        due_ms += int(hours * HOUR_MS)
