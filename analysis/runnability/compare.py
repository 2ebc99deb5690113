"""Did the break rate change, by how much, and how sure can one be: exact where breaks are independent, else wider."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import optimize, stats

from analysis.runnability.dispersion import LEVEL, Dispersion, dispersion
from analysis.runnability.observed import Counted, Tally, TooFewEvents


class Tail(StrEnum):
    """Which counts are called "at least as extreme" as the one found."""

    CENTRAL = "central"
    """Twice the smaller tail: agrees with the interval, and is what this project reports."""
    LEAST_LIKELY = "least_likely"
    """All counts no likelier than the one found: what R's poisson.test and scipy's binomtest give."""
    GREATER = "greater"
    LESS = "less"


class Method(StrEnum):
    """How the interval was made."""

    EXACT = "exact conditional"
    MID_P = "exact conditional, mid-p"
    QUASI_POISSON = "quasi-Poisson"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """First rate over second, with a two-sided interval and the p-value that agrees with it.

    high
        Infinite where the second period had no breaks.
    ratio
        NaN where neither had any.
    dispersion
        Factor by which the variance of counts exceeds a Poisson one; 1 for the exact methods.
    """

    ratio: float
    low: float
    high: float
    p_value: float
    confidence: float
    method: Method
    dispersion: float = 1.0

    @property
    def shown(self) -> bool:
        """Whether the interval leaves out "no change"."""
        return self.low > 1 or self.high < 1


def exact_ratio(first: Counted, second: Counted, *, confidence: float = 0.95, mid_p: bool = False) -> Ratio:
    """Ratio of two Poisson rates, conditional on their total: the first count is then binomial.

    The interval is Clopper and Pearson's, turned into a ratio; with ``mid_p`` only half the chance of the count found
    goes into each tail: nearer to its nominal coverage, but without guarantee.
    Source: Przyborowski & Wilenski, Biometrika 31 (1940) 313-323.
    """
    total, tail = first.events + second.events, (1 - confidence) / 2
    low = _share_at(first.events, total, tail, upper=False, mid_p=mid_p)
    high = _share_at(first.events, total, tail, upper=True, mid_p=mid_p)
    scale = second.hours / first.hours
    return Ratio(
        ratio=first.rate / second.rate if second.events else (float("inf") if first.events else float("nan")),
        low=_odds(low) * scale,
        high=_odds(high) * scale,
        p_value=ratio_p_value(first, second, mid_p=mid_p),
        confidence=confidence,
        method=Method.MID_P if mid_p else Method.EXACT,
    )


def ratio_p_value(
    first: Counted, second: Counted, *, null_ratio: float = 1.0, tail: Tail = Tail.CENTRAL, mid_p: bool = False
) -> float:
    """Chance, at a true ratio of ``null_ratio``, of a split of the total at least as extreme as the one found."""
    total = first.events + second.events
    share = null_ratio * first.hours / (null_ratio * first.hours + second.hours)
    found = float(stats.binom.pmf(first.events, total, share))
    half = found / 2 if mid_p else 0.0
    at_most = float(stats.binom.cdf(first.events, total, share)) - half
    at_least = float(stats.binom.sf(first.events - 1, total, share)) - half
    match tail:
        case Tail.GREATER:
            return at_least
        case Tail.LESS:
            return at_most
        case Tail.CENTRAL:
            return min(1.0, 2 * min(at_most, at_least))
        case Tail.LEAST_LIKELY:
            return float(stats.binomtest(first.events, total, share).pvalue) - half if total else 1.0


def quasi_poisson_ratio(first: Tally, second: Tally, *, confidence: float = 0.95) -> Ratio:
    """Ratio of two rates with the variance that the units really show: variance = dispersion · mean.

    A log ratio with Student's t on the units' degrees of freedom. The dispersion is never taken below 1.
    Source: Wedderburn (1974); McCullagh & Nelder, Generalized Linear Models (1989), 6.2.

    Raises
    ------
    TooFewEvents
        If a period has no break, or there are fewer than three units: take the exact interval.
    """
    one, two, found = first.total, second.total, dispersion(first, second)
    if found is None or not one.events or not two.events:
        raise TooFewEvents("a quasi-Poisson ratio needs breaks in both periods, and three units; take the exact one")
    factor = max(1.0, found.index)
    error = np.sqrt(factor * (1 / one.events + 1 / two.events))
    return _log_ratio(one, two, float(error), confidence, Method.QUASI_POISSON, factor, found.df)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The answer of a comparison and what led to its method.

    chosen
        What is reported.
    exact
        The exact conditional interval, whatever was chosen.
    dispersion
        None where there were too few units to test; the exact interval is then reported unchecked.
    """

    before: Counted
    after: Counted
    chosen: Ratio
    exact: Ratio
    dispersion: Dispersion | None


def compare(
    before: Tally, after: Tally, *, confidence: float = 0.95, mid_p: bool = False, level: float = LEVEL
) -> Comparison:
    """After over before. The exact method, unless the units are more uneven than Poisson: then quasi-Poisson.

    level
        Of the dispersion test.
    """
    exact = exact_ratio(after.total, before.total, confidence=confidence, mid_p=mid_p)
    found = dispersion(before, after)
    chosen = exact
    if found is not None and found.p_value < level and before.total.events and after.total.events:
        chosen = quasi_poisson_ratio(after, before, confidence=confidence)
    return Comparison(before=before.total, after=after.total, chosen=chosen, exact=exact, dispersion=found)


def _share_at(count: int, total: int, tail: float, *, upper: bool, mid_p: bool) -> float:
    """End of the interval of a binomial share."""
    if total == 0 or count == (total if upper else 0):
        return float(upper)
    if not mid_p:
        return float(
            stats.beta.isf(tail, count + 1, total - count) if upper else stats.beta.ppf(tail, count, total - count + 1)
        )

    def miss(share: float) -> float:
        half = float(stats.binom.pmf(count, total, share)) / 2
        beyond = stats.binom.cdf(count, total, share) if upper else stats.binom.sf(count - 1, total, share)
        return float(beyond) - half - tail

    return float(optimize.brentq(miss, 1e-12, 1 - 1e-12, xtol=1e-14))


def _odds(share: float) -> float:
    return share / (1 - share) if share < 1 else float("inf")


def _log_ratio(
    one: Counted, two: Counted, error: float, confidence: float, method: Method, factor: float, df: int
) -> Ratio:
    centre = float(np.log(one.rate / two.rate))
    reach = float(stats.t.isf((1 - confidence) / 2, df)) * error
    return Ratio(
        ratio=one.rate / two.rate,
        low=float(np.exp(centre - reach)),
        high=float(np.exp(centre + reach)),
        p_value=float(2 * stats.t.sf(abs(centre) / error, df)),
        confidence=confidence,
        method=method,
        dispersion=factor,
    )
