"""The towers' forecast in words: what each holds now, when it is full, and what a break would cost in dosing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from analysis.broke.tower import BREAK_MIN, BreakCost, Now, Outlook, TowerForecast, break_cost
from analysis.figures.tonnes import MS_PER_MIN
from analysis.result import MISSING, NOTHING, Table, length, number, percent, sentence_case
from analysis.telling.common import iso


def warnings_said(outlook: Outlook) -> tuple[str, ...]:
    """A warning for every tower that will be full before the expected end of the open downtime."""
    return tuple(_warning(f) for f in outlook.towers if f.warns)


def _warning(f: TowerForecast) -> str:
    chance = "" if f.overflows is None else f" (chance {_chance(f)})"
    expected = f.left.expected if f.left else None
    until_ms = f.until_full_ms or 0
    full = "is full" if until_ms < MS_PER_MIN else f"will be full in {length(until_ms)} at the present rate"
    back = length(round(expected.value)) if expected else NOTHING
    return f"{sentence_case(f.now.tower.tower)} {full}, and the sheet is expected back only in {back}{chance}."


def _chance(f: TowerForecast) -> str:
    found = f.overflows
    if found is None:
        return NOTHING
    return f"{percent(found.value, 0)}, {percent(found.low, 0)} to {percent(found.high, 0)}"


def outlook_tables(outlook: Outlook) -> list[Table]:
    """The towers now, and what a break would cost in dosing; none without towers."""
    if not outlook.towers:
        return []
    costs = _costs(outlook)
    return [towers_table(outlook), *([_cost_table(costs, outlook)] if costs else [])]


def towers_table(outlook: Outlook) -> Table:
    """What each tower holds now, and how long it lasts."""
    now = outlook.now
    return Table(
        title="Towers now",
        columns=(
            "tower",
            "level",
            "held t",
            "room t",
            "may go into",
            "in t/h",
            "out t/h",
            "full in",
            "before sheet back",
        ),
        rows=tuple(_tower_row(f, now) for f in outlook.towers),
        numbers=frozenset({1, 2, 3, 5, 6, 7, 8}),
        note=(
            "Oven-dry, at the newest data. In: what falls while the sheet is off, and what winder and finishing send; "
            "out: dosed at present. Before sheet back: share of this machine's downtimes of that kind that "
            "lasted longer than that, of those that lasted as long as this one has; exact 95 % interval. Advisory only."
        ),
    )


def _tower_row(f: TowerForecast, now: Now) -> tuple[str, ...]:
    shades = f.now.tower.dosed_into
    into = ", ".join(shades) if shades else "any shade"
    if shades and now.shade is not None and now.shade not in shades:
        into += f" only; not now, with {now.shade} being made"
    return (
        f.now.tower.tower,
        MISSING if f.now.level_pct is None else f"{number(f.now.level_pct)} %",
        number(f.held_t, 1, MISSING),
        number(f.room_t, 1, MISSING),
        into,
        number(f.in_t_h, 2),
        number(f.out_t_h, 2, MISSING),
        NOTHING if f.until_full_ms is None else length(f.until_full_ms),
        _chance(f),
    )


def _costs(outlook: Outlook) -> list[tuple[TowerForecast, list[BreakCost]]]:
    now = outlook.now
    if now.fall_t_h is None or not now.furnish_t_h:
        return []
    found = []
    for f in outlook.towers:
        if now.shade in f.now.tower.shades or not f.now.tower.shades:
            costs = [
                break_cost(
                    minutes,
                    fall_t_h=now.fall_t_h,
                    furnish_t_h=now.furnish_t_h,
                    consistency_pct=f.now.tower.consistency_pct,
                    dosing_pct=f.now.dosing_pct,
                )
                for minutes in BREAK_MIN
            ]
            found.append((f, costs))
    return found


def _cost_table(costs: Sequence[tuple[TowerForecast, list[BreakCost]]], outlook: Outlook) -> Table:
    rows = tuple(
        (
            f.now.tower.tower,
            number(c.minutes, 0),
            number(c.oven_dry_t, 2),
            number(c.volume_m3, 0, MISSING),
            number(c.dosing_h, 1, MISSING),
            *(number(hours, 1) for _, hours in c.extra_h),
        )
        for f, of_tower in costs
        for c in of_tower
    )
    extra = [f"h at +{pct:g} %" for pct, _ in costs[0][1][0].extra_h]
    return Table(
        title="What a break would cost in dosing",
        columns=("tower", "break min", "t oven-dry", "m³", "h at present dosing", *extra),
        rows=rows,
        numbers=frozenset(range(1, 5 + len(extra))),
        note=(
            f"At the present {number(outlook.now.fall_t_h, 2)} t/h of sheet and {number(outlook.now.furnish_t_h, 2)} "
            "t/h of furnish, oven-dry. At present dosing: hours in which as much is dosed; at +: hours of so many "
            "points more."
        ),
    )


def outlook_values(outlook: Outlook) -> dict[str, Any]:
    """The same for programs. [t], [t/h], [ms]"""
    now = outlook.now
    return {
        "at": iso(now.at_ms),
        "open_downtime": now.off.downtime_id if now.off else None,
        "shade": now.shade,
        "fall_t_h": now.fall_t_h,
        "furnish_t_h": now.furnish_t_h,
        "towers": [_forecast_values(f) for f in outlook.towers],
        "break_cost": [{"tower": f.now.tower.tower} | asdict(cost) for f, costs in _costs(outlook) for cost in costs],
    }


def _forecast_values(f: TowerForecast) -> dict[str, Any]:
    left = f.left.expected if f.left else None
    return {
        "tower": f.now.tower.tower,
        "shades": list(f.now.tower.shades),
        "dosed_into": list(f.now.tower.dosed_into),
        "level_pct": f.now.level_pct,
        "held_t": f.held_t,
        "room_t": f.room_t,
        "in_t_h": f.in_t_h,
        "out_t_h": f.out_t_h,
        "until_full_ms": f.until_full_ms,
        "sheet_back_in_ms": left.value if left else None,
        "sheet_back_in_low_ms": left.low if left else None,
        "sheet_back_in_high_ms": left.high if left else None,
        "from_downtimes": len(f.left.left_ms) if f.left else None,
        "overflow_chance": f.overflows.value if f.overflows else None,
        "overflow_chance_low": f.overflows.low if f.overflows else None,
        "overflow_chance_high": f.overflows.high if f.overflows else None,
        "warns": f.warns,
    }
