"""Break by break, against the plain rules: whether the model is worth listening to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.risk.contender import Contender, Field, contender, true_hazard
from analysis.risk.exposure import Exposure
from analysis.risk.forecast import Walk, walk
from analysis.risk.rows import DAY_MS, Floats, Ints, Rows
from analysis.risk.score import Resampling
from analysis.risk.settings import RiskSettings
from analysis.risk.verdict import Verdict, verdict
from analysis.risk.warn import shifts_in, silent

REPEATS = 400
"""Bootstrap repeats for the intervals of measures of minutes."""


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
        told.append(true_hazard(truth[walked.numbers], field))
    contenders = tuple(contender(t, field) for t in told)
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


def _field(exposure: Exposure, walked: Walk) -> Field:
    rows, settings = exposure.rows.take(walked.numbers), exposure.settings
    quiet = silent(rows, exposure.grade_changes_ms, settings)
    first, last = walked.learnt[1].block.from_ms, walked.learnt[-1].block.to_ms
    decided = np.flatnonzero(rows.outcome >= 0)
    started = exposure.breaks.started_ms
    return Field(
        exposure=exposure,
        rows=rows,
        quiet=quiet,
        base=walked.base,
        decided=decided,
        judged=np.flatnonzero(started > first),
        shifts=shifts_in(first, last, settings.shift_h),
        days=Resampling.of(rows.at_ms[decided] // DAY_MS, REPEATS, settings.seed),
    )
