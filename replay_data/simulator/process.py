"""From disturbances, broke, clothing and speed to what the instruments would show, minute by minute."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.broke import NORMAL_PCT
from replay_data.simulator.geometry import (
    COUCH_DRYNESS_PCT,
    HEADBOX_PCT,
    PREDRYER_MOISTURE_PCT,
    PRESS_DRAW_PCT,
    PRESS_DRYNESS_PCT,
    REEL_MOISTURE,
    RETENTION_PCT,
    STARCH_G_M2,
    release_tension_n_m,
    wet_strength_n_m,
)

Floats = NDArray[np.float64]

FRESH_PRESS_DRYNESS_PCT = 45.3
"""Leaving a press with fresh, clean felts. [%], demo"""
DRAW_STIFFNESS = 22.0
"""Tension that a percent of draw adds in the open draw. [N/m], demo"""
SWING_MIN = 11.0
"""Period of the steam loop when it swings. [min], demo"""
SEPARATION_J_M2 = 2.0
"""Work of separation from the centre roll, 1 to 3: common practice, no source. [J/m²]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """All that drives the process, an entry a minute.

    wander
        The disturbances by name, unit spread each.
    trouble
        How bad each trouble is, 0 to 1.
    minute
        Number of the minute in its day.
    broke_pct, broke_at_headbox_pct
        Broke dosed, and what of it has reached the headbox. [% of furnish]
    rule_broke_pct, rule_broke_at_headbox_pct
        The same, had nobody ever dosed by hand.
    felt_age_d, since_wash_d, since_boil_out_d
        Age of the last press's felt; time since the felts were washed and since the wet end was boiled out. [d]
    eye_dirt
        How dirty the size press's photo-eye is. 0 to about 1.4
    salts
        How far salts and anionic trash have built up in the white water, 0 to 1.
    unrest
        exp(-time since the restart / 25 min) on reel, 0 otherwise.
    grade_change
        1 in the half hour after a change of grade.
    """

    wander: dict[str, Floats]
    trouble: dict[str, Floats]
    minute: NDArray[np.int64]
    speed_m_min: Floats
    grammage_g_m2: Floats
    broke_pct: Floats
    broke_at_headbox_pct: Floats
    rule_broke_pct: Floats
    rule_broke_at_headbox_pct: Floats
    felt_age_d: Floats
    since_wash_d: Floats
    since_boil_out_d: Floats
    eye_dirt: Floats
    salts: Floats
    unrest: Floats
    grade_change: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """The state of the process, an entry a minute, in the units of the tags of the same name."""

    consistency_pct: Floats
    whitewater_pct: Floats
    retention_pct: Floats
    jet_wire: Floats
    ph: Floats
    conductivity: Floats
    charge: Floats
    freeness: Floats
    softwood_pct: Floats
    ash_pct: Floats
    couch_vacuum_kpa: Floats
    couch_dryness_pct: Floats
    felt_loss_pct: Floats
    broke_loss_pct: Floats
    retention_loss_pct: Floats
    press_dryness_pct: Floats
    press_draw_pct: Floats
    release_n_m: Floats
    press_tension_n_m: Floats
    press_strength_n_m: Floats
    uhle_vacuum_kpa: Floats
    steam_kpa: Floats
    condensate_dp_kpa: Floats
    moisture_in_pct: Floats
    pond_pct: Floats
    after_draw_pct: Floats
    reel_moisture_pct: Floats
    grammage_g_m2: Floats
    reel_tension_n_m: Floats


def felt_wear_pct(age_d: Floats) -> Floats:
    """Dryness that the felt costs: too open while it runs in, then worn. [% points]

    Two to three points of moisture near the end of a 60-day felt are published; run-in of a day or two likewise.
    """
    return 0.6 * np.exp(-age_d) + 1.5 * (age_d / 42.0) ** 2.2


def plugging_pct(since_wash_d: Floats) -> Floats:
    """Dryness that dirt in the felts costs since the last wash. [% points], demo"""
    return 0.05 * np.minimum(since_wash_d, 14.0)


def eye_dirt(since_wash_d: Floats) -> Floats:
    """How dirty the size press's eye is: starch settles on it until it is cleaned with the felts. 0 to about 1.4"""
    return np.minimum(since_wash_d / 12.0, 1.2) ** 2


def salts(day: Floats) -> Floats:
    """How far the white water's chemistry has drifted, by days since the simulation began. 0 to 1, demo

    From the twelfth day on salts and anionic trash build up for 24 days, since less fresh water is let in; then the
    dosing is set right within two. Every forty days again.
    """
    into = np.where(day < 12.0, 40.0, (day - 12.0) % 40.0)
    return np.asarray(np.clip(np.minimum(into / 24.0, (26.0 - into) / 2.0), 0.0, 1.0), dtype=np.float64)


def conditions(m: Minutes) -> Conditions:
    """What the process is like in these minutes.

    The chain: broke and charge move retention and drainage, they and the felts move the dryness after the press, and
    that moves strength and tension in the open draw, the steam demand, and the moisture into the size press.
    """
    wet = _wet_end(m)
    press = _press(m, wet)
    return Conditions(**wet, **press, **_dry_end(m, press))


def _wet_end(m: Minutes) -> dict[str, Floats]:
    """Stock, headbox and wire."""
    w, lost = m.wander, m.trouble["retention"]
    surplus = m.broke_at_headbox_pct - NORMAL_PCT
    upset = np.abs(m.broke_pct - m.broke_at_headbox_pct)
    freeness = 380.0 + 9.0 * w["freeness"] - 0.8 * surplus
    retention = RETENTION_PCT + 1.5 * w["retention"] - 0.12 * surplus - 0.15 * upset - 7.0 * lost - 1.5 * m.salts
    consistency = HEADBOX_PCT + 0.010 * w["consistency"] - 0.0015 * (retention - RETENTION_PCT)
    return {
        "consistency_pct": consistency,
        "whitewater_pct": consistency * (1 - retention / 100),
        "retention_pct": retention,
        "jet_wire": 1.010 + 0.002 * w["jet"],
        "ph": 8.0 + 0.06 * w["ph"],
        "conductivity": 1500.0 + 70.0 * w["conductivity"] + 12.0 * surplus + 450.0 * m.salts,
        "charge": 80.0 + 6.0 * w["charge"] + 1.0 * surplus + 0.6 * upset + 18.0 * lost + 20.0 * m.salts,
        "freeness": freeness,
        "softwood_pct": 16.0 + 0.5 * w["softwood"],
        "ash_pct": 20.0 + 0.5 * w["ash"] + 0.12 * (retention - RETENTION_PCT),
        "couch_vacuum_kpa": 62.0 + 1.6 * w["vacuum"] - 0.03 * (freeness - 380.0),
        "couch_dryness_pct": COUCH_DRYNESS_PCT + 0.25 * w["vacuum"] + 0.008 * (freeness - 380.0),
        "grammage_g_m2": m.grammage_g_m2 + 0.25 * w["grammage"] + 12.0 * (consistency - HEADBOX_PCT),
    }


def _press(m: Minutes, wet: dict[str, Floats]) -> dict[str, Floats]:
    """Dryness, tension and strength in the open draw after the press."""
    w = m.wander
    felt_loss = felt_wear_pct(m.felt_age_d) + plugging_pct(m.since_wash_d)
    broke_loss = 0.06 * (m.broke_at_headbox_pct - NORMAL_PCT)
    retention_loss = 2.2 * m.trouble["retention"]
    drained = 0.4 * (wet["couch_dryness_pct"] - COUCH_DRYNESS_PCT) + 0.3 * w["dewatering"]
    dryness = FRESH_PRESS_DRYNESS_PCT + drained - felt_loss - broke_loss - retention_loss
    separation = SEPARATION_J_M2 * (1 + 0.10 * w["separation"] + 0.006 * (wet["charge"] - 80.0))
    release = np.asarray(release_tension_n_m(m.speed_m_min, dryness, _oven_dry(m), separation))
    draw = PRESS_DRAW_PCT + 0.05 * w["draw"] + 0.45 * m.trouble["draw"]
    strength = np.asarray(wet_strength_n_m(dryness, m.grammage_g_m2)) * (1 + 0.012 * (wet["softwood_pct"] - 16.0))
    return {
        "felt_loss_pct": felt_loss,
        "broke_loss_pct": broke_loss,
        "retention_loss_pct": retention_loss,
        "press_dryness_pct": dryness,
        "press_draw_pct": draw,
        "release_n_m": release,
        "press_tension_n_m": release + DRAW_STIFFNESS * (draw - PRESS_DRAW_PCT),
        "press_strength_n_m": strength,
        "uhle_vacuum_kpa": 38.0 + 9.0 * plugging_pct(m.since_wash_d) + 1.2 * w["uhle"],
    }


def _dry_end(m: Minutes, press: dict[str, Floats]) -> dict[str, Floats]:
    """Dryers, size press and reel."""
    w, dryness = m.wander, press["press_dryness_pct"]
    swing = m.trouble["swing"] * np.sin(2 * np.pi * m.minute / SWING_MIN)
    moisture = (
        PREDRYER_MOISTURE_PCT
        + 0.28 * w["moisture"] * (1 + m.grade_change)
        + 0.12 * (PRESS_DRYNESS_PCT - dryness)
        + 0.5 * m.trouble["flooded"]
        + 0.8 * swing
        + 0.9 * m.unrest**2
    )
    # Evaporation against C80's in good order: 73 g/m² from 44.6 to 97 %, 1.212 kg of water a kilogram.
    load = m.speed_m_min * _oven_dry(m) * (100 / dryness - 1.03) / (780 * 73.0 * 1.212)
    return {
        "steam_kpa": 330.0 * load + 6.0 * w["steam"] - 18.0 * swing,
        "condensate_dp_kpa": 40.0 + 1.5 * w["condensate"] - 15.0 * m.trouble["flooded"],
        "moisture_in_pct": moisture,
        "pond_pct": 60.0 + 3.0 * w["pond"],
        "after_draw_pct": 1.2 + 0.05 * w["after_draw"],
        "reel_moisture_pct": 5.0 + 0.25 * (moisture - PREDRYER_MOISTURE_PCT) + 0.5 * m.unrest,
        "reel_tension_n_m": 320.0 * (m.grammage_g_m2 / 80.0) ** 0.5 + 6.0 * w["reel_tension"],
    }


def _oven_dry(m: Minutes) -> Floats:
    """The sheet before the size press. [g/m² o.d.]"""
    return m.grammage_g_m2 * (1 - REEL_MOISTURE) - STARCH_G_M2
