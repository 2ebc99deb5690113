"""What the instruments show every ten seconds: the process where there is sheet, with noise and resolution."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.broke import CONSISTENCY
from replay_data.simulator.disturbance import MINUTES
from replay_data.simulator.geometry import EYES, headbox_flow_m3_min
from replay_data.simulator.season import season
from replay_data.simulator.tracks import step_values

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator

    from replay_data.simulator.frame import Frame
    from replay_data.simulator.process import Conditions
    from replay_data.simulator.record import DayRecord

Floats = NDArray[np.float64]
SCAN_MS = 10_000
SCANS = 8640
SPEED = "reel.speed"


@dataclass(frozen=True, slots=True)
class Tag:
    """One instrument.

    decimals, noise
        Resolution, and the spread of a single reading in the tag's unit.
    gate
        "": always; "stock": falls to nothing without stock; "run": with speed; "steam": with steam;
        "hold <section>": keeps its last value without sheet there; "zero <section>": shows nothing then;
        "idle <section>": falls to a third then; "pulp <section>": rises then, while there is stock.
    """

    name: str
    decimals: int
    noise: float
    gate: str
    minutes: Callable[[Conditions, Frame], Floats]


TAGS = (
    Tag("scanner.basis_weight", 2, 0.15, "hold calender", lambda c, _: c.grammage_g_m2),
    Tag("scanner.moisture", 2, 0.08, "hold calender", lambda c, _: c.reel_moisture_pct),
    Tag("scanner.ash", 1, 0.15, "hold calender", lambda c, _: c.ash_pct),
    Tag("headbox.consistency", 3, 0.004, "stock", lambda c, _: c.consistency_pct),
    Tag("headbox.jet_wire", 4, 0.0005, "", lambda c, _: c.jet_wire),
    Tag("headbox.ph", 2, 0.01, "", lambda c, _: c.ph),
    Tag("headbox.conductivity", 0, 6.0, "", lambda c, _: c.conductivity),
    Tag("headbox.charge", 1, 1.5, "", lambda c, _: c.charge),
    Tag("whitewater.consistency", 4, 0.0015, "stock", lambda c, _: c.whitewater_pct),
    Tag("stock.freeness", 0, 3.0, "", lambda c, _: c.freeness),
    Tag("stock.softwood", 1, 0.1, "", lambda c, _: c.softwood_pct),
    Tag("broke.dosing", 1, 0.05, "stock", lambda _, f: f.column["white_pct"]),
    Tag("broke.tinted_dosing", 1, 0.0, "stock", lambda _, f: f.column["tinted_pct"]),
    Tag("broke.tower_level", 1, 0.05, "", lambda _, f: f.column["white_level_pct"]),
    Tag("broke.tinted_level", 1, 0.05, "", lambda _, f: f.column["tinted_level_pct"]),
    Tag("broke.pit_level", 1, 0.6, "", lambda _, f: f.column["pit_pct"]),
    Tag("couch.vacuum", 1, 0.3, "stock", lambda c, _: c.couch_vacuum_kpa),
    Tag("press.dryness", 1, 0.15, "hold press", lambda c, _: c.press_dryness_pct),
    Tag("press.draw", 2, 0.01, "", lambda c, _: c.press_draw_pct),
    Tag("press.tension", 1, 0.6, "zero press", lambda c, _: c.press_tension_n_m),
    Tag("press.uhle_vacuum", 1, 0.4, "run", lambda c, _: c.uhle_vacuum_kpa),
    Tag("dryer.steam_pressure", 0, 1.5, "steam", lambda c, _: c.steam_kpa),
    Tag("dryer.condensate_dp", 1, 0.5, "steam", lambda c, _: c.condensate_dp_kpa),
    Tag("sizepress.moisture_in", 2, 0.06, "hold pre-dryer", lambda c, _: c.moisture_in_pct),
    Tag("sizepress.pond_level", 1, 0.8, "run", lambda c, _: c.pond_pct),
    Tag("afterdryer.draw", 2, 0.01, "", lambda c, _: c.after_draw_pct),
    Tag("reel.tension", 0, 3.0, "zero reel", lambda c, _: c.reel_tension_n_m),
)
# Tags that have no part in any break: they go with the season, with the grade, or with the break itself.
DECOY_TAGS = (
    Tag("mill.water_temperature", 1, 0.1, "", lambda _, f: 9.0 + 7.0 * season(_moments(f))),
    Tag("headbox.flow", 1, 0.1, "stock", lambda _, f: headbox_flow_m3_min(f.speed_m_min, f.grammage_g_m2)),
    Tag("calender.motor_load", 0, 2.0, "idle calender", lambda _, f: 0.24 * f.speed_m_min),
    Tag("broke.pulper_load", 1, 0.8, "pulp reel", lambda *_: np.full(MINUTES, 25.0)),
)
ALL_TAGS = (*TAGS, *DECOY_TAGS)
RETURNED_ROW = 1
M3_H = 60 / CONSISTENCY
"""Oven-dry tonnes a minute to m³/h of the towers' stock, a cubic metre weighing a tonne."""
FLOWS = (
    Tag("broke.returned", 1, 0.2, "", lambda _, f: M3_H * f.masses[RETURNED_ROW]),
    Tag("broke.tower_overflow", 1, 0.2, "", lambda _, f: M3_H * f.column["white_spilled_t"]),
    Tag("broke.tinted_overflow", 1, 0.2, "", lambda _, f: M3_H * f.column["tinted_spilled_t"]),
)
"""Flow meters. Their noise has a generator of its own, so that they leave what the other instruments show as it is."""
NAMES = (SPEED, *(tag.name for tag in (*ALL_TAGS, *FLOWS)))


@dataclass(slots=True)
class Instruments:
    """The instruments of one machine, read day by day; they remember what they last showed of the sheet.

    rng, flow_rng
        Noise of ``TAGS`` and of ``FLOWS``.
    """

    rng: Generator
    flow_rng: Generator
    _of_decoys: Generator = field(init=False)
    _shown: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """The decoys have a noise of their own, so that they change nobody else's."""
        (self._of_decoys,) = self.rng.spawn(1)

    def read(self, day: DayRecord) -> tuple[NDArray[np.int64], Floats]:
        """Times of the day's scans [ms] and what they show: a row a scan, a column a name of ``NAMES``."""
        times = day.frame.start_ms + SCAN_MS * np.arange(SCANS, dtype=np.int64)
        c = day.frame.conditions()
        values = _every_ten_seconds(np.stack([tag.minutes(c, day.frame) for tag in ALL_TAGS], axis=1))
        noise = [
            rng.standard_normal((SCANS, len(tags)), dtype=np.float32) * [tag.noise for tag in tags]
            for rng, tags in ((self.rng, TAGS), (self._of_decoys, DECOY_TAGS))
        ]
        values += np.concatenate(noise, axis=1)
        speed = day.tracks.speed.over(times)
        gates = _gates(day, times, speed)
        for column, tag in enumerate(ALL_TAGS):
            values[:, column] = self._gated(tag, values[:, column], gates)
        shown_speed = np.where(speed > 0, speed + 0.3 * self.rng.standard_normal(SCANS), 0.0)
        return times, np.column_stack([np.round(np.maximum(shown_speed, 0.0), 1), values, self._flows(day, c)])

    def _flows(self, day: DayRecord, c: Conditions) -> Floats:
        flows = _every_ten_seconds(np.stack([tag.minutes(c, day.frame) for tag in FLOWS], axis=1))
        noise = self.flow_rng.standard_normal(flows.shape) * [tag.noise for tag in FLOWS]
        shown = np.where(flows > 0, np.maximum(0.0, flows + noise), 0.0)
        return np.column_stack([np.round(shown[:, column], tag.decimals) for column, tag in enumerate(FLOWS)])

    def _gated(self, tag: Tag, values: Floats, gates: dict[str, Floats]) -> Floats:
        how, _, where = tag.gate.partition(" ")
        match how:
            case "hold":
                values = self._held(tag.name, values, gates[where] > 0)
            case "zero":
                values = values * gates[where]
            case "idle":
                values = values * (1 + 2 * gates[where]) / 3
            case "pulp":
                values = values * (1 + 1.6 * np.maximum(0.0, gates["stock"] - gates[where]))
            case "stock" | "run" | "steam":
                values = values * gates[how]
        most = 100.0 if tag.name.endswith("level") else np.inf
        return np.clip(np.round(values, tag.decimals), 0.0, most) + 0.0

    def _held(self, name: str, values: Floats, seen: NDArray[np.bool_]) -> Floats:
        """The last value with sheet in the gap, while there is none."""
        newest = np.maximum.accumulate(np.where(seen, np.arange(len(seen)), -1))
        held = np.where(newest >= 0, values[newest], self._shown.get(name, float(values[0])))
        self._shown[name] = float(held[-1])
        return held


def _moments(frame: Frame) -> NDArray[np.int64]:
    """The middles of the day's minutes. [ms]"""
    return frame.start_ms + 60_000 * np.arange(MINUTES, dtype=np.int64) + 30_000


def _every_ten_seconds(minutes: Floats) -> Floats:
    """Straight lines between the middles of the minutes."""
    place = np.arange(SCANS) / 6 - 0.5
    first = np.clip(np.floor(place).astype(np.int64), 0, MINUTES - 2)
    share = np.clip(place - first, 0.0, 1.0)[:, np.newaxis]
    drawn: Floats = minutes[first] * (1 - share) + minutes[first + 1] * share
    return drawn


def _gates(day: DayRecord, times: NDArray[np.int64], speed: Floats) -> dict[str, Floats]:
    """How open each gate is at each scan, 0 to 1."""
    stock = day.tracks.stock.over(times)
    gates = {
        "stock": stock,
        "run": np.minimum(1.0, speed / 500.0),
        "steam": day.tracks.steam.over(times),
    }
    for eye in EYES:
        changes = [change for change in day.changes if change.tag == eye.tag]
        seen = step_values(times, bool(day.before[eye.tag]), changes)
        gates[eye.section] = (seen & (speed > 50.0)).astype(np.float64)
    return gates
