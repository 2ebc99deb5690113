"""What makes the demo's sheet break: its hazard, and the same hazard without one plant after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.hazard import Hazard, hazard
from replay_data.simulator.planted import Decoy, Effect, Planted
from replay_data.simulator.process import conditions

if TYPE_CHECKING:
    from replay_data.simulator.frame import Frame
    from replay_data.simulator.grades import Grade
    from replay_data.simulator.record import DayRecord

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DemoLaw:
    """The demo's hazard. ``start_ms``: when the simulation begins. [ms]"""

    start_ms: int

    @property
    def plants(self) -> tuple[Planted, ...]:
        """The causes that were built in."""
        return ()

    @property
    def decoys(self) -> tuple[Decoy, ...]:
        """The tags that have nothing to do with breaks, or follow them."""
        return ()

    def rates(self, frame: Frame, first: int, last: int, grade: Grade) -> Hazard:
        """The hazard in some minutes of a day that is filled so far."""
        drivers = frame.inputs(first, last)
        return hazard(drivers, conditions(drivers), grade)

    def effects(self, day: DayRecord) -> tuple[Floats, list[Effect]]:
        """All sections' hazard on a day that is over [1/h], and what each plant did to its sections."""
        return day.frame.hazard_per_h, []
