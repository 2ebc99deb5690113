"""The additive hazard, whose contributions add up to its score, and the boosted challenger."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Floats
from analysis.risk.windows import Feature

DEGREE = 3
BENDS = 4
"""Knots of a factor's curve, ends included."""
BEND_WEIGHT = 0.4
"""A bend costs the penalty this much more than a straight line: it must earn its place."""
PENALTIES = (0.01, 0.03, 0.1, 0.3)
"""Inverse strengths of the ridge penalty that are tried; which one is told by how well the past foresaw its future."""
EDGE = 0.01
"""Each factor is cut at these outer shares of what was learnt from; beyond them its curve is flat."""

Forecaster = Callable[[NDArray[np.float32]], Floats]
"""From feature values, shape (rows, features), to a score in log-odds, shape (rows,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One factor's curve: log-odds against its value, flat outside ``low`` to ``high``, 0 on average.

    number
        Column of the feature in the exposure table it was fitted on.
    fill
        Value taken for a missing one: the median.
    slope, middle
        Straight part: slope * (value - middle).
    usual_low, usual_high
        What it was in the middle 80 % of the learning minutes.
    knots, weights, offset
        Bent part: B-spline of degree 3 less ``offset``; no knots for a factor that is a straight line.
    """

    feature: Feature
    number: int
    low: float
    high: float
    fill: float
    slope: float
    middle: float
    usual_low: float
    usual_high: float
    knots: tuple[float, ...]
    weights: tuple[float, ...]
    offset: float

    def contribution(self, column: NDArray[np.float32]) -> Floats:
        """What this factor adds to the log-odds at each value; a missing one counts as the median."""
        return self.curve(np.where(np.isnan(column), self.fill, column).astype(np.float64))

    def curve(self, values: Floats) -> Floats:
        """What this factor adds to the log-odds at each of some known values."""
        from scipy.interpolate import BSpline  # noqa: PLC0415  scipy only where a figure needs it

        value = values.clip(self.low, self.high)
        straight: Floats = self.slope * (value - self.middle)
        if not self.knots:
            return straight
        bent: Floats = BSpline(np.array(self.knots), np.array(self.weights), DEGREE)(value)
        return straight + bent - self.offset

    def outside(self, column: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Where the value lies outside of what was learnt from."""
        return (column < self.low) | (column > self.high)

    def unheard_of(self, column: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Where the value lies outside of what was learnt from, or is missing."""
        return self.outside(column) | np.isnan(column)

    def scaled(self, factor: float) -> Term:
        """The same curve, steeper or flatter."""
        weights = tuple(factor * w for w in self.weights)
        return replace(self, slope=factor * self.slope, weights=weights, offset=factor * self.offset)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdditiveModel:
    """Log-odds of a break within the horizon = base + the contributions of its terms, exactly."""

    base: float
    terms: tuple[Term, ...]

    def contributions(self, values: NDArray[np.float32]) -> Floats:
        """What each factor adds to the log-odds, shape (rows, terms)."""
        if not self.terms:
            return np.zeros((len(values), 0))
        return np.column_stack([t.contribution(values[:, t.number]) for t in self.terms])

    def score(self, values: NDArray[np.float32]) -> Floats:
        """Log-odds of a break within the horizon."""
        log_odds: Floats = self.base + self.contributions(values).sum(axis=1)
        return log_odds

    def risk(self, values: NDArray[np.float32]) -> Floats:
        """Chance of a break within the horizon."""
        return chance(self.score(values))

    def outside(self, values: NDArray[np.float32]) -> Floats:
        """What share of its factors is missing, or beyond what was learnt from, at each row."""
        if not self.terms:
            return np.zeros(len(values))
        beyond: Floats = np.mean([t.unheard_of(values[:, t.number]) for t in self.terms], axis=0)
        return beyond

    def in_order(self) -> AdditiveModel:
        """The same model for values that hold its own factors and nothing else, in its own order."""
        return replace(self, terms=tuple(replace(t, number=n) for n, t in enumerate(self.terms)))

    def bound_to(self, features: tuple[Feature, ...]) -> AdditiveModel:
        """The same model for a table with other columns; KeyError names a feature that the table lacks."""
        number = {f.name: n for n, f in enumerate(features)}
        return replace(self, terms=tuple(replace(t, number=number[t.feature.name]) for t in self.terms))

    def calibrated(self, line: Calibration) -> AdditiveModel:
        """The same model with its log-odds stretched and shifted, term by term, so that they go on adding up."""
        terms = tuple(t.scaled(line.slope) for t in self.terms)
        return AdditiveModel(base=line.shift + line.slope * self.base, terms=terms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What past forecasts should have said: log-odds = shift + slope * score. A slope of 0 means: they knew nothing."""

    slope: float = 1.0
    shift: float = 0.0

    def __call__(self, score: Floats) -> Floats:
        """Calibrated log-odds."""
        return self.shift + self.slope * score


def chance(log_odds: Floats) -> Floats:
    """Log-odds as a chance."""
    return 1.0 / (1.0 + np.exp(-log_odds))


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """Chosen columns spread out into straight and bent parts, ready to be fitted with any penalty.

    columns
        Feature numbers, those in ``bent`` (positions among them) with a curve each.
    spread
        What the regression sees, shape (rows, straight parts then bent parts), each with mean 0.
    splines
        Basis of each bent one; ``bend_mean`` and ``bend_scale`` made its columns alike.
    """

    columns: list[int]
    bent: list[int]
    fill: Floats
    low: Floats
    high: Floats
    usual: Floats
    mean: Floats
    scale: Floats
    splines: list[Any]
    bend_mean: Floats
    bend_scale: Floats
    spread: Floats

    def fit(
        self,
        outcome: NDArray[np.int8],
        features: tuple[Feature, ...],
        *,
        weight: float | Floats,
        penalties: tuple[float, ...],
    ) -> tuple[AdditiveModel, ...]:
        """The additive discrete-time hazard for each penalty: a penalised logistic regression, read out as curves.

        weight
            Of each row, or of every row: 1 / rows per horizon, since all rows of one horizon tell of the same break.
        penalties
            Inverse strengths of the ridge penalty, as scikit-learn's C; rising, each begins where the last one ended.
        """
        from sklearn.linear_model import LogisticRegression  # noqa: PLC0415  1.5 s to import

        regression = LogisticRegression(solver="newton-cholesky", tol=1e-6, max_iter=50, warm_start=True)
        heavy = np.broadcast_to(np.asarray(weight, np.float64), len(outcome))
        models = []
        for penalty in penalties:
            regression.set_params(C=penalty).fit(self.spread, outcome, sample_weight=heavy)
            terms = _curves(self, regression.coef_[0], features)
            models.append(AdditiveModel(base=float(regression.intercept_[0]), terms=terms))
        return tuple(models)


def design(values: NDArray[np.float32], columns: list[int], bent: list[int]) -> Design:
    """Fill, cut and spread out the chosen columns of the learning rows.

    columns, bent
        Feature numbers; those in ``bent``, a part of ``columns``, may follow a curve.
    """
    from sklearn.preprocessing import SplineTransformer  # noqa: PLC0415  1.5 s to import

    if not columns:
        raise ValueError("no feature was chosen")
    chosen = values[:, columns].astype(np.float64)
    fill = np.nanmedian(chosen, axis=0)
    chosen = np.where(np.isnan(chosen), fill, chosen)
    low, usual_low, usual_high, high = np.quantile(chosen, [EDGE, 0.1, 0.9, 1 - EDGE], axis=0)
    chosen = chosen.clip(low, high)
    mean, scale = chosen.mean(axis=0), _scale(chosen)
    places = [n for n, number in enumerate(columns) if number in set(bent) and high[n] > low[n]]
    splines: list[Any] = []
    basis = np.empty((len(chosen), 0))
    if places:
        knots = np.linspace(low[places], high[places], BENDS)
        spline = SplineTransformer(degree=DEGREE, knots=knots, extrapolation="constant", include_bias=False)
        basis = spline.fit_transform(chosen[:, places])
        splines = spline.bsplines_
    bend_mean, bend_scale = basis.mean(axis=0), _scale(basis)
    return Design(
        columns=columns,
        bent=places,
        fill=fill,
        low=low,
        high=high,
        usual=np.array([usual_low, usual_high]),
        mean=mean,
        scale=scale,
        splines=splines,
        bend_mean=bend_mean,
        bend_scale=bend_scale,
        spread=np.hstack([(chosen - mean) / scale, BEND_WEIGHT * (basis - bend_mean) / bend_scale]),
    )


def _scale(columns: Floats) -> Floats:
    spread = columns.std(axis=0)
    return np.where(spread > 0, spread, 1.0)


def _curves(laid: Design, coefficients: Floats, features: tuple[Feature, ...]) -> tuple[Term, ...]:
    """The curves of a fitted regression, in the units of the features."""
    count = len(laid.columns)
    straight = coefficients[:count] / laid.scale
    shape = (len(laid.bent), len(laid.bend_scale) // max(len(laid.bent), 1))
    bends = (BEND_WEIGHT * coefficients[count:] / laid.bend_scale).reshape(shape)
    offsets = (bends * laid.bend_mean.reshape(shape)).sum(axis=1)
    terms = []
    for n, number in enumerate(laid.columns):
        bend = laid.bent.index(n) if n in laid.bent else None
        terms.append(
            Term(
                feature=features[number],
                number=number,
                low=float(laid.low[n]),
                high=float(laid.high[n]),
                fill=float(laid.fill[n]),
                slope=float(straight[n]),
                middle=float(laid.mean[n]),
                usual_low=float(laid.usual[0, n]),
                usual_high=float(laid.usual[1, n]),
                knots=() if bend is None else tuple(laid.splines[bend].t.tolist()),
                weights=() if bend is None else (*bends[bend].tolist(), 0.0),
                offset=0.0 if bend is None else float(offsets[bend]),
            )
        )
    return tuple(terms)


def fit_boosted(values: NDArray[np.float32], outcome: NDArray[np.int8], chosen: list[int], *, seed: int) -> Forecaster:
    """The challenger: boosted trees, which may find what a sum of curves cannot: factors that only act together."""
    from sklearn.ensemble import HistGradientBoostingClassifier  # noqa: PLC0415  1.5 s to import

    leaf = max(20, len(outcome) // 40)
    model = HistGradientBoostingClassifier(
        max_iter=80,
        learning_rate=0.06,
        max_leaf_nodes=6,
        min_samples_leaf=leaf,
        l2_regularization=5.0,
        early_stopping=False,
        random_state=seed,
    )
    model.fit(values[:, chosen], outcome)

    def forecast(new: NDArray[np.float32]) -> Floats:
        log_odds: Floats = model.decision_function(new[:, chosen])
        return log_odds

    return forecast


def calibrate(score: Floats, outcome: NDArray[np.int8]) -> Calibration:
    """The line through past forecasts that makes their chances come true; never steeper than they were.

    A model that foresaw nothing gets slope 0 and so says the base rate. Platt 1999 without his target smoothing: the
    rows are many.
    """
    from sklearn.linear_model import LogisticRegression  # noqa: PLC0415  1.5 s to import

    share = float(outcome.mean())
    if share in (0.0, 1.0):
        return Calibration()
    scale = float(score.std()) or 1.0
    line = LogisticRegression(C=1e6, solver="newton-cholesky").fit(score[:, None] / scale, outcome)
    slope = float(np.clip(line.coef_[0, 0] / scale, 0.0, 1.0))
    return Calibration(slope=slope, shift=_shift(slope * score, share))


def _shift(score: Floats, share: float) -> float:
    """What to add to log-odds so that their mean chance is ``share``: Newton's rule on a monotone function."""
    shift = float(np.log(share / (1 - share)) - score.mean())
    for _ in range(50):
        said = chance(score + shift)
        step = (share - said.mean()) / max(float((said * (1 - said)).mean()), 1e-12)
        shift += float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-10:
            break
    return shift
