"""Measures of a forecast against what followed. Pure; arrays of one length unless said otherwise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Floats, Ints

Truths = NDArray[np.int8] | NDArray[np.int64] | NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A figure with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationBin:
    """Forecasts of about the same size, and how often it came true."""

    said: float
    came: float
    count: int


def ranking(outcome: Truths, score: Floats) -> tuple[float, float]:
    """Average precision and area under the ROC curve of rows in falling order of score.

    Average precision is the sum over thresholds of the rise of recall times precision, without interpolation
    (definition of the scikit-learn reference, ``average_precision_score``). The area is the chance that a row that came
    true outscores one that did not, ties half. Both NaN where there is nothing to rank.
    """
    order = np.argsort(-score, kind="stable")
    ends = np.append(np.flatnonzero(np.diff(score[order])), len(order) - 1)
    hits = np.cumsum(np.asarray(outcome, np.float64)[order])[ends]
    precision, area = _measures(np.diff(hits, prepend=0.0), np.diff(ends, prepend=-1).astype(np.float64))
    return float(precision), float(area)


def _measures(hits: Floats, count: Floats) -> tuple[Floats, Floats]:
    """Average precision and area from hits and rows per step of falling score (last axis)."""
    hits_upto, upto = hits.cumsum(axis=-1), count.cumsum(axis=-1)
    total, false = hits_upto[..., -1], upto[..., -1] - hits_upto[..., -1]
    with np.errstate(divide="ignore", invalid="ignore"):
        precision = (hits * hits_upto / np.where(upto > 0, upto, 1.0)).sum(axis=-1) / total
        area = ((count - hits) * (hits_upto - hits / 2)).sum(axis=-1) / (total * false)
    return precision, area


@dataclass(frozen=True, slots=True, kw_only=True)
class Resampling:
    """Bootstrap over whole days, since the minutes of one day tell of each other.

    number
        Which day each row belongs to, from 0.
    drawn
        How often each day is drawn, shape (repeats, days).
    """

    number: Ints
    drawn: NDArray[np.float64]

    @classmethod
    def of(cls, days: Ints, repeats: int, seed: int) -> Resampling:
        """Draw days with replacement, as many as there are."""
        number = np.unique(days, return_inverse=True)[1]
        whole = int(number.max()) + 1
        drawn = np.random.default_rng(seed).multinomial(whole, np.full(whole, 1 / whole), size=repeats)
        return cls(number=number, drawn=drawn.astype(np.float64))

    def sums(self, values: Floats) -> NDArray[np.float64]:
        """Sum of the rows' values in each repeat."""
        again: NDArray[np.float64] = self.drawn @ np.bincount(self.number, values, minlength=self.drawn.shape[1])
        return again

    def ranking(self, outcome: Truths, score: Floats) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Average precision and area in each repeat, with scores gathered into at most ``STEPS`` steps."""
        step = _steps(score)
        days, steps = self.drawn.shape[1], int(step.max()) + 1
        cell = self.number * steps + step
        came = np.asarray(outcome, np.float64)
        hits = np.bincount(cell, came, minlength=days * steps).reshape(days, steps)
        count = np.bincount(cell, minlength=days * steps).reshape(days, steps)
        return _measures(self.drawn @ hits, self.drawn @ count)


STEPS = 500


def _steps(score: Floats) -> Ints:
    """Scores as steps from the highest, 0, down."""
    edges = np.unique(np.quantile(score, np.linspace(0, 1, STEPS + 1)[1:-1]))
    return len(edges) - np.searchsorted(edges, score, side="right")


def brier(outcome: Truths, chance: Floats) -> float:
    """Mean squared difference of forecast chance and outcome (Brier 1950); 0 is perfect."""
    return float(np.mean((chance - outcome) ** 2))


def brier_skill(outcome: Truths, chance: Floats, reference: Floats) -> float:
    """Share of the reference forecast's Brier score that is saved; 0 no better, below 0 worse, 1 perfect."""
    return 1.0 - brier(outcome, chance) / brier(outcome, reference)


def log_loss(outcome: Truths, chance: Floats) -> float:
    """Mean of minus the log of the chance given to what happened."""
    inside = chance.clip(1e-12, 1 - 1e-12)
    return float(-np.mean(np.where(outcome == 1, np.log(inside), np.log1p(-inside))))


def calibration(outcome: Truths, chance: Floats, edges: Floats) -> list[CalibrationBin]:
    """Forecasts binned by ``edges`` (the upper edge belongs to the bin), against how often they came true."""
    number = np.searchsorted(edges[1:-1], chance, side="left")
    found = []
    for n in range(len(edges) - 1):
        here = number == n
        if here.any():
            said, came = float(chance[here].mean()), float(np.mean(outcome[here]))
            found.append(CalibrationBin(said=said, came=came, count=int(here.sum())))
    return found


def share_interval(hits: int, count: int, level: float = 0.95) -> Interval:
    """A share with its exact interval (Clopper and Pearson 1934); NaN to 0..1 for a count of 0."""
    from scipy.special import betaincinv  # noqa: PLC0415  scipy only where a figure needs it

    if count == 0:
        return Interval(value=float("nan"), low=0.0, high=1.0)
    tail = (1 - level) / 2
    low = float(betaincinv(hits, count - hits + 1, tail)) if hits else 0.0
    high = float(betaincinv(hits + 1, count - hits, 1 - tail)) if hits < count else 1.0
    return Interval(value=hits / count, low=low, high=high)


def paired_difference(both: int, only_ours: int, only_theirs: int, neither: int) -> Interval:
    """Difference of two shares of the same breaks, ours less theirs, with a score interval (Newcombe 1998, no. 10)."""
    a, b, c, d = both, only_ours, only_theirs, neither
    count = a + b + c + d
    if count == 0:
        return Interval(value=0.0, low=-1.0, high=1.0)
    ours, theirs = _wilson(a + b, count), _wilson(a + c, count)
    cross = float(a * d - b * c)
    if cross > 0:
        cross = max(cross - count / 2, 0)  # the continuity correction of the method
    spread = np.sqrt(float((a + b) * (c + d) * (a + c) * (b + d)))
    phi = cross / spread if spread > 0 else 0.0
    value = (b - c) / count
    down = _joined(ours.value - ours.low, theirs.high - theirs.value, phi)
    up = _joined(ours.high - ours.value, theirs.value - theirs.low, phi)
    return Interval(value=value, low=value - down, high=value + up)


def disagreement_p(only_ours: int, only_theirs: int) -> float:
    """Two-sided exact chance of disagreements as one-sided as these, if both were equally good (McNemar, binomial)."""
    from scipy.special import bdtr  # noqa: PLC0415  scipy only where a figure needs it

    apart = only_ours + only_theirs
    return min(1.0, 2 * float(bdtr(min(only_ours, only_theirs), apart, 0.5)))


def _wilson(hits: int, count: int) -> Interval:
    z = 1.959963984540054
    share = hits / count
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * np.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return Interval(value=share, low=float(max(middle - half, 0.0)), high=float(min(middle + half, 1.0)))


def _joined(one: float, other: float, phi: float) -> float:
    return float(np.sqrt(max(one**2 - 2 * phi * one * other + other**2, 0.0)))


def spread_of(value: float, again: NDArray[np.float64]) -> Interval:
    """A figure with the middle 95 % of its bootstrap repeats."""
    good = again[~np.isnan(again)]
    low, high = np.quantile(good, [0.025, 0.975]) if len(good) else (np.nan, np.nan)
    return Interval(value=value, low=float(low), high=float(high))
