"""One day of one machine, minute by minute: filled as the day goes on, then read by whoever draws the tags."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.broke import RETURNED_SHARE, BrokeInput, BrokeState, run
from replay_data.simulator.disturbance import MINUTES
from replay_data.simulator.geometry import REEL_MOISTURE, STARCH_G_M2, TRIM_M
from replay_data.simulator.grades import Grade
from replay_data.simulator.process import Conditions, Minutes, conditions, eye_dirt, salts
from replay_data.simulator.tracks import Ramps
from replay_data.simulator.upkeep import DAY_MS, WORST, Clothing

Floats = NDArray[np.float64]
MINUTE_MS = 60_000
UNREST_MIN = 25.0
"""How slowly the unrest after a restart dies down (demo). [min]"""
GRADE_CHANGE_MIN = 30.0


@dataclass(slots=True)
class Tracks:
    """The signals that go along ramps: speed [m/min], grammage [g/m²], stock, steam and tint (0 to 1 each)."""

    speed: Ramps
    grammage: Ramps
    stock: Ramps
    steam: Ramps
    tint: Ramps

    @classmethod
    def running(cls, start_ms: int, grade: Grade) -> Tracks:
        """All ramps of a machine that has been running at its target for a while."""
        return cls(
            speed=Ramps(start_ms, grade.speed_m_min),
            grammage=Ramps(start_ms, grade.basis_weight_g_m2),
            stock=Ramps(start_ms, 1.0),
            steam=Ramps(start_ms, 1.0),
            tint=Ramps(start_ms, 0.0),
        )

    def forget_before(self, ms: int) -> None:
        """Drop what no later moment needs."""
        for ramps in (self.speed, self.grammage, self.stock, self.steam, self.tint):
            ramps.forget_before(ms)


@dataclass(slots=True, kw_only=True)
class Off:
    """The stretch in which the sheet is off the reel, and whether it falls with its starch. [ms]"""

    from_ms: int
    to_ms: int
    starched: bool


@dataclass(slots=True)
class Balance:
    """Broke of one day. Start + fallen + returned - dosed - spilled = end. [t o.d.]"""

    start_t: float = 0.0
    fallen_t: float = 0.0
    returned_t: float = 0.0
    dosed_t: float = 0.0
    spilled_t: float = 0.0
    end_t: float = 0.0


_OF_BROKE = (
    *("white_level_pct", "tinted_level_pct", "white_pct", "tinted_pct", "at_headbox_pct", "pit_pct"),
    *("rule_pct", "rule_at_headbox_pct", "white_spilled_t", "tinted_spilled_t"),
)
_COLUMNS = (
    *_OF_BROKE,
    *("felt_age_d", "since_wash_d", "since_boil_out_d", "unrest", "grade_change"),
)


@dataclass(slots=True, kw_only=True)
class Frame:
    """The arrays of one day. ``done``: how many minutes are filled.

    hazard_per_h
        Breaks an hour, all sections; NaN while the sheet is not on the reel.
    """

    start_ms: int
    number: int
    wander: dict[str, Floats]
    trouble: dict[str, Floats]
    habit: NDArray[np.bool_]
    broke: BrokeState
    done: int = 0
    owed_ms: int = 0
    column: dict[str, Floats] = field(default_factory=lambda: {name: np.zeros(MINUTES) for name in _COLUMNS})
    speed_m_min: Floats = field(default_factory=lambda: np.zeros(MINUTES))
    grammage_g_m2: Floats = field(default_factory=lambda: np.zeros(MINUTES))
    hazard_per_h: Floats = field(default_factory=lambda: np.full(MINUTES, np.nan))
    masses: Floats = field(default_factory=lambda: np.zeros((4, MINUTES)))

    @property
    def end_ms(self) -> int:
        """The first moment after the day."""
        return self.start_ms + DAY_MS

    def minute(self, ms: int) -> int:
        """The number of the minute in which a moment lies."""
        return (ms - self.start_ms) // MINUTE_MS

    def minutes_before(self, ms: int) -> int:
        """How many minutes have begun before a moment, at most the day's."""
        return min(MINUTES, -((self.start_ms - ms) // MINUTE_MS))

    def fill(
        self, to_ms: int, *, tracks: Tracks, clothing: Clothing, restart_ms: int, changed_ms: int, off: Off | None
    ) -> None:
        """Fill the minutes that begin before ``to_ms``, with the sheet on the reel except during ``off``."""
        first, last = self.done, self.minutes_before(to_ms)
        if last <= first:
            return
        centre = self.start_ms + MINUTE_MS * np.arange(first, last) + MINUTE_MS // 2
        here = slice(first, last)
        fraction = self._off_share(first, last, off)
        for name, since_ms in (
            ("felt_age_d", clothing.installed_ms[WORST]),
            ("since_wash_d", clothing.washed_ms),
            ("since_boil_out_d", clothing.boiled_out_ms),
        ):
            self.column[name][here] = np.maximum(0, centre - since_ms) / DAY_MS
        since_restart_min = np.maximum(0, centre - restart_ms) / MINUTE_MS
        self.column["unrest"][here] = 0.0 if off else np.exp(-since_restart_min / UNREST_MIN)
        self.column["grade_change"][here] = (centre >= changed_ms) & (
            centre < changed_ms + GRADE_CHANGE_MIN * MINUTE_MS
        )
        self.speed_m_min[here] = tracks.speed.over(centre)
        self.grammage_g_m2[here] = tracks.grammage.over(centre)
        self._follow_broke(first, last, fraction, tracks, starched=off is not None and off.starched)
        self.done = last

    def mark(self) -> tuple[int, BrokeState]:
        """How far the day is filled, to come back to."""
        return self.done, self.broke

    def back_to(self, mark: tuple[int, BrokeState]) -> None:
        """Forget the minutes filled since a mark: the sheet broke in them."""
        self.done, self.broke = mark

    def lost_at(self, ms: int) -> None:
        """Remember what of the loss lies in a minute that is filled already."""
        self.owed_ms = max(0, self.start_ms + self.done * MINUTE_MS - ms)

    def inputs(self, first: int, last: int) -> Minutes:
        """What drives the process in some minutes."""
        here = slice(first, last)
        column = {name: values[here] for name, values in self.column.items()}
        return Minutes(
            wander={name: values[here] for name, values in self.wander.items()},
            trouble={name: values[here] for name, values in self.trouble.items()},
            minute=np.arange(first, last),
            speed_m_min=self.speed_m_min[here],
            grammage_g_m2=self.grammage_g_m2[here],
            broke_pct=column["white_pct"] + column["tinted_pct"],
            broke_at_headbox_pct=column["at_headbox_pct"],
            rule_broke_pct=column["rule_pct"] + column["tinted_pct"],
            rule_broke_at_headbox_pct=column["rule_at_headbox_pct"],
            felt_age_d=column["felt_age_d"],
            since_wash_d=column["since_wash_d"],
            since_boil_out_d=column["since_boil_out_d"],
            eye_dirt=eye_dirt(column["since_wash_d"]),
            salts=salts(self.number + np.arange(first, last) / MINUTES),
            unrest=column["unrest"],
            grade_change=column["grade_change"],
        )

    def conditions(self) -> Conditions:
        """What the process was like all day."""
        return conditions(self.inputs(0, MINUTES))

    def balance(self, before: BrokeState) -> Balance:
        """The day's broke, ``before`` being what the towers held in the morning."""
        fallen, returned, dosed, spilled = (float(row.sum()) for row in self.masses)
        start, end = before.white_t + before.tinted_t, self.broke.white_t + self.broke.tinted_t
        return Balance(start, fallen, returned, dosed, spilled, end)

    def _off_share(self, first: int, last: int, off: Off | None) -> Floats:
        """Share of each minute in which the sheet was off; what an earlier, filled minute did not know is added."""
        share: Floats = np.zeros(last - first)
        if off is None:
            return share
        begin = self.start_ms + MINUTE_MS * np.arange(first, last)
        lost = np.minimum(begin + MINUTE_MS, off.to_ms) - np.maximum(begin, off.from_ms)
        share += np.maximum(0, lost) / MINUTE_MS
        share[0] += self.owed_ms / MINUTE_MS
        self.owed_ms = 0
        return share

    def _follow_broke(self, first: int, last: int, off_share: Floats, tracks: Tracks, *, starched: bool) -> None:
        here = slice(first, last)
        centre = self.start_ms + MINUTE_MS * np.arange(first, last) + MINUTE_MS // 2
        stock = tracks.stock.over(centre)
        area = self.speed_m_min[here] * TRIM_M * stock  # m² a minute
        finished = self.grammage_g_m2[here] * (1 - REEL_MOISTURE) * area / 1e6
        base = finished - STARCH_G_M2 * area / 1e6
        self.broke, minutes = run(
            self.broke,
            BrokeInput(
                fallen_t=(finished if starched else base) * off_share,
                returned_t=RETURNED_SHARE * finished * np.maximum(0.0, 1 - off_share),
                furnish_t=base,
                tinted=tracks.tint.over(centre) > 0.5,
                habit=self.habit[here],
                minute=self.number * MINUTES + np.arange(first, last),
            ),
        )
        for name in _OF_BROKE:
            self.column[name][here] = getattr(minutes, name)
        self.masses[:, here] = minutes.masses_t
