"""How often something happens, with exact intervals: counts are Poisson, exposure is time on the reel."""

from __future__ import annotations

from dataclasses import dataclass

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A number of events per unit of exposure, with its exact two-sided interval.

    rate, low, high
        Per unit of exposure; None where there was no exposure.
    """

    count: int
    exposure: float
    confidence: float
    rate: float | None
    low: float | None
    high: float | None

    def per(self, units: float) -> tuple[float, float, float] | None:
        """Rate, low and high per so many units of exposure; None where there was none."""
        if self.rate is None or self.low is None or self.high is None:
            return None
        return self.rate * units, self.low * units, self.high * units


def count_interval(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided interval of the mean of a Poisson count.

    Quantiles of the gamma (half a chi-squared) distribution: F. Garwood, Fiducial limits for the Poisson
    distribution, Biometrika 28 (1936) 437-442. For a count of 0 the lower end is 0, and the upper end is that of the
    two-sided interval (3.69 at 95 %), not the one-sided bound (3.00): see ``upper_bound``.
    """
    from scipy.special import gammaincinv  # noqa: PLC0415 - takes a third of a second, and most answers do without it

    tail = (1 - confidence) / 2
    low = float(gammaincinv(count, tail)) if count else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def upper_bound(count: int, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of the mean of a Poisson count: for 0 events, -ln(1 - confidence)."""
    from scipy.special import gammaincinv  # noqa: PLC0415 - takes a third of a second, and most answers do without it

    return float(gammaincinv(count + 1, confidence))


def rate_of(count: int, exposure: float, confidence: float = CONFIDENCE) -> Rate:
    """Rate of events per unit of exposure (of whatever unit), with its exact interval."""
    if exposure <= 0:
        return Rate(count=count, exposure=0.0, confidence=confidence, rate=None, low=None, high=None)
    low, high = count_interval(count, confidence)
    return Rate(
        count=count,
        exposure=exposure,
        confidence=confidence,
        rate=count / exposure,
        low=low / exposure,
        high=high / exposure,
    )


def mean_time_between(rate: Rate) -> tuple[float | None, float | None, float | None]:
    """Mean exposure between events with its interval, from the rate's turned over; None where it has no end.

    NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (a test that ends at a set time).
    """

    def turned(value: float | None) -> float | None:
        return 1 / value if value else None

    return turned(rate.rate), turned(rate.high), turned(rate.low)
