"""How likely the sheet is to break, where, and why: weakest link against tension, and the unrest after a restart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay_data.simulator.geometry import (
    PRESS_DRYNESS_PCT,
    SECTIONS,
    oven_dry_base_g_m2,
    release_tension_n_m,
    wet_strength_n_m,
)

if TYPE_CHECKING:
    from numpy.random import Generator

    from replay_data.simulator.grades import Grade
    from replay_data.simulator.process import Conditions, Minutes

Floats = NDArray[np.float64]

WEIBULL_M = 16.0
"""Weibull modulus of the wet sheet: strength varies by about 1.2/m = 7.5 %. Trade range 10 to 30."""
RESTART_FACTOR = 3.0
"""Just after a restart the hazard is 1 + 3 times what it will be; it falls off in 25 min (demo)."""
GRADE_CHANGE_FACTOR = 1.5
"""In the half hour after a change of grade the hazard is 1 + 1.5 times what it would be (demo)."""

FALSE_TRIPS = 3.0
"""How many times the size press's usual hazard a dirty eye adds, for each unit of dirt (demo)."""
UPSET = 0.05
"""What broke that is a percent off in the headbox adds to the press's log hazard; it goes with the square (demo)."""

# Breaks a day of each section with every driver at its mean; set so that a long simulation gives 2.6 primary breaks a
# day with shares of 4, 34, 18, 16, 8, 7 and 13 % (demo). The reel's share is nearly all turn-ups.
BASE_PER_DAY = dict(zip(SECTIONS, (0.050, 0.200, 0.205, 0.100, 0.165, 0.083, 0.015), strict=True))

# What a crew finds when none of the drivers stands out, with weights (demo).
BACKGROUND: dict[str, tuple[tuple[str, float], ...]] = {
    "couch": (("FO-HOL", 3), ("FO-EDG", 3), ("FO-DRP", 2), ("FO-PKU", 2)),
    "press": (("PR-PCK", 2), ("PR-EDG", 2), ("PR-DOC", 2), ("SA-DRT", 2), ("CH-SLM", 2), ("PR-STR", 1)),
    "pre-dryer": (("PD-HNG", 3), ("PD-WRK", 2), ("PD-PCK", 2), ("PD-DRW", 1), ("PD-FAB", 1)),
    "size press": (("SP-REW", 3), ("SP-ROD", 2), ("SP-SOL", 1), ("CH-SLM", 2)),
    "after-dryer": (("AD-STK", 3), ("AD-MOI", 2)),
    "calender": (("CA-LMP", 2), ("CA-CUT", 2), ("CA-ROL", 1)),
    "reel": (("RE-TEN", 2), ("RE-SPL", 1)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """Breaks a minute: by section (rows) and minute (columns), and what drove them.

    terms
        For each section the drivers' shares of the logarithm, by cause.
    restart, changing
        The factors of the unrest after a restart and of a grade change.
    """

    by_section: Floats
    terms: dict[str, dict[str, Floats]]
    restart: Floats
    changing: Floats

    @property
    def total(self) -> Floats:
        """Breaks a minute, all sections."""
        total: Floats = self.by_section.sum(axis=0)
        return total


def hazard(m: Minutes, c: Conditions, grade: Grade) -> Hazard:
    """λ = Σ over sections of λ0 · exp(Σ terms) · (1 + A · exp(-τ/τ0)). [breaks a minute]"""
    terms = {
        "couch": {
            "CH-RET": -0.35 * (c.retention_pct - 84.3) / 1.6,
            "FO-VAC": -0.4 * m.wander["vacuum"],
            "CH-CHG": 1.2 * m.salts,
        },
        "press": press_terms(m, c, grade),
        "pre-dryer": {
            "PD-STM": 4.2 * m.trouble["flooded"],
            "PD-OVR": -0.45 * (c.moisture_in_pct - 3.0) / 0.3,
            "SA-CON": 0.35 * (np.abs(c.consistency_pct - 0.70) / 0.010 - 0.8),
        },
        "size press": {
            "SP-MOI": 0.45 * (c.moisture_in_pct - 3.0) / 0.3,
            "SP-FLD": 0.45 * (c.pond_pct - 60.0) / 3.0,
            "CH-SLM": 0.02 * m.since_boil_out_d - 0.4,
            "IC-TRP": np.log1p(FALSE_TRIPS * m.eye_dirt),
            "CH-RET": 3.0 * m.trouble["retention"],
            "IC-LOP": 4.0 * m.trouble["swing"],
        },
        "after-dryer": {"AD-DRW": 0.6 * (c.after_draw_pct - 1.2) / 0.05},
        "calender": {
            "CA-CUT": -0.5 * (c.reel_moisture_pct - 5.0) / 0.1,
            "IC-LOP": 4.0 * m.trouble["swing"],
        },
        "reel": {"RE-TEN": 0.4 * (c.reel_tension_n_m - 320.0 * (grade.basis_weight_g_m2 / 80) ** 0.5) / 6.0},
    }
    restart = 1.0 + RESTART_FACTOR * m.unrest
    changing = 1.0 + GRADE_CHANGE_FACTOR * m.grade_change
    rows = [_section(name, terms[name], m) * restart * changing for name in SECTIONS]
    return Hazard(by_section=np.array(rows), terms=terms, restart=restart, changing=changing)


def _section(name: str, terms: dict[str, Floats], m: Minutes) -> Floats:
    """A section's hazard without restart and grade change: what tags show, and the hidden wandering."""
    shown = np.sum(list(terms.values()), axis=0)
    rate: Floats = BASE_PER_DAY[name] / 1440 * np.exp(np.clip(shown, -3.0, 4.4) + 0.5 * m.wander[f"hidden {name}"])
    return rate


def press_terms(m: Minutes, c: Conditions, grade: Grade) -> dict[str, Floats]:
    """Weakest link: the hazard goes with (tension / strength)^m, against the same grade in good order.

    The logarithm is split among draw, felt, broke and retention, so that a break can be traced to one of them.
    """
    dry = oven_dry_base_g_m2(grade.basis_weight_g_m2)
    usual_t = release_tension_n_m(grade.speed_m_min, PRESS_DRYNESS_PCT, dry)
    usual_s = wet_strength_n_m(PRESS_DRYNESS_PCT, grade.basis_weight_g_m2)
    ratio = (c.press_tension_n_m / c.press_strength_n_m) / (usual_t / usual_s)
    total = WEIBULL_M * np.log(ratio) + np.log(grade.tender)
    point = WEIBULL_M * 0.085  # a point of dryness: 7 % of strength and about 1.5 % of tension
    draw = WEIBULL_M * np.log(c.press_tension_n_m / c.release_n_m)
    felt = point * (c.felt_loss_pct - 0.7)
    broke = point * c.broke_loss_pct
    retention = point * c.retention_loss_pct
    upset = UPSET * (m.broke_pct - m.broke_at_headbox_pct) ** 2
    rest = total - draw - felt - broke - retention
    return {
        "PR-DRW": draw,
        "PR-FLT": felt,
        "SA-BRK": broke + upset,
        "CH-RET": retention,
        "CH-CHG": 0.4 * m.salts,
        "PR-CRS": rest,
    }


def cause_of(rng: Generator, hazard_: Hazard, section: str, minute: int) -> str:
    """What brought this break about, drawn by how much each driver had raised the hazard."""
    for cause, factor in (("GS-STU", hazard_.restart[minute]), ("GS-GRC", hazard_.changing[minute])):
        if rng.random() < 1 - 1 / factor:
            return cause
    pushes = {cause: max(0.0, float(np.expm1(term[minute]))) for cause, term in hazard_.terms[section].items()}
    pushes["background"] = 1.0
    cause = _draw(rng, tuple(pushes.items()))
    return background(rng, section) if cause == "background" else cause


def background(rng: Generator, section: str) -> str:
    """A cause that no tag shows."""
    return _draw(rng, BACKGROUND[section])


def _draw(rng: Generator, weighted: tuple[tuple[str, float], ...]) -> str:
    weights = np.array([weight for _, weight in weighted])
    return weighted[int(rng.choice(len(weighted), p=weights / weights.sum()))][0]
