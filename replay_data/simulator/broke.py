"""Broke: what falls into the pits, what the towers hold, and what goes back into the furnish. Mass in = mass out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CONSISTENCY = 0.035
WHITE_T = 800 * CONSISTENCY
"""What the white tower holds: 800 m³ at 3.5 % = 28 t oven-dry. [t]"""
TINTED_T = 400 * CONSISTENCY
NORMAL_PCT, LEAST_PCT, MOST_PCT = 14.0, 8.0, 25.0
WHITE_IN_TINTED_PCT = 4.0
STEP_PCT = 1.0
"""Dosing moves by at most this much in five minutes: common practice; demo value. [% of furnish]"""
HABIT_PCT = 8.0
"""What the impatient crew adds at one go. [% of furnish]"""
HABIT_LEAST = 0.30
"""It does so only if the white tower is fuller than this share."""
CHEST_MIN = 15.0
"""How long the chests take to pass a change on to the headbox. [min]"""
RETURNED_SHARE = 1 - (3.32 / 3.40) * (1 - 0.015) * (1 - 0.010) * (1 - 0.045)
"""Share of the paper on the reel that comes back: winder trim, slab, culls, and trimmings of the finishing house."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeState:
    """What the towers hold [t o.d.], what is dosed [% of furnish], and the broke share that has reached the headbox.

    rule_pct, rule_at_headbox_pct
        White broke dosed and all broke in the headbox, had nobody ever dosed by hand.
    white_spilled_t, tinted_spilled_t
        What ran over in this minute. [t o.d.]
    """

    white_t: float = 0.48 * WHITE_T
    tinted_t: float = 0.30 * TINTED_T
    white_pct: float = NORMAL_PCT
    tinted_pct: float = 0.0
    at_headbox_pct: float = NORMAL_PCT
    pit_pct: float = 35.0
    habit: bool = False
    rule_pct: float = NORMAL_PCT
    rule_at_headbox_pct: float = NORMAL_PCT
    white_spilled_t: float = 0.0
    tinted_spilled_t: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeInput:
    """What a stretch of minutes brings, an entry a minute.

    fallen_t
        Oven-dry sheet that fell into the pits. [t]
    returned_t
        Oven-dry broke from winder and finishing. [t]
    furnish_t
        Oven-dry fibre drawn for the sheet. [t]
    tinted
        Whether a tinted shade is made: pits, tower and dosing change with it.
    habit
        Minutes in which the crew on shift would dose more than the rule says.
    minute
        Minutes since the start of the simulation.
    """

    fallen_t: Floats
    returned_t: Floats
    furnish_t: Floats
    tinted: NDArray[np.bool_]
    habit: NDArray[np.bool_]
    minute: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeMinutes:
    """What became of it, an entry a minute. ``masses_t``: rows fallen, returned, dosed, spilled. [t o.d.]"""

    white_level_pct: Floats
    tinted_level_pct: Floats
    white_pct: Floats
    tinted_pct: Floats
    at_headbox_pct: Floats
    pit_pct: Floats
    rule_pct: Floats
    rule_at_headbox_pct: Floats
    white_spilled_t: Floats
    tinted_spilled_t: Floats
    masses_t: Floats


def run(state: BrokeState, given: BrokeInput) -> tuple[BrokeState, BrokeMinutes]:
    """Follow the towers through some minutes."""
    rows = []
    dosed: list[float] = []
    spilled: list[float] = []
    columns = (given.fallen_t, given.returned_t, given.furnish_t, given.tinted, given.habit, given.minute)
    for fallen, returned, furnish, tinted, habit, minute in zip(*(c.tolist() for c in columns), strict=True):
        white_pct, tinted_pct, rule_pct = _dose(state, tinted, habit, minute)
        white = state.white_t - min(state.white_t, white_pct / 100 * furnish)
        tinted_t = state.tinted_t - min(state.tinted_t, tinted_pct / 100 * furnish)
        dosed.append(state.white_t - white + state.tinted_t - tinted_t)
        if tinted:
            tinted_t += fallen + returned
        else:
            white += fallen + returned
        over = max(0.0, white - WHITE_T), max(0.0, tinted_t - TINTED_T)
        spilled.append(over[0] + over[1])
        share = white_pct + tinted_pct
        state = BrokeState(
            white_t=min(white, WHITE_T),
            tinted_t=min(tinted_t, TINTED_T),
            white_pct=white_pct,
            tinted_pct=tinted_pct,
            at_headbox_pct=_mixed(state.at_headbox_pct, share),
            habit=habit,
            rule_pct=rule_pct,
            rule_at_headbox_pct=_mixed(state.rule_at_headbox_pct, rule_pct + tinted_pct),
            white_spilled_t=over[0],
            tinted_spilled_t=over[1],
            pit_pct=state.pit_pct + (35.0 + (40.0 if fallen > 0 else 0.0) - state.pit_pct) / 4.0,
        )
        rows.append(state)
    return state, _minutes(rows, np.array([given.fallen_t, given.returned_t, dosed, spilled]))


def _mixed(in_chest_pct: float, dosed_pct: float) -> float:
    """The broke share that leaves the chests a minute later."""
    return in_chest_pct + (dosed_pct - in_chest_pct) / CHEST_MIN


def _dose(state: BrokeState, tinted: bool, habit: bool, minute: int) -> tuple[float, float, float]:
    """Dosing of this minute, white, tinted, and white by the rule alone. The rule moves it every five minutes; the
    habit jumps.
    """
    white_pct, tinted_pct = state.white_pct, state.tinted_pct
    if habit and not state.habit and state.white_t > HABIT_LEAST * WHITE_T and white_pct < 19.0:
        white_pct += HABIT_PCT
    if minute % 5:
        return white_pct, tinted_pct, state.rule_pct
    level = 100 * state.white_t / WHITE_T
    white_goal = min(0.5 * level, MOST_PCT, max(LEAST_PCT, NORMAL_PCT + 0.3 * (level - 45.0)))
    tinted_goal = 0.0
    if tinted:
        white_goal = min(white_goal, WHITE_IN_TINTED_PCT)
        tinted_goal = min(14.0, 0.3 * 100 * state.tinted_t / TINTED_T)
    rule_pct = _towards(state.rule_pct, white_goal)
    if habit and white_pct > white_goal:
        white_goal = white_pct
    return _towards(white_pct, white_goal), _towards(tinted_pct, tinted_goal), rule_pct


def _towards(now: float, goal: float) -> float:
    return now + min(STEP_PCT, max(-STEP_PCT, goal - now))


def _minutes(rows: list[BrokeState], masses_t: Floats) -> BrokeMinutes:
    def column(name: str, scale: float = 1.0) -> Floats:
        return np.array([getattr(row, name) for row in rows]) * scale

    return BrokeMinutes(
        white_level_pct=column("white_t", 100 / WHITE_T),
        tinted_level_pct=column("tinted_t", 100 / TINTED_T),
        white_pct=column("white_pct"),
        tinted_pct=column("tinted_pct"),
        at_headbox_pct=column("at_headbox_pct"),
        pit_pct=column("pit_pct"),
        rule_pct=column("rule_pct"),
        rule_at_headbox_pct=column("rule_at_headbox_pct"),
        white_spilled_t=column("white_spilled_t"),
        tinted_spilled_t=column("tinted_spilled_t"),
        masses_t=masses_t,
    )
