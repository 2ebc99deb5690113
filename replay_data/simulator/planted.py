"""What is planted: causes and decoys, what each cause did to the hazard, and the truth rows that say so."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.disturbance import MINUTES
from replay_data.simulator.geometry import SECTIONS

if TYPE_CHECKING:
    from replay_data.simulator.downtime import Downtime
    from replay_data.simulator.frame import Frame
    from replay_data.simulator.grades import Grade
    from replay_data.simulator.hazard import Hazard
    from replay_data.simulator.record import DayRecord

Floats = NDArray[np.float64]
AT_WORK = 1.05
"""A break is put down to a plant that had raised the hazard of its section by more than this factor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A cause that was built in.

    kind
        How it shows: builds_up, wanders, moved, swings, flutters, ages, drifts, habit, flickers or setting.
    sections
        Where it makes the sheet break; the first one is its own.
    tags, directions
        The tags that show it, the clearest first, and how each does: up, down or restless.
    lead_min
        How long it shows before it makes the sheet break, typically. [min]
    causes
        Codes by which a crew that is right would call its breaks.
    crew, grades
        The stratum to which it is confined; None and empty: none.
    """

    name: str
    kind: str
    sections: tuple[str, ...]
    tags: tuple[str, ...]
    directions: tuple[str, ...]
    lead_min: int
    causes: tuple[str, ...]
    crew: str | None = None
    grades: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoy:
    """A tag that moves for a reason of its own: season, grade, restart, or the break itself.

    misdeclared
        It is a result, and mill.toml says that it is not.
    """

    tag: str
    why: str
    use: str = "process"
    misdeclared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """The hazard on one day, and what it would be without a plant: rows are sections, columns minutes. [1/h]"""

    plant: str
    per_h: Floats
    without_per_h: Floats


class Law(Protocol):
    """What makes the sheet break, and what of that was planted."""

    @property
    def plants(self) -> tuple[Planted, ...]:
        """The causes that were built in."""

    @property
    def decoys(self) -> tuple[Decoy, ...]:
        """The tags that have nothing to do with breaks, or follow them."""

    def rates(self, frame: Frame, first: int, last: int, grade: Grade) -> Hazard:
        """The hazard in some minutes of a day that is filled so far."""

    def effects(self, day: DayRecord) -> list[Effect]:
        """What each plant did on a day that is over, by section."""


@dataclass(slots=True)
class Account:
    """Keeps account of what the plants of one machine did. ``end_ms``: where the stream ends. [ms]"""

    machine: str
    law: Law
    end_ms: int
    _expected: float = 0.0
    _added: dict[str, float] = field(default_factory=dict)
    _own: dict[str, Floats] = field(default_factory=dict)

    def day(self, day: DayRecord) -> tuple[dict[str, str], list[Mapping[str, object]]]:
        """Which downtimes of the day are due to which plant, and the day's rows; on the last day the sums as well."""
        effects = {effect.plant: effect for effect in self.law.effects(day)}
        due = {down.downtime_id: name for down in day.downtimes if (name := self._due_to(down, effects, day))}
        per_h = day.frame.hazard_per_h
        on = ~np.isnan(per_h)
        self._expected += float((per_h + missed_turn_ups_per_h(day))[on].sum()) / 60
        rows: list[Mapping[str, object]] = []
        for plant in self.law.plants:
            rows += self._book(plant, effects[plant.name], on, day.frame.start_ms)
        if day.frame.end_ms >= self.end_ms:
            rows += [self._sum_of(plant) for plant in self.law.plants]
            rows += [self._decoy(decoy) for decoy in self.law.decoys]
        return due, rows

    def _due_to(self, down: Downtime, effects: Mapping[str, Effect], day: DayRecord) -> str | None:
        """The plant at work in that section in that minute which the true cause fits."""
        if down.kind != "break" or down.forced or down.section is None:
            return None
        place = SECTIONS.index(down.section), day.frame.minute(down.started_ms)
        for plant in self.law.plants:
            effect = effects[plant.name]
            at_work = effect.per_h[place] > AT_WORK * effect.without_per_h[place]
            if at_work and down.section in plant.sections and down.cause in plant.causes:
                return plant.name
        return None

    def _book(
        self, plant: Planted, effect: Effect, on: NDArray[np.bool_], started_ms: int
    ) -> Iterator[Mapping[str, object]]:
        added = float((effect.per_h - effect.without_per_h)[:, on].sum()) / 60
        self._added[plant.name] = self._added.get(plant.name, 0.0) + added
        own = SECTIONS.index(plant.sections[0])
        sums = np.array([effect.per_h[own, on].sum(), effect.without_per_h[own, on].sum()]) / 60
        self._own[plant.name] = self._own.get(plant.name, np.zeros(2)) + sums
        for section in plant.sections:
            row = SECTIONS.index(section)
            yield {
                "table": "plant_hazard",
                "machine": self.machine,
                "plant": plant.name,
                "section": section,
                "started_ms": started_ms,
                "step_s": 60,
                "per_h": _rounded(effect.per_h[row], on),
                "without_per_h": _rounded(effect.without_per_h[row], on),
            }

    def _sum_of(self, plant: Planted) -> Mapping[str, object]:
        with_it, without = self._own[plant.name].tolist()
        return {
            "table": "plant",
            "machine": self.machine,
            "plant": plant.name,
            "kind": plant.kind,
            "section": plant.sections[0],
            "sections": plant.sections,
            "tags": plant.tags,
            "direction": plant.directions[0] if plant.directions else None,
            "directions": plant.directions,
            "lead_min": plant.lead_min,
            "share_of_breaks": round(self._added[plant.name] / self._expected, 4) if self._expected else 0.0,
            "rate_ratio": round(with_it / without, 3) if without else None,
            "causes": plant.causes,
            "crew": plant.crew,
            "grades": plant.grades or None,
        }

    def _decoy(self, decoy: Decoy) -> Mapping[str, object]:
        said = {"tag": decoy.tag, "why": decoy.why, "use": decoy.use, "misdeclared": decoy.misdeclared}
        return {"table": "decoy", "machine": self.machine, **said}


def missed_turn_ups_per_h(day: DayRecord) -> Floats:
    """How many turn-ups are missed, on average, with the grades of the day: they come by jumbo, not by hazard. [1/h]"""
    per_h = np.empty(MINUTES)
    for first, last, grade in day.grade_runs():
        per_h[first:last] = 60 * grade.turn_up_failure / grade.jumbo_min
    return per_h


def _rounded(per_h: Floats, on: NDArray[np.bool_]) -> list[float | None]:
    """Five decimals an hour; None while the sheet is off."""
    return [rate if there else None for there, rate in zip(on.tolist(), np.round(per_h, 5).tolist(), strict=True)]
