"""What drives this machine's breaks, as the model sees it: association, with intervals, and never a proof of cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.risk.exposure import Exposure
from analysis.risk.forecast import all_learnable, one_thread
from analysis.risk.model import AdditiveModel, Calibration, Term, design
from analysis.risk.rows import Floats
from analysis.risk.score import Interval, spread_of

REPEATS = 60
GRID = 21
CAUTION = (
    "Association, not proof: a factor may stand for another that is not measured, and changing it by hand may not do "
    "what it did by itself."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One factor's effect on the odds of a break.

    values, curve, low, high
        Its range in what was learnt from, and the log-odds it adds there with the middle 95 % of the repeats.
    times
        By what it multiplies the odds from its lower to its upper usual value (middle 80 % of minutes).
    """

    term: Term
    values: Floats
    curve: Floats
    low: Floats
    high: Floats
    times: Interval

    @property
    def certain(self) -> bool:
        """Whether the interval leaves out no effect."""
        return self.times.low > 1 or self.times.high < 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Redrawn:
    """What one refit made of one factor's curve; where it is cut, filled and bent does not change.

    slope, weights, offset
        As in ``Term``.
    """

    slope: float
    weights: tuple[float, ...]
    offset: float


def redrawn(again: Sequence[AdditiveModel]) -> tuple[tuple[Redrawn, ...], ...]:
    """Refits as little more than their numbers: one row a refit, one entry a factor."""
    return tuple(
        tuple(Redrawn(slope=t.slope, weights=t.weights, offset=t.offset) for t in model.terms) for model in again
    )


def drawn_again(model: AdditiveModel, kept: Sequence[Sequence[Redrawn]]) -> list[AdditiveModel]:
    """The refits of a model from their numbers; their base is that of the model, so only differences count."""
    return [
        replace(
            model,
            terms=tuple(
                replace(term, slope=one.slope, weights=one.weights, offset=one.offset)
                for term, one in zip(model.terms, row, strict=True)
            ),
        )
        for row in kept
    ]


def partial_effects(model: AdditiveModel, again: Sequence[AdditiveModel]) -> tuple[Effect, ...]:
    """Every factor's curve, strongest first, with intervals from refits on whole runs drawn again.

    The factors stay those of ``model``: the intervals do not count that others might have been chosen.
    """
    effects = [_effect(n, term, again) for n, term in enumerate(model.terms)]
    return tuple(sorted(effects, key=lambda e: -abs(np.log(e.times.value))))


def refits(exposure: Exposure, model: AdditiveModel, penalty: float, slope: float) -> list[AdditiveModel]:
    """The same factors fitted again on whole runs drawn with replacement, for intervals.

    penalty, slope
        As the model was fitted and calibrated.
    """
    rows, settings = exposure.rows, exposure.settings
    train = all_learnable(exposure)
    columns = [t.number for t in model.terms]
    laid = design(exposure.values[train], columns, [t.number for t in model.terms if t.knots])
    runs = np.unique(rows.group[train], return_inverse=True)[1]
    draw = np.random.default_rng(settings.seed)
    count = int(runs.max()) + 1
    weight = settings.thin / settings.horizon_min
    found = []
    with one_thread():
        for _ in range(REPEATS):
            times = draw.multinomial(count, np.full(count, 1 / count))[runs].astype(np.float64)
            fitted = laid.fit(rows.outcome[train], exposure.features, weight=weight * times, penalties=(penalty,))
            found.append(fitted[0].calibrated(Calibration(slope=slope)))
    return found


def _effect(number: int, term: Term, again: Sequence[AdditiveModel]) -> Effect:
    values = np.linspace(term.low, term.high, GRID)
    ends = np.array([term.usual_low, term.usual_high])
    curves = np.array([m.terms[number].curve(values) for m in again])
    steps = np.array([np.diff(m.terms[number].curve(ends))[0] for m in again])
    low, high = np.quantile(curves, [0.025, 0.975], axis=0)
    step = float(np.diff(term.curve(ends))[0])
    return Effect(
        term=term,
        values=values,
        curve=term.curve(values),
        low=low,
        high=high,
        times=spread_of(float(np.exp(step)), np.exp(steps)),
    )


def odds_of(risk: float) -> str:
    """A chance in plain words: ``1 in 8``; from three tenths on, where one in so many is too coarse, ``7 in 10``."""
    if risk >= 0.95:
        return "more than 9 in 10"
    if risk >= 0.3:
        return f"{10 * risk:.0f} in 10"
    return f"1 in {1 / max(risk, 1e-4):.0f}"
