"""Whether two tags that tell breaks act together: more, or less, than each by itself. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.evidence.effect import false_discovery
from analysis.evidence.matching import Matching
from analysis.risk.rows import Floats, Ints

PER_COEFFICIENT = 20
"""Matched breaks for each of the three coefficients; with ten an interaction is still seldom told from chance."""
FURTHEST = 3.0
"""Values are cut so many spreads from the middle of the quiet runs, so that no single moment decides."""
TURNS = 40
ASTRAY = 15.0
"""A coefficient beyond this tells that breaks and quiet runs are split apart altogether: no estimate then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A tag as it is looked at: its number in every moment, breaks first, and its direction before breaks."""

    tag: str
    values: Floats
    upwards: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Two tags.

    breaks
        Matched breaks in which both are known.
    times, low, high
        By what the odds of a break are multiplied beyond what both do alone, for each spread by which both lie in their
        direction; 1 for tags that act each by itself. None with too few breaks, or where it cannot be worked out.
    q
        ``p`` adjusted for all pairs that were looked at.
    """

    first: str
    second: str
    breaks: int
    times: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    q: float | None = None


def together(
    looked: Sequence[Looked], matching: Matching, own: Ints, cluster: Ints, confidence: float = 0.95
) -> tuple[Together, ...]:
    """Every pair of some tags.

    own
        Numbers of the breaks that are asked about.
    cluster
        Of every matched break.

    Conditional logistic regression of each break against its own quiet runs on both tags and their product (Breslow &
    Day, Statistical Methods in Cancer Research I (1980), 7.2), variance by clusters, Student's t on the clusters less
    one. Each tag counts in spreads (half the middle 68 %) of the quiet runs of its grade from their middle.
    """
    grade = np.concatenate((matching.at.grade, matching.quiet.grade))
    scaled = [_scaled(one, len(matching), grade) for one in looked]
    found = [
        _pair(looked[a].tag, looked[b].tag, _sets(scaled[a], scaled[b], matching, own), cluster[own], confidence)
        for a, b in combinations(range(len(looked)), 2)
    ]
    q = false_discovery(np.array([np.nan if one.p is None else one.p for one in found]))
    return tuple(
        one if one.p is None else replace(one, q=float(adjusted)) for one, adjusted in zip(found, q, strict=True)
    )


def conditional_logit(x: Floats, there: NDArray[np.bool_], cluster: Ints) -> tuple[Floats, Floats] | None:
    """Coefficients and their covariance by clusters; None where the likelihood has no maximum.

    x
        Of each set the break first, then its quiet runs, shape (sets, members, coefficients).
    there
        Which members there are, shape (sets, members).
    """
    beta = np.zeros(x.shape[2])
    for _ in range(TURNS):
        score, information = _derivatives(x, there, beta)
        try:
            step = np.linalg.solve(information, score.sum(axis=0))
        except np.linalg.LinAlgError:
            return None
        beta += step.clip(-2.0, 2.0)
        if np.abs(beta).max() > ASTRAY:
            return None
        if np.abs(step).max() < 1e-8:
            break
    else:
        return None
    label, where = np.unique(cluster, return_inverse=True)
    sums = np.zeros((len(label), x.shape[2]))
    np.add.at(sums, where, _derivatives(x, there, beta)[0])
    bread = np.linalg.inv(_derivatives(x, there, beta)[1])
    return beta, bread @ (sums.T @ sums) @ bread * len(label) / max(len(label) - 1, 1)


def _derivatives(x: Floats, there: NDArray[np.bool_], beta: Floats) -> tuple[Floats, Floats]:
    """The score of each set, and the information of all."""
    risk = np.where(there, x @ beta, -np.inf)
    share = np.exp(risk - risk.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    middle = np.einsum("sm,smk->sk", share, x)
    apart = x - middle[:, None]
    return x[:, 0] - middle, np.einsum("sm,smk,sml->kl", share, apart, apart)


def _scaled(one: Looked, breaks: int, grade: Ints) -> Floats:
    """In spreads from the middle of the quiet runs of its grade, upwards for the direction before breaks."""
    found = np.full(len(one.values), np.nan)
    quiet = np.arange(len(one.values)) >= breaks
    for name in np.unique(grade):
        here = grade == name
        usual = one.values[here & quiet & np.isfinite(one.values)]
        if len(usual) < 2:
            continue
        low, middle, high = np.quantile(usual, (0.16, 0.5, 0.84))
        if high > low:
            found[here] = (one.values[here] - middle) / ((high - low) / 2)
    cut: Floats = np.clip(found if one.upwards else -found, -FURTHEST, FURTHEST)
    return cut


def _sets(first: Floats, second: Floats, matching: Matching, own: Ints) -> tuple[Floats, NDArray[np.bool_]]:
    """Both tags and their product of each break and its quiet runs, and which of them are known."""
    whole = np.stack((first, second, first * second), axis=1)
    padded = np.concatenate((whole, np.full((1, 3), np.nan)))
    controls = matching.controls[own]
    members = np.column_stack((own, np.where(controls >= 0, len(matching) + controls, len(whole))))
    x = padded[members]
    there = np.isfinite(x).all(axis=2)
    return np.where(there[:, :, None], x, 0.0), there


def _pair(
    first: str, second: str, sets: tuple[Floats, NDArray[np.bool_]], cluster: Ints, confidence: float
) -> Together:
    x, there = sets
    usable = there[:, 0] & there[:, 1:].any(axis=1)
    breaks = int(usable.sum())
    nothing = Together(first=first, second=second, breaks=breaks)
    if breaks < PER_COEFFICIENT * x.shape[2]:
        return nothing
    fitted = conditional_logit(x[usable], there[usable], cluster[usable])
    if fitted is None:
        return nothing
    beta, covariance = fitted
    error = float(np.sqrt(covariance[2, 2]))
    df = max(len(np.unique(cluster[usable])) - 1, 1)
    reach = float(special.stdtrit(df, 0.5 + confidence / 2)) * error
    return replace(
        nothing,
        times=float(np.exp(beta[2])),
        low=float(np.exp(beta[2] - reach)),
        high=float(np.exp(beta[2] + reach)),
        p=float(2 * special.stdtr(df, -abs(beta[2]) / error)),
    )
