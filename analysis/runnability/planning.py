"""How long a trial must run before a change of the break rate can be shown."""

from __future__ import annotations

import numpy as np
from scipy import stats

from analysis.runnability.observed import Counted, Floats


def hours_needed(
    rate: float, change: float, *, power: float = 0.8, confidence: float = 0.95, dispersion: float = 1.0
) -> float:
    """On-reel hours a side to show a change of a rate by a two-sided test, with the given power. [h]

    rate
        Before. [1/h]
    change
        Relative: −0.2 for a fall by 20 %; not 0, and above −1.
    Formula: (z₁ + z₂)²·(r + r′)/(r − r′)²·dispersion, from the normal limit of both counts.
    """
    _check_change(change)
    after = rate * (1 + change)
    return _reach(power, confidence) ** 2 * dispersion * (rate + after) / (rate - after) ** 2


def hours_needed_after(
    before: Counted, change: float, *, power: float = 0.8, confidence: float = 0.95, dispersion: float = 1.0
) -> float:
    """On-reel hours needed after, when the time before is over; infinite if that was too short to ever do. [h]"""
    _check_change(change)
    after = before.rate * (1 + change)
    room = (before.rate - after) ** 2 / _reach(power, confidence) ** 2 / dispersion - before.rate / before.hours
    return after / room if room > 0 else float("inf")


def power_of_exact_test(
    before_expected: float, after_expected: float, *, exposure_ratio: float = 1.0, confidence: float = 0.95
) -> float:
    """Chance that the exact central test shows a difference, at these expected counts.

    exposure_ratio
        Hours after over hours before.
    """
    counts_before = _likely_counts(before_expected)
    counts_after = _likely_counts(after_expected)
    chance = np.outer(
        stats.poisson.pmf(counts_before, before_expected), stats.poisson.pmf(counts_after, after_expected)
    )
    total = counts_before[:, None] + counts_after[None, :]
    share = exposure_ratio / (1 + exposure_ratio)
    found = np.broadcast_to(counts_after[None, :], total.shape)
    tail = np.minimum(stats.binom.cdf(found, total, share), stats.binom.sf(found - 1, total, share))
    return float(chance[2 * tail <= 1 - confidence].sum())


def hours_needed_by_exact_test(rate: float, change: float, *, power: float = 0.8, confidence: float = 0.95) -> float:
    """As ``hours_needed``, for the exact test itself, which gives away a little power: to one hundredth. [h]"""
    low = hours_needed(rate, change, power=power, confidence=confidence)
    high = 1.5 * low + 10 / rate

    def reached(hours: float) -> bool:
        expected = rate * hours
        return power_of_exact_test(expected, expected * (1 + change), confidence=confidence) >= power

    while high - low > 0.01 * low:
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _likely_counts(expected: float) -> Floats:
    low, high = float(stats.poisson.ppf(1e-9, expected)), float(stats.poisson.isf(1e-9, expected))
    return np.arange(low, high + 1)


def _check_change(change: float) -> None:
    if not change or change <= -1:
        raise ValueError("a change must be above -1 (-100 %) and not 0")


def _reach(power: float, confidence: float) -> float:
    return float(stats.norm.isf((1 - confidence) / 2) + stats.norm.ppf(power))
