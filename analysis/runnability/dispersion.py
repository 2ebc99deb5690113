"""Do breaks come one by one, or in clusters: counts of days against the Poisson law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.figures.rates import Rate, rate_of
from analysis.runnability.observed import Tally, TooFewEvents

LEVEL = 0.10
"""Of the test that decides whether intervals are widened: missing real clustering does more harm than some width."""


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


def _pearson(period: Tally) -> float:
    counts, hours = np.asarray(period.counts, dtype=np.float64), np.asarray(period.hours)
    expected = hours * (counts.sum() / hours.sum())
    return float(((counts - expected) ** 2 / expected).sum())
