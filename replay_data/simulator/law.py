"""What makes the demo's sheet break: its hazard, the plants in it, and the same hazard without each of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.disturbance import MINUTES
from replay_data.simulator.geometry import REEL, SECTIONS
from replay_data.simulator.grades import USUAL_TURN_UP_FAILURE
from replay_data.simulator.hazard import Hazard, hazard
from replay_data.simulator.planted import Decoy, Effect, Planted, missed_turn_ups_per_h
from replay_data.simulator.process import Minutes, conditions

if TYPE_CHECKING:
    from replay_data.simulator.frame import Frame
    from replay_data.simulator.grades import Grade
    from replay_data.simulator.record import DayRecord

Floats = NDArray[np.float64]
Spared = Callable[[Minutes], Minutes]
"""The same minutes as they would be without a plant."""
YOUNG_FELT_D = 7.0
"""A felt that has run in and does not press less yet. [d]"""


def _without_trouble(name: str) -> Spared:
    return lambda m: replace(m, trouble={**m.trouble, name: np.zeros_like(m.trouble[name])})


TURN_UP = Planted(
    name="turn-up fault on heavy grades",
    kind="setting",
    sections=("reel",),
    tags=(),
    directions=(),
    lead_min=0,
    causes=("RE-TUP",),
    grades=("C90", "C100"),
)
PLANTS: tuple[tuple[Planted, Spared], ...] = (
    (
        Planted(
            name="ageing press felt",
            kind="ages",
            sections=("press",),
            tags=("press.dryness",),
            directions=("down",),
            lead_min=1440,
            causes=("PR-FLT",),
        ),
        lambda m: replace(m, felt_age_d=np.minimum(m.felt_age_d, YOUNG_FELT_D)),
    ),
    (
        Planted(
            name="crew C's broke dosing",
            kind="habit",
            sections=("press",),
            tags=("broke.dosing",),
            directions=("up",),
            lead_min=15,
            causes=("SA-BRK",),
            crew="C",
        ),
        lambda m: replace(m, broke_pct=m.rule_broke_pct, broke_at_headbox_pct=m.rule_broke_at_headbox_pct),
    ),
    (
        Planted(
            name="flooding pre-dryer",
            kind="builds_up",
            sections=("pre-dryer",),
            tags=("dryer.condensate_dp", "sizepress.moisture_in"),
            directions=("down", "up"),
            lead_min=25,
            causes=("PD-STM",),
        ),
        _without_trouble("flooded"),
    ),
    (
        Planted(
            name="retention lost",
            kind="builds_up",
            sections=("press", "size press", "couch"),
            tags=("whitewater.consistency", "headbox.charge", "press.dryness", "press.tension"),
            directions=("up", "up", "down", "up"),
            lead_min=25,
            causes=("CH-RET",),
        ),
        _without_trouble("retention"),
    ),
    (
        Planted(
            name="draw creeping up",
            kind="builds_up",
            sections=("press",),
            tags=("press.draw", "press.tension"),
            directions=("up", "up"),
            lead_min=25,
            causes=("PR-DRW",),
        ),
        _without_trouble("draw"),
    ),
    (
        Planted(
            name="swinging steam loop",
            kind="swings",
            sections=("size press", "calender"),
            tags=("sizepress.moisture_in", "dryer.steam_pressure", "scanner.moisture"),
            directions=("restless", "restless", "restless"),
            lead_min=20,
            causes=("IC-LOP",),
        ),
        _without_trouble("swing"),
    ),
    (
        Planted(
            name="dirty photo-eye",
            kind="flickers",
            sections=("size press",),
            tags=("sheet.sizepress",),
            directions=("restless",),
            lead_min=30,
            causes=("IC-TRP",),
        ),
        lambda m: replace(m, eye_dirt=np.zeros_like(m.eye_dirt)),
    ),
    (
        Planted(
            name="slow chemistry drift",
            kind="drifts",
            sections=("couch", "press"),
            tags=("headbox.conductivity", "headbox.charge", "whitewater.consistency"),
            directions=("up", "up", "up"),
            lead_min=1440,
            causes=("CH-CHG",),
        ),
        lambda m: replace(m, salts=np.zeros_like(m.salts)),
    ),
)
DECOYS = (
    Decoy(tag="mill.water_temperature", why="season"),
    Decoy(tag="headbox.flow", why="grade"),
    Decoy(tag="calender.motor_load", why="break", misdeclared=True),
    Decoy(tag="broke.pulper_load", why="break", use="result"),
    Decoy(tag="broke.pit_level", why="break", use="result"),
)


@dataclass(frozen=True, slots=True)
class DemoLaw:
    """The demo's hazard."""

    @property
    def plants(self) -> tuple[Planted, ...]:
        """The causes that were built in."""
        return (*(plant for plant, _ in PLANTS), TURN_UP)

    @property
    def decoys(self) -> tuple[Decoy, ...]:
        """The tags that have nothing to do with breaks, or follow them."""
        return DECOYS

    def rates(self, frame: Frame, first: int, last: int, grade: Grade) -> Hazard:
        """The hazard in some minutes of a day that is filled so far."""
        drivers = frame.inputs(first, last)
        return hazard(drivers, conditions(drivers), grade)

    def effects(self, day: DayRecord) -> list[Effect]:
        """What each plant did on a day that is over, by section."""
        runs = day.grade_runs()
        usual = _per_h(day, runs, lambda m: m)
        effects = [
            Effect(plant=plant.name, per_h=usual, without_per_h=_per_h(day, runs, spared)) for plant, spared in PLANTS
        ]
        return [*effects, _of_turn_ups(day, usual)]


def _per_h(day: DayRecord, runs: list[tuple[int, int, Grade]], spared: Spared) -> Floats:
    """Breaks an hour in minutes changed by ``spared``: rows are sections, columns the day's minutes.

    Not a number where the machine stands: there is no tension then, and no sheet.
    """
    per_h = np.empty((len(SECTIONS), MINUTES))
    for first, last, grade in runs:
        drivers = spared(day.frame.inputs(first, last))
        with np.errstate(invalid="ignore"):
            per_h[:, first:last] = 60 * hazard(drivers, conditions(drivers), grade).by_section
    return per_h


def _of_turn_ups(day: DayRecord, usual: Floats) -> Effect:
    """The heavy grades' turn-ups, if they were missed no more often than the others'."""
    with_it, without = usual.copy(), usual.copy()
    missed = missed_turn_ups_per_h(day)
    with_it[REEL] += missed
    for first, last, grade in day.grade_runs():
        ordinary = min(1.0, USUAL_TURN_UP_FAILURE / grade.turn_up_failure)
        without[REEL, first:last] += ordinary * missed[first:last]
    return Effect(plant=TURN_UP.name, per_h=with_it, without_per_h=without)
