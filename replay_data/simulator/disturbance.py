"""The unrest of the process: slow wanderings, a value a minute, and troubles that come and go."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from numpy.random import Generator

Floats = NDArray[np.float64]
MINUTES = 1440

# Correlation times [min] follow the lead times of what precedes breaks: common practice.
WANDERINGS = {
    "consistency": 12.0,
    "retention": 45.0,
    "charge": 180.0,
    "conductivity": 600.0,
    "ph": 120.0,
    "freeness": 240.0,
    "softwood": 300.0,
    "jet": 60.0,
    "vacuum": 30.0,
    "uhle": 90.0,
    "dewatering": 25.0,
    "draw": 60.0,
    "separation": 90.0,
    "steam": 30.0,
    "condensate": 40.0,
    "moisture": 20.0,
    "pond": 25.0,
    "after_draw": 60.0,
    "reel_tension": 45.0,
    "ash": 60.0,
    "grammage": 10.0,
}
# One more for each section that no tag shows: what stays unexplained.
HIDDEN = {
    "hidden couch": 120.0,
    "hidden press": 150.0,
    "hidden pre-dryer": 90.0,
    "hidden size press": 90.0,
    "hidden after-dryer": 120.0,
    "hidden calender": 200.0,
    "hidden reel": 200.0,
}
NAMES = (*WANDERINGS, *HIDDEN)


@dataclass(slots=True)
class Wanderings:
    """First-order processes of unit spread (Ornstein-Uhlenbeck), carried from day to day."""

    rng: Generator
    _x: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Start anywhere."""
        self._x = self.rng.standard_normal(len(NAMES))

    def day(self) -> dict[str, Floats]:
        """The next 1440 minutes of each."""
        tau = np.array([*WANDERINGS.values(), *HIDDEN.values()])
        keep = np.exp(-1.0 / tau)
        kicks = self.rng.standard_normal((MINUTES, len(NAMES))) * np.sqrt(1 - keep**2)
        path = np.empty((MINUTES, len(NAMES)))
        x = self._x
        for minute, kick in enumerate(kicks):
            x = keep * x + kick
            path[minute] = x
        self._x = x
        return {name: np.ascontiguousarray(path[:, k]) for k, name in enumerate(NAMES)}


@dataclass(frozen=True, slots=True)
class Trouble:
    """A trouble that comes and goes: on average every so many days, for so many minutes, building up over some."""

    every_d: float
    lasts_min: tuple[float, float]
    builds_up_min: float


# Troubles with a lead: the instruments show them while they build up (demo). A dryer whose siphon fails, so that
# condensate stays and the sheet gets a cold, wet band; retention lost; a draw that creeps up; a steam loop that swings.
TROUBLES = {
    "flooded": Trouble(1.9, (80.0, 200.0), 25.0),
    "retention": Trouble(1.7, (80.0, 180.0), 25.0),
    "draw": Trouble(1.7, (80.0, 180.0), 25.0),
    "swing": Trouble(2.0, (80.0, 180.0), 20.0),
}


PUT_RIGHT = 0.8
"""Chance that the crew finds and ends a trouble while the sheet is off (demo)."""


@dataclass(slots=True)
class Troubles:
    """How bad each trouble is, carried from day to day."""

    rng: Generator
    _level: dict[str, float] = field(default_factory=lambda: dict.fromkeys(TROUBLES, 0.0))
    _until: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TROUBLES, -1))
    _minute: int = 0
    _levels: dict[str, Floats] = field(default_factory=dict)

    def day(self) -> dict[str, Floats]:
        """Each of the next 1440 minutes, 0 to 1. What the crew puts right later changes these very arrays."""
        self._levels = {name: self._follow(name, trouble) for name, trouble in TROUBLES.items()}
        self._minute += MINUTES
        return self._levels

    def put_right(self, minute: int) -> None:
        """The sheet is off, the crew looks around: from this minute of the day on most troubles subside."""
        for name, levels in self._levels.items():
            if levels[minute] > 0 and self.rng.random() < PUT_RIGHT:
                self._subside(name, levels, minute)

    def _subside(self, name: str, levels: Floats, minute: int) -> None:
        over = np.flatnonzero(levels[minute:] == 0)
        end = minute + int(over[0]) if len(over) else MINUTES
        falling = levels[minute] - np.arange(end - minute) / TROUBLES[name].builds_up_min
        levels[minute:end] = np.clip(falling, 0.0, levels[minute:end])
        if end == MINUTES:
            self._level[name], self._until[name] = float(levels[-1]), -1

    def _follow(self, name: str, trouble: Trouble) -> Floats:
        starts = self.rng.random(MINUTES) < 1 / (trouble.every_d * MINUTES)
        lasting = self.rng.uniform(*trouble.lasts_min, MINUTES)
        levels, level, until, step = np.empty(MINUTES), self._level[name], self._until[name], 1 / trouble.builds_up_min
        for k in range(MINUTES):
            if starts[k]:
                until = self._minute + k + int(lasting[k])
            level = min(1.0, max(0.0, level + (step if self._minute + k < until else -step)))
            levels[k] = level
        self._level[name], self._until[name] = level, until
        return levels
