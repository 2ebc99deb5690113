"""The machine's lengths, draws and dryness, and the balances that follow from them. Pure formulas.

Sources are named beside each figure. "Common practice" is trade practice without a single source; "demo" is a figure
chosen for the invented mill.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, Floats)

TRIM_M = 3.40
"""Sheet width at the reel. [m], demo"""
REEL_MOISTURE = 0.05
"""Water share of the paper on the reel, fine paper 4 to 6 %: common practice, no source."""
STARCH_G_M2 = 3.0
"""Starch taken up in the size press. Handbook range 1 to 4. [g/m²]"""
STARCH_SOLUTION = 0.10
"""Solids of the starch solution. Handbook range 8 to 15 %."""


@dataclass(frozen=True, slots=True)
class Eye:
    """A sheet detector: a photo-eye across the full width.

    position_m
        Along the sheet's path from the slice; dryers are crossed by path, not by floor. [m]
    cut_m
        Where the sheet is cut when it is to be held up to the eye before this one. [m]
    """

    tag: str
    section: str
    position_m: float
    cut_m: float


EYES = (
    Eye("sheet.couch", "couch", 20.0, 19.0),
    Eye("sheet.press", "press", 32.0, 30.5),
    Eye("sheet.predryer", "pre-dryer", 193.0, 33.0),
    Eye("sheet.sizepress", "size press", 201.0, 196.0),
    Eye("sheet.afterdryer", "after-dryer", 261.0, 204.0),
    Eye("sheet.calender", "calender", 268.0, 265.0),
    Eye("sheet.reel", "reel", 275.0, 273.0),
)
SECTIONS = tuple(eye.section for eye in EYES)
REEL = len(EYES) - 1

# Speed of each place over the one before it [%]. Common practice, no source; demo values.
DRAWS_PCT = {
    "wire to first press": 1.2,
    "within press, first": 0.2,
    "within press, second": 0.8,
    "press to first dryer": 1.8,
    "dryer group 1 to 2": 0.1,
    "dryer group 2 to 3": 0.05,
    "pre-dryer to size press": -0.1,
    "size press to after-dryer": 0.2,
    "within after-dryer": 1.0,
    "to calender": 0.3,
    "to reel": 0.2,
}
PRESS_DRAW_PCT = DRAWS_PCT["press to first dryer"]


def total_draw() -> float:
    """Reel speed over wire speed."""
    return math.prod(1 + pct / 100 for pct in DRAWS_PCT.values())


def transport_s(from_m: float, to_m: float, speed_m_min: float) -> float:
    """Time the sheet takes from one place of its path to another. [s]"""
    return (to_m - from_m) / (speed_m_min / 60)


def production_t_h(speed_m_min: float, basis_weight_g_m2: float, trim_m: float = TRIM_M) -> float:
    """Paper made, at reel moisture: m/min x m x g/m². [t/h]"""
    return speed_m_min * trim_m * basis_weight_g_m2 * 60 / 1e6


def oven_dry_base_g_m2(basis_weight_g_m2: Number) -> Number:
    """Oven-dry sheet before the size press adds its starch. [g/m²]"""
    return basis_weight_g_m2 * (1 - REEL_MOISTURE) - STARCH_G_M2


def water_per_solids(dryness: float | Floats) -> float | Floats:
    """Water carried by a kilogram of solids, 1/d - 1. [kg/kg]"""
    return 1 / dryness - 1


def size_press_dryness(
    base_g_m2: float, dryness_in: float, solution: float = STARCH_SOLUTION, starch_g_m2: float = STARCH_G_M2
) -> float:
    """Dryness after the size press: solids over solids and water of sheet and starch solution."""
    wet = base_g_m2 / dryness_in + starch_g_m2 / solution
    return (base_g_m2 + starch_g_m2) / wet


def headbox_flow_m3_min(
    speed_m_min: Number, basis_weight_g_m2: Number, consistency: float = 0.0070, retention: float = 0.843
) -> Number:
    """Stock that must leave the headbox for this sheet: fibre on the wire over consistency and retention. [m³/min]

    Three parts in a hundred of the fibre are squirted off with the edges (demo).
    """
    fibre_kg_min = oven_dry_base_g_m2(basis_weight_g_m2) / 1e3 * TRIM_M * speed_m_min
    return fibre_kg_min * 1.033 / (consistency * 1000) / retention


def wet_strength_n_m(dryness_pct: float | Floats, basis_weight_g_m2: float | Floats = 80.0) -> float | Floats:
    """Mean strength of the wet sheet in the open draw: T45 exp[k (d - 45)], T45 150 N/m, k 0.07 per point. [N/m]

    The exponential form is published (Belle and Odermatt 2016); the values are the demo's.
    """
    return 150.0 * (basis_weight_g_m2 / 80.0) * np.exp(0.07 * (dryness_pct - 45.0))


def release_tension_n_m(
    speed_m_min: float | Floats,
    dryness_pct: float | Floats,
    oven_dry_g_m2: float | Floats,
    separation_j_m2: float | Floats = 2.0,
    angle_deg: float = 60.0,
) -> float | Floats:
    """Tension that peels the sheet off the centre roll: m v² + W / (1 - cos angle), after Mardon. [N/m]"""
    wet_kg_m2 = oven_dry_g_m2 / 1e3 / (dryness_pct / 100)
    return wet_kg_m2 * (speed_m_min / 60) ** 2 + separation_j_m2 / (1 - math.cos(math.radians(angle_deg)))


def jumbo_length_m(basis_weight_g_m2: float, diameter_m: float = 2.6, spool_m: float = 0.5) -> float:
    """Sheet on a full jumbo: the ring's area over the sheet's thickness, 1.25 µm for each g/m². [m]"""
    thickness_m = 1.25e-6 * basis_weight_g_m2
    return math.pi / 4 * (diameter_m**2 - spool_m**2) / thickness_m


# First-pass retention: share of the headbox solids that stay in the sheet. Definition: Hubbe, NC State.
HEADBOX_PCT = 0.70
RETENTION_PCT = 84.3
COUCH_DRYNESS_PCT = 20.0
PRESS_DRYNESS_PCT = 44.6
PREDRYER_MOISTURE_PCT = 3.0
