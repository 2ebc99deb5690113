"""How long something takes: mean and median with intervals, and how much longer what has begun will take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median, variance

from scipy.special import bdtr, betaincinv, stdtrit

from analysis.figures.rates import CONFIDENCE

FEWEST = 5
"""Fewer values than this say nothing that one would act on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its two-sided interval; None where there are too few values for one. In the unit of the values."""

    value: float
    low: float | None
    high: float | None


def mean_length(values: Sequence[float], confidence: float = CONFIDENCE) -> Estimate | None:
    """Arithmetic mean of lengths of time, with the modified Cox interval of a lognormal mean; None without any.

    exp(m + s²/2 ± t √(s²/n + s⁴/(2(n − 1)))), m and s² mean and variance of the logarithms, t Student's on n − 1:
    U. Olsson, Journal of Statistics Education 13(1) (2005). Lost times are skewed to the right, for which Student's
    own interval is too short above. The interval is stretched to hold the mean it stands beside.
    """
    if not values:
        return None
    mean, n = fmean(values), len(values)
    if n < FEWEST or min(values) <= 0:
        return Estimate(value=mean, low=None, high=None)
    logs = [math.log(v) for v in values]
    s2 = variance(logs)
    centre = fmean(logs) + s2 / 2
    reach = float(stdtrit(n - 1, (1 + confidence) / 2)) * math.sqrt(s2 / n + s2 * s2 / (2 * (n - 1)))
    return Estimate(value=mean, low=min(mean, math.exp(centre - reach)), high=max(mean, math.exp(centre + reach)))


def median_length(values: Sequence[float], confidence: float = CONFIDENCE) -> Estimate | None:
    """Median with its distribution-free interval; None without any value.

    The k-th smallest to the k-th largest value, k the greatest with P(Bin(n, ½) < k) ≤ (1 − confidence)/2: W. J.
    Conover, Practical Nonparametric Statistics, 3rd ed. (1999), 3.2. From 6 values on at 95 %; at least that sure.
    """
    if not values:
        return None
    order, k = sorted(values), 0
    while k < len(order) // 2 and bdtr(k, len(order), 0.5) <= (1 - confidence) / 2:
        k += 1
    low, high = (order[k - 1], order[-k]) if k else (None, None)
    return Estimate(value=median(order), low=low, high=high)


def share(hits: int, of: int, confidence: float = CONFIDENCE) -> Estimate | None:
    """A share with its exact interval (Clopper and Pearson, Biometrika 26 (1934) 404-413); None of nothing. [-]"""
    if not of:
        return None
    tail = (1 - confidence) / 2
    low = float(betaincinv(hits, of - hits + 1, tail)) if hits else 0.0
    high = float(betaincinv(hits + 1, of - hits, 1 - tail)) if hits < of else 1.0
    return Estimate(value=hits / of, low=low, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """How much longer a downtime will last that has lasted so long already, from those that did. [ms]

    left_ms
        What was still to come of each of them, in order of length.
    expected
        Median of these with its interval.
    """

    elapsed_ms: int
    left_ms: tuple[int, ...]
    expected: Estimate

    def longer_than(self, ms: float) -> Estimate | None:
        """Share of them that lasted longer than so much more, with its exact interval. [-]"""
        return share(sum(left > ms for left in self.left_ms), len(self.left_ms))


def residual_life(past_ms: Sequence[int], elapsed_ms: int) -> Residual | None:
    """What is still to come of a downtime after so long, from this machine's finished ones; None with fewer than five.

    past_ms
        Lost time of finished downtimes, each known for certain. [ms]
    """
    left = sorted(ms - elapsed_ms for ms in past_ms if ms > elapsed_ms)
    expected = median_length(left)
    if len(left) < FEWEST or expected is None:
        return None
    return Residual(elapsed_ms=elapsed_ms, left_ms=tuple(left), expected=expected)
