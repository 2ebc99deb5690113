"""Weibull lengths of runs with right-censoring: does the past of a run change its chance to break?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from analysis.runnability.observed import Floats, TooFewEvents
from analysis.runnability.survival import Runs

_SHAPES = (0.01, 200.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """Runs that outlast t: exp(−(t/scale)^shape). Shape 1: the past does not matter; below 1: worst just after restart.

    shape_low, shape_high, scale_low, scale_high
        Likelihood-ratio limits, with Student's t on (breaks − 1) degrees.
    shape_error, scale_error
        From the observed information. [scale in h]
    """

    shape: float
    scale: float
    shape_low: float
    shape_high: float
    scale_low: float
    scale_high: float
    shape_error: float
    scale_error: float
    log_likelihood: float
    confidence: float
    breaks: int

    @property
    def mean(self) -> float:
        """Mean length. [h]"""
        return float(self.scale * special.gamma(1 + 1 / self.shape))

    @property
    def deviation(self) -> float:
        """Standard deviation of the length. [h]"""
        second = special.gamma(1 + 2 / self.shape)
        return float(self.scale * np.sqrt(second - special.gamma(1 + 1 / self.shape) ** 2))

    @property
    def aic(self) -> float:
        """Akaike's criterion with two parameters."""
        return 4 - 2 * self.log_likelihood

    def surviving(self, hours: Floats) -> Floats:
        """Share of runs that last longer."""
        return np.asarray(np.exp(-((hours / self.scale) ** self.shape)))


def weibull(runs: Runs, *, confidence: float = 0.95) -> Weibull:
    """Fit by maximum likelihood with right-censoring (the profile equation in the shape, solved exactly).

    Source: NIST/SEMATECH e-Handbook 8.4.1.3; Meeker & Escobar, Statistical Methods for Reliability Data (1998), 8.

    Raises
    ------
    TooFewEvents
        With fewer than three breaks, or all at one length, or so alike that no shape within the limits fits.
    """
    lengths, broke = np.asarray(runs.hours), np.asarray(runs.broke, dtype=bool)
    if runs.breaks < 3 or np.unique(lengths[broke]).size < 2:
        raise TooFewEvents(f"a Weibull fit needs at least 3 runs that broke, there are {runs.breaks}")
    data = _Lengths(logs=np.log(lengths), breaks=runs.breaks, log_sum=float(np.log(lengths[broke]).sum()))
    if not _profile_slope(data, _SHAPES[0]) < 0 < _profile_slope(data, _SHAPES[1]):
        raise TooFewEvents("the runs that broke are too alike, or too far apart, for a Weibull fit")
    shape = _root(lambda k: _profile_slope(data, k), *_SHAPES)
    scale = _best_scale(data, shape)
    best = _log_likelihood(data, shape, scale)
    # Student's t: with the chi-square of many breaks, limits from 5 to 20 would hold in 92 to 94 % only (simulated).
    least = best - float(stats.t.isf((1 - confidence) / 2, runs.breaks - 1)) ** 2 / 2
    shape_low, shape_high = _around(shape, lambda k: _profile(data, k) - least)
    scale_low, scale_high = _around(scale, lambda c: _log_likelihood(data, _best_shape(data, c), c) - least)
    errors = np.sqrt(np.diag(np.linalg.inv(_information(data, shape, scale))))
    return Weibull(
        shape=shape,
        scale=scale,
        shape_low=shape_low,
        shape_high=shape_high,
        scale_low=scale_low,
        scale_high=scale_high,
        shape_error=float(errors[0]),
        scale_error=float(errors[1]),
        log_likelihood=best,
        confidence=confidence,
        breaks=runs.breaks,
    )


def large_sample_limits(value: float, error: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Limits of a positive parameter, symmetric on the log scale; for comparison with other programs."""
    reach = float(stats.norm.isf((1 - confidence) / 2)) * error / value
    return float(value * np.exp(-reach)), float(value * np.exp(reach))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lengths:
    """Logs of all lengths; the number of breaks and the sum of their logs."""

    logs: Floats
    breaks: int
    log_sum: float


def _log_likelihood(data: _Lengths, shape: float, scale: float) -> float:
    # Where the powers would overflow it is as unlikely as can be; a finite number keeps the root search sound.
    powers = np.exp(np.minimum(shape * (data.logs - np.log(scale)), 600.0))
    failed = data.breaks * (np.log(shape) - shape * np.log(scale)) + (shape - 1) * data.log_sum
    return float(failed - powers.sum())


def _profile(data: _Lengths, shape: float) -> float:
    """Greatest log-likelihood for a given shape: at the best scale the powers sum to the number of breaks."""
    times_log_scale = float(special.logsumexp(shape * data.logs)) - np.log(data.breaks)
    return float(data.breaks * (np.log(shape) - times_log_scale - 1) + (shape - 1) * data.log_sum)


def _profile_slope(data: _Lengths, shape: float) -> float:
    weights = np.exp(shape * (data.logs - data.logs.max()))
    return float((weights * data.logs).sum() / weights.sum() - 1 / shape - data.log_sum / data.breaks)


def _best_scale(data: _Lengths, shape: float) -> float:
    return float(np.exp((special.logsumexp(shape * data.logs) - np.log(data.breaks)) / shape))


def _best_shape(data: _Lengths, scale: float) -> float:
    """Shape of greatest likelihood for a given scale; the slope only falls."""
    offsets = data.logs - np.log(scale)
    failed = data.log_sum - data.breaks * np.log(scale)

    def slope(shape: float) -> float:
        with np.errstate(over="ignore"):
            return float(data.breaks / shape + failed - (np.exp(shape * offsets) * offsets).sum())

    return _SHAPES[1] if slope(_SHAPES[1]) > 0 else _root(slope, *_SHAPES)


def _information(data: _Lengths, shape: float, scale: float) -> Floats:
    """Observed information of (shape, scale) at the maximum, where the powers sum to the number of breaks."""
    offsets = data.logs - np.log(scale)
    powers = np.exp(shape * offsets)
    mixed = -shape / scale * float((powers * offsets).sum())
    shapes = data.breaks / shape**2 + float((powers * offsets**2).sum())
    return np.array([[shapes, mixed], [mixed, data.breaks * shape**2 / scale**2]])


def _around(best: float, excess: Callable[[float], float]) -> tuple[float, float]:
    """Where a profile falls to its limit, below and above its maximum; 0 and infinite where it never does."""
    ends = []
    for direction, none in ((-1.0, 0.0), (1.0, float("inf"))):
        reach = 1.2**direction
        while excess(best * reach) > 0 and 1e-6 < reach < 1e6:
            reach *= 1.5**direction
        found = excess(best * reach) <= 0
        ends.append(_root(excess, *sorted((best, best * reach))) if found else none)
    return ends[0], ends[1]


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(function, low, high, xtol=1e-13, rtol=1e-13))
