"""The hazard of a scenario: a base for each section, times what the plants make of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.geometry import SECTIONS
from replay_data.simulator.hazard import GRADE_CHANGE_FACTOR, Hazard
from replay_data.simulator.planted import Decoy, Effect, Planted
from replay_data.simulator.scenario.instruments import DECOYS
from replay_data.simulator.scenario.plan import Scenario
from replay_data.simulator.scenario.trace import Trace

if TYPE_CHECKING:
    from replay_data.simulator.frame import Frame
    from replay_data.simulator.grades import Grade
    from replay_data.simulator.record import DayRecord

Floats = NDArray[np.float64]
MINUTES = 1440
HIDDEN = 0.4
"""Spread of the logarithm of each section's hidden unrest, which no tag shows."""


@dataclass(frozen=True, slots=True)
class PlantedLaw:
    """The hazard of a scenario. ``traces``: each plant's course, by its name."""

    scenario: Scenario
    traces: dict[str, Trace]
    _grades: dict[str, float] = field(init=False)

    def __post_init__(self) -> None:
        """Grades that are not named have the usual hazard."""
        object.__setattr__(self, "_grades", dict(self.scenario.grade_factor))

    @property
    def plants(self) -> tuple[Planted, ...]:
        """The causes that were built in."""
        return tuple(plant.told for plant in self.scenario.plants)

    @property
    def decoys(self) -> tuple[Decoy, ...]:
        """The tags that have nothing to do with breaks, or follow them."""
        return tuple(
            Decoy(tag=decoy.name, why=why, use=decoy.use, misdeclared=why == "break" and decoy.use != "result")
            for decoy in self.scenario.decoys
            for why in (DECOYS[decoy.name][1],)
        )

    def rates(self, frame: Frame, first: int, last: int, grade: Grade) -> Hazard:
        """The hazard in some minutes of a day that is filled so far."""
        terms: dict[str, dict[str, Floats]] = {section: {} for section in SECTIONS}
        for plant in self.scenario.plants:
            terms[plant.section][plant.cause] = np.log(self._factor(plant.name, frame, first, last))
        of_grade = np.full(last - first, self._grades.get(grade.name, 1.0))
        restart, changing = self._after_restart(frame, first, last), self._after_change(frame, first, last)
        return Hazard(
            by_section=self._by_section(frame, first, last, of_grade), terms=terms, restart=restart, changing=changing
        )

    def effects(self, day: DayRecord) -> list[Effect]:
        """What each plant did on a day that is over, by section."""
        per_h = 60 * self._by_section(day.frame, 0, MINUTES, self._grade_factor(day))
        effects = []
        for plant in self.scenario.plants:
            without = per_h.copy()
            without[SECTIONS.index(plant.section)] /= self._factor(plant.name, day.frame, 0, MINUTES)
            effects.append(Effect(plant=plant.name, per_h=per_h, without_per_h=without))
        return effects

    def _by_section(self, frame: Frame, first: int, last: int, of_grade: Floats) -> Floats:
        """Breaks a minute: rows are sections, columns minutes."""
        common = of_grade * self._after_restart(frame, first, last) * self._after_change(frame, first, last)
        base = self.scenario.breaks_per_day / MINUTES * np.array(self.scenario.shares)
        hidden = np.array([frame.wander[f"hidden {section}"][first:last] for section in SECTIONS])
        rows: Floats = base[:, np.newaxis] * np.exp(HIDDEN * hidden - HIDDEN**2 / 2) * common
        for plant in self.scenario.plants:
            rows[SECTIONS.index(plant.section)] *= self._factor(plant.name, frame, first, last)
        return rows

    def _factor(self, name: str, frame: Frame, first: int, last: int) -> Floats:
        day = frame.number * MINUTES
        return self.traces[name].factor[day + first : day + last]

    def _after_restart(self, frame: Frame, first: int, last: int) -> Floats:
        return 1.0 + self.scenario.restart_factor * frame.column["unrest"][first:last]

    def _after_change(self, frame: Frame, first: int, last: int) -> Floats:
        return 1.0 + GRADE_CHANGE_FACTOR * frame.column["grade_change"][first:last]

    def _grade_factor(self, day: DayRecord) -> Floats:
        """The factor of the grade that was on the machine, a minute an entry."""
        factor = np.ones(MINUTES)
        for first, last, grade in day.grade_runs():
            factor[first:last] = self._grades.get(grade.name, 1.0)
        return factor
