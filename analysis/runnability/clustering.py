"""Do breaks come in bad hours, days or shifts: answers that are corrected for how many of them were looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.figures.rates import Rate, rate_of
from analysis.runnability.dispersion import Dispersion, dispersion
from analysis.runnability.observed import Floats, Tally, TooFewEvents

SIMULATED = 9_999
"""Random tables for the test of a pattern with small expected counts: its p is then good to about 0.002 at 0.05."""
_SEED = 20_260_301


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share with its exact (Clopper-Pearson) interval; None of nothing."""

    count: int
    of: int
    share: float | None
    low: float | None
    high: float | None


def share_of(count: int, of: int, *, confidence: float = 0.95) -> Share:
    """How large a part ``count`` is of ``of``. Source: Clopper & Pearson, Biometrika 26 (1934) 404-413."""
    if not of:
        return Share(count=0, of=0, share=None, low=None, high=None)
    ends = stats.binomtest(count, of).proportion_ci(confidence, method="exact")
    return Share(count=count, of=of, share=count / of, low=float(ends.low), high=float(ends.high))


@dataclass(frozen=True, slots=True, kw_only=True)
class BadUnit:
    """A day (or shift) with more breaks than chance gives in so many days.

    p_value
        Chance of at least so many breaks in its on-reel hours, at the rate of all the others.
    adjusted
        The same, corrected for how many days were looked at (Benjamini-Hochberg).
    """

    label: str
    count: int
    hours: float
    p_value: float
    adjusted: float


def bad_units(tally: Tally, *, false_share: float = 0.05) -> tuple[BadUnit, ...]:
    """Units that stand out, in order of time; of those named, about ``false_share`` are expected to be chance.

    Each is compared with the rate of all others by the exact conditional test, one-sided.
    Source: Benjamini & Hochberg, J. Royal Statistical Society B 57 (1995) 289-300.
    """
    counts, hours = np.asarray(tally.counts), np.asarray(tally.hours)
    seen = np.flatnonzero(hours > 0)
    if seen.size < 2 or not counts.sum():
        return ()
    share = hours[seen] / hours.sum()
    chances = np.asarray(stats.binom.sf(counts[seen] - 1, counts.sum(), share), dtype=np.float64)
    adjusted = stats.false_discovery_control(chances)
    labels = tally.labels or tuple(str(i + 1) for i in range(counts.size))
    return tuple(
        BadUnit(
            label=labels[unit],
            count=int(counts[unit]),
            hours=float(hours[unit]),
            p_value=float(p),
            adjusted=float(q),
        )
        for unit, p, q in zip(seen, chances, adjusted, strict=True)
        if q <= false_share
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternBand:
    """One hour of the day, or one shift: its rate, and whether it differs from the others once all were looked at.

    adjusted
        Two-sided p of this band against all others, corrected for the number of bands (Benjamini-Hochberg).
    """

    label: str
    rate: Rate
    adjusted: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Whether breaks follow the clock (or the rota) at all, and the bands.

    p_value
        One test of all bands together; look at single bands only if it is small.
    """

    bands: tuple[PatternBand, ...]
    statistic: float
    df: int
    p_value: float


def pattern(tally: Tally, *, confidence: float = 0.95) -> Pattern:
    """Compare bands by their breaks and on-reel hours: one overall test, then each band corrected for their number.

    The overall p is Pearson's chi-square, from seeded random tables where a band expects fewer than five breaks.

    Raises
    ------
    TooFewEvents
        With fewer than two bands that ran, or no break.
    """
    ran = [i for i, h in enumerate(tally.hours) if h > 0]
    counts = np.asarray(tally.counts)[ran]
    hours = np.asarray(tally.hours)[ran]
    if len(ran) < 2 or not counts.sum():
        raise TooFewEvents("a pattern needs breaks, and at least two bands with on-reel time")
    share = hours / hours.sum()
    statistic = _chi_square(counts, share)
    each = [stats.binom.cdf(counts, counts.sum(), share), stats.binom.sf(counts - 1, counts.sum(), share)]
    adjusted = stats.false_discovery_control(np.minimum(1.0, 2 * np.minimum(*each)))
    labels = tally.labels or tuple(str(i + 1) for i in range(len(tally.counts)))
    bands = tuple(
        PatternBand(
            label=labels[i], rate=rate_of(int(counts[j]), float(hours[j]), confidence), adjusted=float(adjusted[j])
        )
        for j, i in enumerate(ran)
    )
    return Pattern(bands=bands, statistic=statistic, df=len(ran) - 1, p_value=_pattern_chance(statistic, counts, share))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Index of dispersion of counts over windows of so many units."""

    units: int
    found: Dispersion


def dispersion_by_scale(tally: Tally, *, units: Sequence[int] = (1, 7, 28)) -> tuple[Scale, ...]:
    """Index of dispersion over ever longer windows: one that grows with them means good and bad weeks, not days."""
    scales = []
    for size in units:
        found = dispersion(_joined(tally, size))
        if found is not None:
            scales.append(Scale(units=size, found=found))
    return tuple(scales)


def _joined(tally: Tally, size: int) -> Tally:
    whole = len(tally.counts) // size * size
    counts = np.asarray(tally.counts[:whole], dtype=np.int64).reshape(-1, size).sum(axis=1)
    hours = np.asarray(tally.hours[:whole], dtype=np.float64).reshape(-1, size).sum(axis=1)
    return Tally(counts=tuple(int(c) for c in counts), hours=tuple(float(h) for h in hours))


def _chi_square(counts: np.typing.NDArray[np.int64], share: Floats) -> float:
    expected = counts.sum() * share
    return float(((counts - expected) ** 2 / expected).sum())


def _pattern_chance(statistic: float, counts: np.typing.NDArray[np.int64], share: Floats) -> float:
    total = int(counts.sum())
    if (total * share).min() >= 5:
        return float(stats.chi2.sf(statistic, counts.size - 1))
    tables = np.random.default_rng(_SEED).multinomial(total, share, size=SIMULATED)
    expected = total * share
    drawn = ((tables - expected) ** 2 / expected).sum(axis=1)
    return float((1 + (drawn >= statistic - 1e-9).sum()) / (1 + SIMULATED))
