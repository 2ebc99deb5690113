"""What the instruments of a scenario show at each scan."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.geometry import EYES, REEL
from replay_data.simulator.record import DayRecord
from replay_data.simulator.scenario.instruments import DECOYS, INSTRUMENTS
from replay_data.simulator.scenario.plan import Kind, Plant, Scenario
from replay_data.simulator.scenario.trace import Trace, wandering
from replay_data.simulator.season import DAY_MS, OF_THE_DAY, season
from replay_data.simulator.tags import SPEED
from replay_data.simulator.tracks import step_values

if TYPE_CHECKING:
    from numpy.random import Generator

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
GRAMMAGE = "scanner.basis_weight"
NOISE = 0.25
"""Spread of a single reading, in spreads of the instrument."""
FAINTER = 0.75
"""How clearly the further tags of a plant show it, against its first."""
# How far a plant that goes from 0 to 1 moves its tag at most, in spreads of the instrument (demo).
REACH = {Kind.MOVED: 2.0, Kind.SWINGS: 3.0, Kind.FLUTTERS: 4.0}
USUAL_REACH = 4.0


def names(scenario: Scenario) -> tuple[str, ...]:
    """All that is scanned, in the order of the readings' columns."""
    return SPEED, GRAMMAGE, *scenario.tags


@dataclass(slots=True)
class Readings:
    """The instruments of one machine, read day by day.

    traces
        Each plant's course, by its name.
    """

    scenario: Scenario
    traces: dict[str, Trace]
    _rng: Generator = field(init=False)
    _paths: dict[str, Floats] = field(init=False)
    _noise: dict[str, Floats] = field(init=False)
    _grammage: float = 80.0

    def __post_init__(self) -> None:
        """Work out the courses of the whole run."""
        self._rng = np.random.default_rng([self.scenario.seed, 77])
        shown_by = {tag: (plant, k) for plant in self.scenario.plants for k, tag in enumerate(plant.tags)}
        quiet = [tag for tag in self.scenario.tags if tag in INSTRUMENTS and tag not in DECOYS]
        self._paths, self._noise = {}, {}
        for tag in quiet:
            path = self._wandering(tag, INSTRUMENTS[tag].tau_min)
            if tag in shown_by:
                path = self._shown(tag, path, *shown_by[tag])
            self._paths[tag] = path

    def read(self, day: DayRecord) -> tuple[Times, Floats]:
        """Times of the day's scans [ms] and what they show: a row a scan, a column a name."""
        scan_ms = self.scenario.scan_s * 1000
        times = day.frame.start_ms + scan_ms * np.arange(DAY_MS // scan_ms, dtype=np.int64)
        speed = day.tracks.speed.over(times)
        shown = np.where(speed > 0, speed + 0.3 * self._rng.standard_normal(len(times)), 0.0)
        changes = [change for change in day.changes if change.tag == EYES[REEL].tag]
        seen = step_values(times, bool(day.before[EYES[REEL].tag]), changes) & (speed > 50.0)
        shown = np.maximum(shown, 0.0)
        columns: list[Floats] = [_rounded(shown, 1), self._basis_weight(day, times, seen)]
        place = (times - self.scenario.start_ms) / 60_000 - 0.5
        first = np.clip(np.floor(place).astype(np.int64), 0, self.scenario.minutes - 2)
        share = np.clip(place - first, 0.0, 1.0)
        for tag in self.scenario.tags:
            if tag in self._paths:
                columns.append(self._reading(tag, first, share))
            else:
                columns.append(self._decoy(tag, day, times, seen))
        return times, np.column_stack(columns)

    def _reading(self, tag: str, first: NDArray[np.int64], share: Floats) -> Floats:
        """Straight lines between the middles of the minutes, and noise."""
        path, what = self._paths[tag], INSTRUMENTS[tag]
        noise = NOISE * self._rng.standard_normal(len(first), dtype=np.float32).astype(np.float64)
        if tag in self._noise:
            noise *= self._noise[tag][first]
        value: Floats = what.mean + what.spread * (path[first] * (1 - share) + path[first + 1] * share + noise)
        return _rounded(value, what.decimals)

    def _wandering(self, tag: str, tau_min: float) -> Floats:
        rng = np.random.default_rng([self.scenario.seed, zlib.crc32(tag.encode())])
        return wandering(rng, self.scenario.minutes, tau_min)

    def _shown(self, tag: str, own: Floats, plant: Plant, number: int) -> Floats:
        """The course of a tag that shows a plant, in its spreads."""
        shown, sign = self.traces[plant.name].shown, plant.signs[number]
        clarity = plant.clarity * (FAINTER if number else 1.0)
        match plant.kind:
            case Kind.WANDERS | Kind.DRIFTS:
                return sign * clarity * shown + math.sqrt(1 - clarity**2) * own
            case Kind.FLUTTERS:
                self._noise[tag] = 1.0 + REACH[Kind.FLUTTERS] * clarity * shown
                return own
            case _:
                return own + sign * REACH.get(plant.kind, USUAL_REACH) * clarity * shown

    def _basis_weight(self, day: DayRecord, times: Times, seen: NDArray[np.bool_]) -> Floats:
        """As the scanner has it, which keeps its last value while the sheet is not on the reel."""
        value = day.tracks.grammage.over(times) + 0.3 * self._rng.standard_normal(len(times))
        newest = np.maximum.accumulate(np.where(seen, np.arange(len(seen)), -1))
        held: Floats = np.where(newest >= 0, value[newest], self._grammage)
        self._grammage = float(held[-1])
        return _rounded(held, 2)

    def _decoy(self, tag: str, day: DayRecord, times: Times, seen: NDArray[np.bool_]) -> Floats:
        what, why = DECOYS[tag]
        minute = (times - day.frame.start_ms) // 60_000
        moved: Floats
        match why:
            case "season":
                outdoors = 0.35 if tag.startswith("hall") else OF_THE_DAY
                moved, noise = season(times, of_the_day=outdoors), 0.02
            case "grade":
                moved, noise = (day.tracks.grammage.over(times) - 80.0) / 20.0, 0.1
            case "restart":
                moved, noise = -np.where(seen, day.frame.column["unrest"][minute], 1.0), 0.1
            case _:
                moved, noise = np.where(seen, 0.0, 1.0), 0.05
        value: Floats = what.mean + what.spread * (moved + noise * self._rng.standard_normal(len(times)))
        return _rounded(np.maximum(value, 0.0), what.decimals)


def _rounded(values: Floats, decimals: int) -> Floats:
    return np.asarray(np.round(values, decimals), dtype=np.float64)
