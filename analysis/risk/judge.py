"""Break by break, against the plain rules: whether the model is worth listening to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.rates import count_interval
from analysis.risk.exposure import Exposure
from analysis.risk.forecast import ADDITIVE, BOOSTED, RULES, Told, Walk, walk
from analysis.risk.model import chance
from analysis.risk.rows import DAY_MS, Floats, Ints, Rows
from analysis.risk.score import (
    CalibrationBin,
    Interval,
    Resampling,
    brier_skill,
    calibration,
    disagreement_p,
    paired_difference,
    ranking,
    share_interval,
    spread_of,
)
from analysis.risk.settings import RiskSettings
from analysis.risk.warn import (
    Fate,
    GivenWarning,
    fates,
    level_for_budget,
    shifts_in,
    silent,
    warned_breaks,
    warning_rows,
)

BEATS = "beats the plain rules"
NO_BETTER = "does not beat the plain rules"
NO_SKILL = "shows no skill"

ALPHA = 0.05
REPEATS = 400
"""Bootstrap repeats for the intervals of measures of minutes."""
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
class Verdict:
    """Whether the model beats the plain rules.

    beats
        True alone allows live warnings.
    finding
        ``beats the plain rules``, ``does not beat the plain rules`` or ``shows no skill``.
    difference, p
        Share of breaks warned of, model less best rule, as both would have run; and the exact chance of such a
        difference, or a greater one, if they were equally good.
    at_budget, p_at_budget
        The same with both at the level that just meets the budget, in hindsight; the rule is the best one there.
    sentence
        The first line of every report.
    """

    beats: bool
    finding: str
    best_rule: str
    difference: Interval
    p: float
    at_budget: Interval
    p_at_budget: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Everything found in judging.

    rows, numbers
        The judged minutes, and their row numbers in the exposure table.
    judged
        The primary breaks among them, by number.
    base_rate
        Share of judged minutes with known outcome that lie before a break.
    """

    settings: RiskSettings
    from_ms: int
    to_ms: int
    shifts: float
    base_rate: float
    judged: Ints
    rows: Rows
    walk: Walk
    contenders: tuple[Contender, ...]
    verdict: Verdict
    suspects: tuple[str, ...]

    def named(self, name: str) -> Contender:
        """One contender by its name."""
        return next(c for c in self.contenders if c.name == name)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """The judged rows and what all contenders are measured by."""

    exposure: Exposure
    rows: Rows
    quiet: NDArray[np.bool_]
    base: Floats
    decided: Ints
    judged: Ints
    shifts: float
    days: Resampling


def judge(exposure: Exposure, *, truth: Floats | None = None, challenger: bool = True) -> Judgement:
    """Judge the models and the plain rules, forward in time.

    truth
        The true log hazard of each row, known only where the machine was simulated: it becomes one more contender,
        the ceiling that nothing honest can pass.
    challenger
        Whether the boosted model takes part.

    Raises
    ------
    TooFewBreaks
        Where there is nothing to judge yet.
    """
    walked = walk(exposure, challenger=challenger)
    field = _field(exposure, walked)
    told = list(walked.told)
    if truth is not None:
        told.append(_ceiling(truth[walked.numbers], field))
    contenders = tuple(_contender(t, field) for t in told)
    first, last = walked.learnt[1].block.from_ms, walked.learnt[-1].block.to_ms
    return Judgement(
        settings=exposure.settings,
        from_ms=first,
        to_ms=last,
        shifts=field.shifts,
        base_rate=float(field.rows.outcome[field.decided].mean()),
        judged=field.judged,
        rows=field.rows,
        walk=walked,
        contenders=contenders,
        verdict=verdict(contenders, len(field.judged), exposure.settings, field.shifts),
        suspects=tuple(sorted({f.words for learnt in walked.learnt for f in learnt.suspects})),
    )


def judge_with_null(exposure: Exposure) -> tuple[Judgement, Judgement]:
    """The judgement, and beside it that of the same minutes with what was known at others: it must find nothing."""
    return judge(exposure), judge(unrelated(exposure), challenger=False)


def unrelated(exposure: Exposure) -> Exposure:
    """The same minutes and breaks, but what was known moved on by more than a third of the whole time.

    The features keep their own shape and memory; only their tie to the breaks is cut.
    """
    away = round(0.37 * len(exposure.rows))
    return replace(exposure, values=np.asfortranarray(np.roll(exposure.values, away, axis=0)))


def verdict(contenders: tuple[Contender, ...], count: int, settings: RiskSettings, shifts: float) -> Verdict:
    """Model against the best plain rule: by how much, and whether that could be luck.

    It beats them only if it warned of more, beyond luck by the exact paired test and by the 95 % interval, both as they
    would have run and at equal cost, and if its false warnings do not exceed the budget by more than chance.
    """
    ours = next(c for c in contenders if c.name == ADDITIVE)
    rules = [c for c in contenders if c.name in RULES]
    best = max(rules, key=lambda c: (len(c.hits), -c.false))
    equal = max(rules, key=lambda c: len(c.hindsight))
    difference, p = _difference(frozenset(ours.hits), frozenset(best.hits), count)
    at_budget, p_at_budget = _difference(ours.hindsight, equal.hindsight, count)
    affordable = count_interval(ours.false)[0] <= settings.budget * shifts
    more = difference.low > 0 and p < ALPHA
    beats = more and at_budget.low > 0 and p_at_budget < ALPHA and affordable
    knows = ours.skill is not None and ours.skill.low > 0 and ours.area.low > 0.5
    finding = BEATS if beats else NO_BETTER if knows else NO_SKILL
    return Verdict(
        beats=beats,
        finding=finding,
        best_rule=best.name,
        difference=difference,
        p=p,
        at_budget=at_budget,
        p_at_budget=p_at_budget,
        sentence=_sentence(finding, ours, best, difference, count, settings)
        + ("" if beats else _but(finding, ours, at_budget, more=more, affordable=affordable)),
    )


def share_right(hits: float, false: float) -> float | None:
    """What part of hits and false warnings the hits are; None without any."""
    return hits / (hits + false) if hits + false else None


def _field(exposure: Exposure, walked: Walk) -> _Field:
    rows, settings = exposure.rows.take(walked.numbers), exposure.settings
    quiet = silent(rows, exposure.grade_changes_ms, settings)
    first, last = walked.learnt[1].block.from_ms, walked.learnt[-1].block.to_ms
    decided = np.flatnonzero(rows.outcome >= 0)
    started = exposure.breaks.started_ms
    return _Field(
        exposure=exposure,
        rows=rows,
        quiet=quiet,
        base=walked.base,
        decided=decided,
        judged=np.flatnonzero(started > first),
        shifts=shifts_in(first, last, settings.shift_h),
        days=Resampling.of(rows.at_ms[decided] // DAY_MS, REPEATS, settings.seed),
    )


def _contender(told: Told, field: _Field) -> Contender:
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


def _in_hindsight(told: Told, field: _Field, budget: float) -> frozenset[int]:
    """The breaks warned of at the lowest level that keeps a budget over the judged time itself."""
    rows, settings = field.rows, replace(field.exposure.settings, budget=budget)
    level = level_for_budget(told.score, rows, field.quiet, field.shifts, settings)
    found = warning_rows(told.score, rows, field.quiet, level, settings)
    return frozenset(warned_breaks(fates(found, rows, field.exposure.breaks, settings)))


def _ceiling(truth: Floats, field: _Field) -> Told:
    """The true hazard as a contender: its level is the one that meets the budget, since it has nothing to learn."""
    level = level_for_budget(truth, field.rows, field.quiet, field.shifts, field.exposure.settings)
    return Told(name=TRUTH, score=truth, level=np.full(len(truth), level))


def _ranked(told: Told, field: _Field) -> tuple[Interval, Interval]:
    outcome, score = field.rows.outcome[field.decided], told.score[field.decided]
    values, again = ranking(outcome, score), field.days.ranking(outcome, score)
    precision, area = (spread_of(v, a) for v, a in zip(values, again, strict=True))
    return precision, area


def _skill(told: Told, field: _Field) -> Interval | None:
    if told.name not in (ADDITIVE, BOOSTED):
        return None
    outcome, base = field.rows.outcome[field.decided], field.base[field.decided]
    said = chance(told.score[field.decided])
    missed, missed_by_base = field.days.sums((said - outcome) ** 2), field.days.sums((base - outcome) ** 2)
    return spread_of(brier_skill(outcome, said, base), 1 - missed / missed_by_base)


def _bins(told: Told, field: _Field) -> tuple[CalibrationBin, ...]:
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


def _difference(ours: frozenset[int], theirs: frozenset[int], count: int) -> tuple[Interval, float]:
    both, only_ours, only_theirs = len(ours & theirs), len(ours - theirs), len(theirs - ours)
    found = paired_difference(both, only_ours, only_theirs, count - len(ours | theirs))
    return found, disagreement_p(only_ours, only_theirs)


def _most_within(times_ms: list[int], shift_h: float) -> int:
    """The most instants within the length of one shift."""
    times = np.array(times_ms, np.int64)
    ends = np.searchsorted(times, times + round(shift_h * 3_600_000), side="left")
    return int((ends - np.arange(len(times))).max(initial=0))


def _sentence(
    finding: str, ours: Contender, best: Contender, difference: Interval, count: int, settings: RiskSettings
) -> str:
    return (
        f"The model {finding}: of {count} primary breaks it warned of {len(ours.hits)} ({_per_cent(ours.warned)}) at "
        f"least {settings.lead_min} min ahead, at {ours.false_per_shift:.1f} false warnings a {settings.shift_h:g} h "
        f"shift; the best plain rule, {best.name}, warned of {len(best.hits)} at {best.false_per_shift:.1f}. "
        f"Difference {_points(difference)}."
    )


def _but(finding: str, ours: Contender, at_budget: Interval, *, more: bool, affordable: bool) -> str:
    """Why the difference is not enough, and what the model knows all the same."""
    if not more:
        why = ""
    elif not affordable:
        why = " But it cost more false warnings than the budget allows."
    else:
        why = f" But at equal cost the difference, {_points(at_budget)}, may be luck."
    knows = f" It does tell minutes apart (Brier skill {_interval(ours.skill)})." if finding == NO_BETTER else ""
    return f"{why}{knows} Live warnings stay off."


def _interval(figure: Interval | None) -> str:
    return "–" if figure is None else f"{figure.value:.3f}, {figure.low:.3f} to {figure.high:.3f}"


def _per_cent(share: Interval) -> str:
    value, low, high = (f"{100 * x:.0f} %" for x in (share.value, share.low, share.high))
    return f"{value}, 95 % interval {low} to {high}"


def _points(difference: Interval) -> str:
    low, value, high = (f"{100 * x:+.0f}" for x in (difference.low, difference.value, difference.high))
    return f"{value} points, 95 % interval {low} to {high}"
