"""Is the break rate of a repairable system constant, rising or falling: tests, exact where they can be.

All four look at where the breaks lie in their windows. A constant (Poisson) rate scatters them evenly; a rising one
crowds them at the end. They answer different questions and may disagree: Laplace is best against a step or a rate that
changes like exp(bt), the handbook test against a power of time, reverse arrangements against any steady change in the
gaps, Anderson-Darling against any unevenness, in whatever direction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from analysis.runnability.observed import Floats, Observed, TooFewEvents

EXACT_UP_TO = 400
"""Gaps up to which reverse arrangements are counted exactly (0.1 s at 400); above it the normal limit is used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest:
    """What one test says.

    p_rising, p_falling
        Chance of a statistic at least so far out on that side if the rate were constant; None where a test has no side.
    p_value
        Two-sided: twice the smaller of the two, at most 1.
    df
        Degrees of freedom, where it has any.
    """

    name: str
    statistic: float
    events: int
    p_value: float
    p_rising: float | None = None
    p_falling: float | None = None
    df: int | None = None


def laplace(systems: Sequence[Observed], *, dispersion: float = 1.0) -> TrendTest:
    """Laplace's centroid test, pooled over systems; above 0 means breaks crowd towards the end (a rising rate).

    U = Σ(t − T/2) / sqrt(Σ n T²/12), over the root of the dispersion where breaks come in clusters (an approximation).
    An event-truncated system gives its last event as T.
    Source: Ascher & Feingold, Repairable Systems Reliability (1984); NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    centred = np.concatenate([s.informative - (s.start + s.end) / 2 for s in systems])
    _need(centred.size, 2)
    variance = sum(s.informative.size * s.hours**2 for s in systems) / 12 * dispersion
    return _normal_test("Laplace", float(centred.sum() / np.sqrt(variance)), centred.size)


def lewis_robinson(system: Observed) -> TrendTest:
    """Laplace's U over the coefficient of variation of the gaps: holds also where breaks come clustered (renewals).

    Source: Lewis & Robinson (1974), in Ascher & Feingold (1984).
    """
    _need(len(system.events), 3)
    spread = float(np.std(system.gaps, ddof=1) / np.mean(system.gaps))
    if not spread > 0:
        raise TooFewEvents("all gaps between breaks are equal; Lewis-Robinson needs some spread")
    return _normal_test("Lewis-Robinson", laplace([system]).statistic / spread, len(system.events))


def military_handbook(systems: Sequence[Observed]) -> TrendTest:
    """The handbook's chi-square test, pooled over systems; a large value means a falling rate.

    2 Σ ln(T/t) is chi-square with 2n degrees of freedom (2(n − 1) for an event-truncated system).
    Source: MIL-HDBK-189 (1981); NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    places = _places(systems)
    _need(places.size, 2)
    statistic, df = float(-2 * np.log(places).sum()), 2 * places.size
    rising, falling = float(stats.chi2.cdf(statistic, df)), float(stats.chi2.sf(statistic, df))
    return TrendTest(
        name="MIL-HDBK-189",
        statistic=statistic,
        events=places.size,
        df=df,
        p_rising=rising,
        p_falling=falling,
        p_value=min(1.0, 2 * min(rising, falling)),
    )


def reverse_arrangements(gaps: Sequence[float] | Floats) -> TrendTest:
    """How many pairs of gaps are in rising order; many mean growing gaps, a falling rate. Any distribution of gaps.

    Counts pairs j < k with gap_j < gap_k. A tie counts against the side that is being shown, so both p are on the
    safe side. The distribution is that of inversions of a random permutation, exact up to 400 gaps.
    Source: Kendall (1938); NIST/SEMATECH e-Handbook 8.2.3.4 (whose +0.5 for r > 12 is not used: it makes p too small).
    """
    values = np.asarray(gaps, dtype=np.float64)
    _need(values.size, 4)
    pairs = np.triu_indices(values.size, k=1)
    earlier, later = values[pairs[0]], values[pairs[1]]
    rises, ties = int((earlier < later).sum()), int((earlier == later).sum())
    falling, rising = arrangements_at_least(rises, values.size), arrangements_at_most(rises + ties, values.size)
    return TrendTest(
        name="reverse arrangements",
        statistic=float(rises),
        events=values.size,
        p_rising=rising,
        p_falling=falling,
        p_value=min(1.0, 2 * min(rising, falling)),
    )


def arrangements_at_most(count: int, gaps: int) -> float:
    """Chance of at most so many reverse arrangements among so many gaps in random order."""
    if gaps > EXACT_UP_TO:
        mean, variance = gaps * (gaps - 1) / 4, gaps * (gaps - 1) * (2 * gaps + 5) / 72
        return float(stats.norm.cdf((count + 0.5 - mean) / np.sqrt(variance)))
    chances = _inversions(gaps)
    return float(min(1.0, chances[: max(0, count + 1)].sum()))


def arrangements_at_least(count: int, gaps: int) -> float:
    """Chance of at least so many reverse arrangements: by symmetry that of at most the others."""
    return arrangements_at_most(gaps * (gaps - 1) // 2 - count, gaps)


def anderson_darling(systems: Sequence[Observed]) -> TrendTest:
    """Whether breaks lie evenly in their windows at all; sensitive near the ends, without direction.

    Source of the distribution: Marsaglia & Marsaglia, J. Statistical Software 9(2), 2004 (error below 1e-5).
    """
    places = np.sort(_places(systems))
    _need(places.size, 2)
    if places[-1] >= 1:
        raise TooFewEvents("a break at the very end of its window makes Anderson-Darling infinite; end a little later")
    odd = 2 * np.arange(1, places.size + 1) - 1
    statistic = float(-places.size - (odd * (np.log(places) + np.log1p(-places[::-1]))).sum() / places.size)
    return TrendTest(
        name="Anderson-Darling",
        statistic=statistic,
        events=places.size,
        p_value=1 - _anderson_darling_below(statistic, places.size),
    )


def _places(systems: Sequence[Observed]) -> Floats:
    return np.concatenate([(s.informative - s.start) / s.hours for s in systems])


def _need(found: int, least: int) -> None:
    if found < least:
        raise TooFewEvents(f"a trend needs at least {least} breaks, there are {found}; ask for a longer period")


def _normal_test(name: str, statistic: float, events: int) -> TrendTest:
    return TrendTest(
        name=name,
        statistic=statistic,
        events=events,
        p_rising=float(stats.norm.sf(statistic)),
        p_falling=float(stats.norm.cdf(statistic)),
        p_value=float(2 * stats.norm.sf(abs(statistic))),
    )


@lru_cache(maxsize=8)
def _inversions(size: int) -> Floats:
    """Chances of 0, 1, … inversions of a random permutation: the k-th item adds 0 … k−1, equally likely."""
    chances = np.ones(1)
    for k in range(2, size + 1):
        summed = np.cumsum(np.concatenate([chances, np.zeros(k - 1)]))
        summed[k:] -= summed[:-k].copy()
        chances = summed / k
    return chances


def _anderson_darling_below(z: float, n: int) -> float:
    x = _anderson_darling_limit(z)
    return min(1.0, x + _anderson_darling_correction(x, n))


def _anderson_darling_limit(z: float) -> float:
    if z < 2:
        poly = np.polyval([0.00168691, -0.011672, 0.0347962, -0.0649821, 0.247105, 2.00012], z)
        return float(np.exp(-1.2337141 / z) / np.sqrt(z) * poly)
    return float(np.exp(-np.exp(np.polyval([0.0003146, -0.008056, 0.082433, -0.43424, 2.30695, -1.0776], z) * -1)))


def _anderson_darling_correction(x: float, n: int) -> float:
    if x > 0.8:
        return float(np.polyval([255.7844, -1116.360, 1950.646, -1705.091, 745.2337, -130.2137], x)) / n
    edge = 0.01265 + 0.1757 / n
    if x < edge:
        t = x / edge
        return float(np.sqrt(t) * (1 - t) * (49 * t - 102)) * (0.0037 / n**3 + 0.00078 / n**2 + 0.00006 / n)
    t = (x - edge) / (0.8 - edge)
    poly = float(np.polyval([-1.91864, 8.259, -14.458, 14.6538, -6.54034, 0.00022633], t))
    return -poly * (0.04213 + 0.01365 / n) / n
