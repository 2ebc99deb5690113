"""Do breaks come one by one, or in clusters: counts of days against the Poisson law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats
from scipy.special import digamma, gammaln, xlogy

from analysis.figures.rates import Rate, rate_of
from analysis.runnability.observed import Floats, Tally, TooFewEvents

LEVEL = 0.10
"""Of the test that decides whether intervals are widened: missing real clustering does more harm than some width."""
_Counts = tuple[Floats, Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispersion:
    """Index-of-dispersion test: are counts of equal chances more uneven than Poisson counts?

    index
        Variance over mean; 1 for independent breaks, above 1 where they come in clusters. For unequal exposures
        Pearson's chi-square over its degrees of freedom.
    p_value
        Upper tail of chi-square.
    """

    index: float
    statistic: float
    df: int
    p_value: float


def dispersion(*periods: Tally) -> Dispersion | None:
    """Test the counts of one or several periods, each about its own rate; None where there are too few units.

    Source: R. A. Fisher's index of dispersion; with unequal exposures Pearson's chi-square for Poisson counts.
    """
    used = [p.merged() for p in periods if sum(p.counts)]
    df = sum(len(p.counts) - 1 for p in used if p.counts)
    if df < 1:
        return None
    statistic = sum(_pearson(p) for p in used if p.counts)
    return Dispersion(index=statistic / df, statistic=statistic, df=df, p_value=float(stats.chi2.sf(statistic, df)))


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRate:
    """A rate over units with the interval that their scatter calls for. [1/h]

    widened
        True where the interval is quasi-Poisson, because the units scatter more than independent breaks would; else it
        is the exact one.
    """

    exact: Rate
    low: float
    high: float
    dispersion: Dispersion | None
    widened: bool


def unit_rate(tally: Tally, *, confidence: float = 0.95, level: float = LEVEL) -> UnitRate:
    """Breaks per on-reel hour: exact, unless the units are more uneven than Poisson at this level of the test.

    The widened interval is the rate times exp(±t·sqrt(dispersion/count)), Student's t on the units' degrees.

    Raises
    ------
    TooFewEvents
        Without on-reel time.
    """
    hours = sum(tally.hours)
    exact = rate_of(sum(tally.counts), hours, confidence)
    if exact.rate is None or exact.low is None or exact.high is None:
        raise TooFewEvents("the sheet was never on the reel in this period; there is no rate")
    found = dispersion(tally)
    if found is None or found.p_value >= level:
        return UnitRate(exact=exact, low=exact.low, high=exact.high, dispersion=found, widened=False)
    reach = float(stats.t.isf((1 - confidence) / 2, found.df) * np.sqrt(found.index / exact.count))
    low, high = exact.rate * np.exp(-reach), exact.rate * np.exp(reach)
    return UnitRate(exact=exact, low=float(low), high=float(high), dispersion=found, widened=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clustered:
    """Negative binomial counts: variance = mean + mean²/size; a large size is Poisson.

    size
        Infinite where the counts are no more uneven than Poisson ones.
    likelihood_ratio, p_value
        Against Poisson; p is half a chi-square tail, as the size lies on its edge under Poisson.
    """

    size: float
    size_by_moments: float
    log_likelihood: float
    likelihood_ratio: float
    p_value: float


def negative_binomial(*periods: Tally) -> Clustered:
    """Fit one size to the counts of one or several periods, each with its own rate, by maximum likelihood.

    Source: Bliss & Fisher, Biometrics 9 (1953) 176-200.
    """
    used = [p for p in periods if sum(p.counts)]
    if not used or sum(len(p.counts) for p in used) - len(used) < 1:
        raise TooFewEvents("a negative binomial needs at least two units with breaks among them")
    running = [_running(p) for p in used]
    poisson = _poisson_log_likelihood(running)
    fitted = min((_fitted(running, start) for start in (0.0, -3.0)), key=lambda result: result[1])
    gain = max(0.0, 2 * (-fitted[1] - poisson))
    return Clustered(
        size=float(np.exp(-fitted[0][-1])) if gain > 0 else float("inf"),
        size_by_moments=_moment_size(used),
        log_likelihood=max(-fitted[1], poisson),
        likelihood_ratio=gain,
        p_value=float(stats.chi2.sf(gain, 1)) / 2 if gain > 0 else 1.0,
    )


def _pearson(period: Tally) -> float:
    counts, hours = np.asarray(period.counts, dtype=np.float64), np.asarray(period.hours)
    expected = hours * (counts.sum() / hours.sum())
    return float(((counts - expected) ** 2 / expected).sum())


def _loss(parameters: Floats, periods: list[_Counts]) -> tuple[float, Floats]:
    """Negative log-likelihood in the log rates and the log of 1/size, and its slopes."""
    size = float(np.exp(-parameters[-1]))
    total, slopes, size_slope = 0.0, np.zeros_like(parameters), 0.0
    for i, (counts, hours) in enumerate(periods):
        means = np.exp(parameters[i]) * hours
        drawn = np.log(size / (size + means))
        of_size = gammaln(counts + size) - gammaln(size) - gammaln(counts + 1)
        total -= float((of_size + size * drawn + xlogy(counts, means / (size + means))).sum())
        slopes[i] = -float((size * (counts - means) / (size + means)).sum())
        size_slope += float((digamma(counts + size) - digamma(size) + drawn + (means - counts) / (size + means)).sum())
    slopes[-1] = size * size_slope
    return total, slopes


def _poisson_log_likelihood(periods: list[_Counts]) -> float:
    return sum(
        float(stats.poisson.logpmf(counts, counts.sum() / hours.sum() * hours).sum()) for counts, hours in periods
    )


def _running(period: Tally) -> _Counts:
    """Counts and hours of the units that ran."""
    counts, hours = np.asarray(period.counts, dtype=np.float64), np.asarray(period.hours, dtype=np.float64)
    return counts[hours > 0], hours[hours > 0]


def _fitted(periods: list[_Counts], start: float) -> tuple[Floats, float]:
    rates = [float(np.log(counts.sum() / hours.sum())) for counts, hours in periods]
    bounds = [(r - 3, r + 3) for r in rates] + [(-14.0, 6.0)]
    result = optimize.minimize(
        _loss,
        np.array([*rates, start]),
        args=(periods,),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"ftol": 1e-14, "gtol": 1e-9},
    )
    return np.asarray(result.x), float(result.fun)


def _moment_size(periods: list[Tally]) -> float:
    found = dispersion(*periods)
    counts = np.concatenate([np.asarray(p.counts, dtype=np.float64) for p in periods])
    excess = (found.index - 1) if found is not None else 0.0
    return float(counts.mean() / excess) if excess > 0 else float("inf")
