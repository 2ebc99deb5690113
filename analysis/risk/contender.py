"""How one forecaster did on the judged minutes: the same measures for the models, the plain rules and the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.risk.exposure import Exposure
from analysis.risk.forecast import ADDITIVE, BOOSTED, Told
from analysis.risk.model import chance
from analysis.risk.rows import Floats, Ints, Rows
from analysis.risk.score import (
    CalibrationBin,
    Interval,
    Resampling,
    brier_skill,
    calibration,
    ranking,
    share_interval,
    spread_of,
)
from analysis.risk.warn import Fate, GivenWarning, fates, level_for_budget, warned_breaks, warning_rows

BINS = 8
BUDGETS = (0.5, 1.0, 2.0, 3.0)
"""False warnings a shift at which contenders are compared in hindsight."""
TRUTH = "true hazard (simulated)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contender:
    """How one forecaster did on the judged blocks, its level and calibration always set on what came before.

    warned
        Share of the primary breaks warned of at least ``lead_min`` ahead.
    hits
        Which they were, and how long before each first warning came. [min]
    false_per_shift
        What it cost in false warnings; ``false`` of them in all, ``worst`` the most within the length of one shift.
    late, undecided
        Warnings nearer to the break than ``lead_min``; those whose horizon was cut short.
    at_budget, hindsight
        Share and breaks it would have warned of at the level that just meets the budget, chosen in hindsight.
    bought
        Share of breaks warned of at each of ``BUDGETS``, likewise in hindsight.
    average_precision, area
        Of the minutes, in the order of its scores.
    skill
        Brier skill against the base rate known at the time; None for a rule, which states no chance.
    """

    name: str
    score: Floats
    warnings: tuple[GivenWarning, ...]
    warned: Interval
    hits: dict[int, float]
    false_per_shift: float
    false: int
    worst: int
    late: int
    undecided: int
    at_budget: Interval
    hindsight: frozenset[int]
    bought: dict[float, float]
    average_precision: Interval
    area: Interval
    skill: Interval | None
    calibration: tuple[CalibrationBin, ...]

    @property
    def right(self) -> float | None:
        """Share of its warnings that were right, all warnings of one break counted as one; None without any."""
        return share_right(len(self.hits), self.false)

    @property
    def lead_min(self) -> float | None:
        """Median time from first warning to break; None without a hit. [min]"""
        return float(np.median(list(self.hits.values()))) if self.hits else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """The judged rows and what all contenders are measured by."""

    exposure: Exposure
    rows: Rows
    quiet: NDArray[np.bool_]
    base: Floats
    decided: Ints
    judged: Ints
    shifts: float
    days: Resampling


def contender(told: Told, field: Field) -> Contender:
    """What a forecaster reached, as it would have run and in hindsight."""
    rows, settings, breaks = field.rows, field.exposure.settings, field.exposure.breaks
    found = warning_rows(told.score - told.level, rows, field.quiet, 0.0, settings)
    warnings = fates(found, rows, breaks, settings)
    hindsight = _in_hindsight(told, field, settings.budget)
    hits = _first_leads(warnings)
    count = {fate: sum(w.fate is fate for w in warnings) for fate in Fate}
    precision, area = _ranked(told, field)
    return Contender(
        name=told.name,
        score=told.score,
        warnings=tuple(warnings),
        warned=share_interval(len(hits), len(field.judged)),
        hits=hits,
        false_per_shift=count[Fate.FALSE] / field.shifts,
        false=count[Fate.FALSE],
        worst=_most_within([w.at_ms for w in warnings if w.fate is Fate.FALSE], settings.shift_h),
        late=count[Fate.LATE],
        undecided=count[Fate.UNDECIDED],
        at_budget=share_interval(len(hindsight), len(field.judged)),
        hindsight=hindsight,
        bought={b: len(_in_hindsight(told, field, b)) / max(len(field.judged), 1) for b in BUDGETS},
        average_precision=precision,
        area=area,
        skill=_skill(told, field),
        calibration=_bins(told, field),
    )


def _in_hindsight(told: Told, field: Field, budget: float) -> frozenset[int]:
    """The breaks warned of at the lowest level that keeps a budget over the judged time itself."""
    rows, settings = field.rows, replace(field.exposure.settings, budget=budget)
    level = level_for_budget(told.score, rows, field.quiet, field.shifts, settings)
    found = warning_rows(told.score, rows, field.quiet, level, settings)
    return frozenset(warned_breaks(fates(found, rows, field.exposure.breaks, settings)))


def true_hazard(truth: Floats, field: Field) -> Told:
    """The true hazard as a contender: its level is the one that meets the budget, since it has nothing to learn."""
    level = level_for_budget(truth, field.rows, field.quiet, field.shifts, field.exposure.settings)
    return Told(name=TRUTH, score=truth, level=np.full(len(truth), level))


def _ranked(told: Told, field: Field) -> tuple[Interval, Interval]:
    outcome, score = field.rows.outcome[field.decided], told.score[field.decided]
    values, again = ranking(outcome, score), field.days.ranking(outcome, score)
    precision, area = (spread_of(v, a) for v, a in zip(values, again, strict=True))
    return precision, area


def _skill(told: Told, field: Field) -> Interval | None:
    if told.name not in (ADDITIVE, BOOSTED):
        return None
    outcome, base = field.rows.outcome[field.decided], field.base[field.decided]
    said = chance(told.score[field.decided])
    missed, missed_by_base = field.days.sums((said - outcome) ** 2), field.days.sums((base - outcome) ** 2)
    return spread_of(brier_skill(outcome, said, base), 1 - missed / missed_by_base)


def _bins(told: Told, field: Field) -> tuple[CalibrationBin, ...]:
    if told.name not in (ADDITIVE, BOOSTED):
        return ()
    said = chance(told.score[field.decided])
    edges = np.unique(np.quantile(said, np.linspace(0, 1, BINS + 1)))
    if len(edges) < 2:
        edges = np.array([0.0, 1.0])
    return tuple(calibration(field.rows.outcome[field.decided], said, edges))


def _first_leads(warnings: list[GivenWarning]) -> dict[int, float]:
    """The breaks warned of in time, each with the lead of its earliest warning. [min]"""
    leads: dict[int, float] = {}
    for w in warnings:
        if w.fate is Fate.HIT and w.break_number is not None and w.lead_min is not None:
            leads.setdefault(w.break_number, w.lead_min)
    return leads


def _most_within(times_ms: list[int], shift_h: float) -> int:
    """The most instants within the length of one shift."""
    times = np.array(times_ms, np.int64)
    ends = np.searchsorted(times, times + round(shift_h * 3_600_000), side="left")
    return int((ends - np.arange(len(times))).max(initial=0))


def share_right(hits: float, false: float) -> float | None:
    """What part of hits and false warnings the hits are; None without any."""
    return hits / (hits + false) if hits + false else None
