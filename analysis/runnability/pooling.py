"""Partial pooling: what groups with few cases really tell, drawn towards the mean of all as far as the data warrant.

Both models integrate over how alike the groups are, on a grid, instead of plugging in one estimate: with four crews
that estimate is often "exactly alike", and intervals made from it are far too narrow.

Source: Gelman, Carlin, Stern, Dunson, Vehtari & Rubin, Bayesian Data Analysis (3rd ed. 2013), 5.3 (shares, with its
hyperprior) and 5.4 (means).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy import optimize
from scipy.special import betainc, betaln, expit, logsumexp, ndtr

from analysis.runnability.observed import Floats, TooFewEvents

_LOGITS = np.linspace(-6.0, 6.0, 81)
_LOG_SIZES = np.linspace(0.0, np.log(3000.0), 49)
_SPREADS = 201
_NEGLIGIBLE = 1e-6
"""Grid points with less than this part of the greatest weight are left out, which spares most of the time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """One group after pooling; values are shares, or means on whatever scale went in.

    cases
        What it is made from.
    raw
        The group's own value.
    value, low, high
        Posterior median and central interval.
    weight
        Part of the distance from the mean of all to ``raw`` that is kept: 1 its own, 0 wholly the mean of all.
    """

    name: str
    cases: int
    raw: float
    value: float
    low: float
    high: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooling:
    """All groups, in the order given: it is no ranking.

    mean, mean_low, mean_high
        Of the population the groups stand for.
    told_apart
        Pairs (larger, smaller) whose intervals do not overlap. Empty, as it mostly is: say so, and rank nothing.
    """

    groups: tuple[Group, ...]
    mean: float
    mean_low: float
    mean_high: float
    confidence: float
    told_apart: tuple[tuple[str, str], ...]

    def rescaled(self, scale: Callable[[float], float]) -> Pooling:
        """The same on another, rising scale (back from logs)."""
        groups = tuple(
            replace(
                g,
                raw=float(scale(g.raw)),
                value=float(scale(g.value)),
                low=float(scale(g.low)),
                high=float(scale(g.high)),
            )
            for g in self.groups
        )
        ends = (float(scale(value)) for value in (self.mean, self.mean_low, self.mean_high))
        mean, low, high = ends
        return replace(self, groups=groups, mean=mean, mean_low=low, mean_high=high)


def pool_shares(
    names: Sequence[str], successes: Sequence[int], tries: Sequence[int], *, confidence: float = 0.95
) -> Pooling:
    """Shares of groups: beta-binomial, over a grid of mean and size with hyperprior size^(−3/2), mean uniform.

    Raises
    ------
    TooFewEvents
        Without two groups that tried at least once.
    """
    good, of = np.asarray(successes, dtype=np.float64), np.asarray(tries, dtype=np.float64)
    _need_two(int((of > 0).sum()))
    a, b, weights = share_posterior(good, of)
    tail = (1 - confidence) / 2
    means = a / (a + b)

    def group(i: int) -> Group:
        shapes = (a + good[i], b + of[i] - good[i])
        value, low, high = _quantiles(lambda x: float(weights @ betainc(*shapes, x)), tail, 0.0, 1.0)
        weight = float(weights @ (of[i] / (a + b + of[i])))
        raw = float(good[i] / of[i]) if of[i] else float("nan")
        return Group(name=names[i], cases=int(of[i]), raw=raw, value=value, low=low, high=high, weight=weight)

    middle = _weighted_quantiles(means, weights, (0.5, tail, 1 - tail))
    return _pooling(tuple(group(i) for i in range(good.size)), middle, confidence)


def share_posterior(good: Floats, of: Floats) -> tuple[Floats, Floats, Floats]:
    """Grid of beta parameters (a, b) and their posterior weights, summing to 1."""
    logit, log_size = (grid.ravel() for grid in np.meshgrid(_LOGITS, _LOG_SIZES, indexing="ij"))
    mean, size = expit(logit), np.exp(log_size)
    a, b = mean * size, (1 - mean) * size
    prior = np.log(mean) + np.log1p(-mean) - log_size / 2  # uniform mean and size^(-3/2), on these two scales
    fit = (betaln(a[:, None] + good, b[:, None] + of - good) - betaln(a, b)[:, None]).sum(axis=1)
    weights = np.exp(prior + fit - logsumexp(prior + fit))
    kept = weights > _NEGLIGIBLE * weights.max()
    return a[kept], b[kept], weights[kept] / weights[kept].sum()


def pool_means(
    names: Sequence[str],
    values: Sequence[float],
    errors: Sequence[float],
    cases: Sequence[int],
    *,
    confidence: float = 0.95,
) -> Pooling:
    """Means of groups with known standard errors: normal in normal, over a grid of the spread between groups (uniform).

    Raises
    ------
    TooFewEvents
        Without two groups.
    """
    y, s = np.asarray(values, dtype=np.float64), np.asarray(errors, dtype=np.float64)
    _need_two(y.size)
    tail = (1 - confidence) / 2
    spread, weights, centre, centre_error = mean_posterior(y, s)

    def group(i: int) -> Group:
        kept = spread**2 / (spread**2 + s[i] ** 2)
        location = centre + kept * (y[i] - centre)
        scale = np.sqrt(kept * s[i] ** 2 + ((1 - kept) * centre_error) ** 2)
        ends = (float((location - 9 * scale).min()), float((location + 9 * scale).max()))
        value, low, high = _quantiles(lambda x: float(weights @ ndtr((x - location) / scale)), tail, ends[0], ends[1])
        return Group(
            name=names[i],
            cases=int(cases[i]),
            raw=float(y[i]),
            value=value,
            low=low,
            high=high,
            weight=float(weights @ kept),
        )

    ends = (float((centre - 9 * centre_error).min()), float((centre + 9 * centre_error).max()))
    middle = _quantiles(lambda x: float(weights @ ndtr((x - centre) / centre_error)), tail, ends[0], ends[1])
    return _pooling(tuple(group(i) for i in range(y.size)), middle, confidence)


def mean_posterior(y: Floats, s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Grid of the spread between groups, its weights, and the mean of all given each, with its standard error."""
    reach = 6 * max(float(np.std(y)), float(np.median(s)))
    spread = (np.arange(_SPREADS) + 0.5) / _SPREADS * reach
    variances = spread[:, None] ** 2 + s**2
    precision = (1 / variances).sum(axis=1)
    centre = (y / variances).sum(axis=1) / precision
    misfit = ((y - centre[:, None]) ** 2 / variances + np.log(variances)).sum(axis=1)
    log_weights = -(np.log(precision) + misfit) / 2
    weights = np.exp(log_weights - logsumexp(log_weights))
    return spread, weights, centre, 1 / np.sqrt(precision)


def _pooling(groups: tuple[Group, ...], middle: tuple[float, float, float], confidence: float) -> Pooling:
    apart = []
    for one, other in combinations(groups, 2):
        if one.low > other.high:
            apart.append((one.name, other.name))
        elif other.low > one.high:
            apart.append((other.name, one.name))
    return Pooling(
        groups=groups,
        mean=middle[0],
        mean_low=middle[1],
        mean_high=middle[2],
        confidence=confidence,
        told_apart=tuple(apart),
    )


def _need_two(groups: int) -> None:
    if groups < 2:
        raise TooFewEvents("pooling needs at least two groups with cases")


def _quantiles(below: Callable[[float], float], tail: float, low: float, high: float) -> tuple[float, float, float]:
    """Median, lower and upper limit of a distribution given by its cumulative chances."""

    def at(chance: float) -> float:
        return float(optimize.brentq(lambda x: below(x) - chance, low, high, xtol=1e-7 * max(high - low, 1e-9)))

    return at(0.5), at(tail), at(1 - tail)


def _weighted_quantiles(values: Floats, weights: Floats, chances: Sequence[float]) -> tuple[float, float, float]:
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    first, second, third = (
        float(values[order][min(int(np.searchsorted(summed, c)), values.size - 1)]) for c in chances
    )
    return first, second, third
