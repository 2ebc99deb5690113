"""What a tower will do: time until it is full at the present rate, and whether a break will end before that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.broke.ledger import Moisture, tower_of
from analysis.figures.durations import Estimate, Residual, residual_life
from analysis.figures.tonnes import MS_PER_H, MS_PER_MIN, rate_t_h
from analysis.history import BrokeTower, Downtime, History, Readings

EXTRA_PCT = (5.0, 10.0)
"""Dosing that a crew may add to work a break off. [% of furnish], common practice"""
BREAK_MIN = (20, 40, 60)
"""Breaks whose broke is told beforehand. [min]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """The machine at its newest data.

    fall_t_h
        Oven-dry sheet that would fall, or falls, into the pits; None where speed or basis weight is not known. [t/h]
    furnish_t_h
        Oven-dry furnish drawn; 0 without stock. [t/h]
    shade
        Shade being made.
    off
        The downtime that is open; None with the sheet on the reel.
    flowing
        Whether stock flows.
    """

    at_ms: int
    fall_t_h: float | None
    furnish_t_h: float | None
    shade: str | None
    off: Downtime | None
    flowing: bool


def machine_now(history: History, readings: Readings, moisture: Moisture) -> Now:
    """The machine at its newest data, from a history that reaches there.

    Sheet that falls before the size press lacks what that adds; where it would fall is not known with the sheet on the
    reel, so it is then taken to carry it.
    """
    heard = [s for s in history.states if s.state != "no_data"]
    flowing = bool(heard) and heard[-1].state in ("on_reel", "threading", "down")
    off = next((d for d in reversed(history.downtimes) if d.ended_ms is None), None)
    speed, weight = (readings.of(readings.roles.get(role)) for role in ("speed", "basis_weight"))
    added = history.machine.added_g_m2

    def t_h(less_g_m2: float) -> float | None:
        if speed is None or weight is None or history.machine.trim_m is None:
            return None
        oven_dry = max(0.0, weight * moisture.dry - less_g_m2)
        return rate_t_h(trim_m=history.machine.trim_m, speed_m_min=speed, basis_weight_g_m2=oven_dry)

    return Now(
        at_ms=history.horizon_ms,
        fall_t_h=t_h(added if off is not None and not carries_added(off.section, history) else 0.0),
        furnish_t_h=t_h(added) if flowing else 0.0,
        shade=history.grade_runs[-1].shade if history.grade_runs else None,
        off=off,
        flowing=flowing,
    )


def carries_added(section: str | None, history: History) -> bool:
    """Whether sheet lost in a section carries already what size press or coater add."""
    order, start = history.sections, history.machine.added_from
    return section in order and start in order and order.index(section) >= order.index(start)


def towers_now(history: History, readings: Readings) -> tuple[TowerNow, ...]:
    """Every tower at the newest data."""
    return tuple(
        TowerNow(
            tower=tower,
            level_pct=readings.of(tower.level_tag),
            dosing_pct=readings.of(tower.dosing_tag),
            returned_m3_h=readings.of(tower.returned_tag),
        )
        for tower in history.broke_towers
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerNow:
    """One tower at the newest data; None where no tag tells of it. [%], [% of furnish], [m3/h]"""

    tower: BrokeTower
    level_pct: float | None = None
    dosing_pct: float | None = None
    returned_m3_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerForecast:
    """What one tower holds and what comes of it, oven-dry.

    held_t, room_t
        Held, and what still goes in; None without level, volume and consistency. [t]
    in_t_h, out_t_h
        What goes in and what is dosed, at present. [t/h]
    until_full_ms
        Time until it is full at the present rates; None if it does not fill. [ms]
    left
        How much longer the open downtime will last, from this machine's own; None without one, or too few.
    overflows
        Chance that it is full before the sheet is back, with its exact interval; None where it cannot be told. [-]
    """

    now: TowerNow
    held_t: float | None
    room_t: float | None
    in_t_h: float | None
    out_t_h: float | None
    until_full_ms: int | None
    left: Residual | None
    overflows: Estimate | None

    @property
    def warns(self) -> bool:
        """Whether it will be full before the expected end of the open downtime."""
        return (
            self.left is not None and self.until_full_ms is not None and self.until_full_ms < self.left.expected.value
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """The machine and its towers at the newest data."""

    now: Now
    towers: tuple[TowerForecast, ...]


def tower_forecast(now: Now, towers: Sequence[TowerNow], downtimes: Sequence[Downtime]) -> tuple[TowerForecast, ...]:
    """The forecast of every tower.

    downtimes
        Of this machine, as far back as one trusts: lost times of finished breaks whose length is certain tell how long
        one lasts that has lasted so long already. For an open stop or sheet-off those of its own kind do.
    """
    left = None
    if now.off is not None:
        past = [d.ended_ms - d.started_ms for d in downtimes if d.ended_ms is not None and _tells(d, now.off)]
        left = residual_life(past, now.off.lasts_ms(now.at_ms))
    return tuple(_forecast(now, one, [t.tower for t in towers], left) for one in towers)


def _tells(d: Downtime, of: Downtime) -> bool:
    return d.kind == of.kind and not d.start_uncertain and not d.end_uncertain


def _forecast(now: Now, one: TowerNow, towers: Sequence[BrokeTower], left: Residual | None) -> TowerForecast:
    tower = one.tower
    takes = tower_of(now.shade, towers) == tower
    full_t, level = tower.full_t, one.level_pct
    held_t = None if full_t is None or level is None else full_t * level / 100
    room_t = None if full_t is None or held_t is None else max(0.0, full_t - held_t)
    in_t_h, out_t_h = _in_t_h(now, one, takes=takes), _out_t_h(now, one)
    until_ms = _until_full_ms(room_t, in_t_h, out_t_h)
    return TowerForecast(
        now=one,
        held_t=held_t,
        room_t=room_t,
        in_t_h=in_t_h,
        out_t_h=out_t_h,
        until_full_ms=until_ms,
        left=left,
        overflows=None if left is None or until_ms is None else left.longer_than(until_ms),
    )


def _in_t_h(now: Now, one: TowerNow, *, takes: bool) -> float | None:
    """What the pits and the finishing send here; nothing if another tower takes this shade. [t/h]"""
    if not takes:
        return 0.0
    returned = 0.0
    if one.returned_m3_h is not None and one.tower.consistency_pct is not None:
        returned = one.returned_m3_h * one.tower.consistency_pct / 100
    if now.off is None or not now.flowing:
        return returned
    return None if now.fall_t_h is None else now.fall_t_h + returned


def _out_t_h(now: Now, one: TowerNow) -> float | None:
    """What is dosed at present. [t/h]"""
    if one.dosing_pct is None or now.furnish_t_h is None:
        return None
    return one.dosing_pct / 100 * now.furnish_t_h


def _until_full_ms(room_t: float | None, in_t_h: float | None, out_t_h: float | None) -> int | None:
    if room_t is None or in_t_h is None:
        return None
    gain = in_t_h - (out_t_h or 0.0)
    return round(room_t / gain * MS_PER_H) if gain > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakCost:
    """What a break of so many minutes makes, and how long dosing it back takes.

    oven_dry_t, volume_m3
        Made, oven-dry, and its volume at the tower's consistency. [t], [m3]
    dosing_h
        Hours at the present dosing; None where nothing is dosed. [h]
    extra_h
        Hours of so much more dosing than before, by its points of furnish: ``EXTRA_PCT``. [h]
    """

    minutes: float
    oven_dry_t: float
    volume_m3: float | None
    dosing_h: float | None
    extra_h: tuple[tuple[float, float], ...]


def break_cost(
    minutes: float,
    *,
    fall_t_h: float,
    furnish_t_h: float,
    consistency_pct: float | None = None,
    dosing_pct: float | None = None,
) -> BreakCost:
    """What a break of so many minutes costs in dosing: broke / (share of furnish x furnish rate). [min], [t/h], [%]"""
    made_t = fall_t_h * minutes * MS_PER_MIN / MS_PER_H

    def hours(pct: float) -> float:
        return made_t / (pct / 100 * furnish_t_h)

    return BreakCost(
        minutes=minutes,
        oven_dry_t=made_t,
        volume_m3=made_t / (consistency_pct / 100) if consistency_pct else None,
        dosing_h=hours(dosing_pct) if dosing_pct and furnish_t_h else None,
        extra_h=tuple((pct, hours(pct)) for pct in EXTRA_PCT) if furnish_t_h else (),
    )
