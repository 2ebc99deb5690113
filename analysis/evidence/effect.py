"""How well a number tells breaks from their own quiet runs, with interval and p-value; many numbers at once. Pure.

A break is compared with its own quiet runs only, so that grade, speed and time since the return cannot speak. Breaks of
one day are one cluster: what was wrong at one of them may have been wrong at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.risk.rows import Floats, Ints

EXACT_FROM = 10
"""With so many of the drawn signs at or beyond what was seen, their share is the p-value; with fewer, the normal
tail."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Auc:
    """How often a break lies above its quiet runs: 0.5 for no difference, 1 always above, 0 always below.

    breaks, clusters
        How many could be compared, and in how many clusters.
    """

    value: float
    low: float
    high: float
    breaks: int
    clusters: int

    @property
    def shown(self) -> bool:
        """Whether the interval leaves out no difference."""
        return self.low > 0.5 or self.high < 0.5

    @property
    def size(self) -> float:
        """How far from no difference, 0 to 0.5."""
        return abs(self.value - 0.5)


def placements(values: Floats, breaks: int, controls: Ints) -> Floats:
    """Share of its own quiet runs that each break lies above, ties half; NaN where it cannot be compared.

    values
        Of all moments, breaks first, shape (…, moments).
    controls
        Numbers of the quiet runs of each break among the moments after the breaks, -1 for none.

    Their mean is the AUC of a matched design: of all pairs of a break and one of its controls, the share in which the
    break lies higher (Mann & Whitney, Ann. Math. Stat. 18 (1947) 50-60, within sets). With one set of all quiet runs it
    is the ordinary area under the curve.
    """
    padded = np.concatenate((values[..., breaks:], np.full((*values.shape[:-1], 1), np.nan)), axis=-1)
    quiet = padded[..., controls]
    own = values[..., :breaks, None]
    count = np.isfinite(quiet).sum(axis=-1)
    wins = (quiet < own).sum(axis=-1) + 0.5 * (quiet == own).sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where((count > 0) & np.isfinite(own[..., 0]), wins / count, np.nan)


def auc(placed: Floats, cluster: Ints, confidence: float = 0.95) -> Auc:
    """The mean placement with an interval that allows for clusters.

    placed
        One a break; NaN is left out.

    Variance of a mean of clusters of unequal size: the sandwich of Liang & Zeger, Biometrika 73 (1986) 13-22, with
    C/(C − 1); Student's t on the clusters less one. One win and one loss are added for the interval, each a cluster of
    its own, as Agresti & Coull (Am. Statistician 52 (1998) 119-126) add successes and failures, so that it never
    shrinks to a point.
    """
    some = np.isfinite(placed)
    values, where = placed[some], cluster[some]
    n, clusters = len(values), len(np.unique(where))
    if not n:
        return Auc(value=np.nan, low=0.0, high=1.0, breaks=0, clusters=0)
    fresh = int(cluster.max()) + 1
    padded, parts = np.append(values, [0.0, 1.0]), np.append(where, [fresh, fresh + 1])
    middle = padded.mean()
    sums = np.bincount(np.unique(parts, return_inverse=True)[1], weights=padded - middle)
    spread = np.sqrt(len(sums) / (len(sums) - 1) * (sums**2).sum()) / len(padded)
    reach = float(special.stdtrit(max(clusters - 1, 1), 0.5 + confidence / 2)) * spread
    return Auc(
        value=float(values.mean()),
        low=max(0.0, float(middle - reach)),
        high=min(1.0, float(middle + reach)),
        breaks=n,
        clusters=clusters,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """Tests of many numbers at once, in groups (the numbers of one tag). NaN where nothing could be tested.

    z
        Of each test: sum of the clusters' scores over the root of the sum of their squares.
    p
        Of each test, two-sided.
    group_p
        Of each group: that the largest of its tests is so large.
    """

    z: Floats
    p: Floats
    group_p: Floats


def judge_many(placed: Floats, cluster: Ints, *, flips: int, seed: int) -> Tested:
    """p-values by flipping the signs of whole clusters.

    placed
        Shape (breaks, groups, tests in a group).

    Where breaks are like quiet runs, a break's rank among its quiet runs is uniform, so its score u − ½ is as likely
    to be positive as negative; so is the sum of a cluster, however its breaks hang together. Flipping the signs of
    clusters gives the distribution of the statistic (Fisher 1935; Winkler et al., NeuroImage 92 (2014) 381-397, for
    whole blocks); the maximum over the tests of a group, under the same flips, that of the group (Westfall & Young
    1993). In the far tail, where fewer than ten of the flips reach what was seen, the normal tail stands in: a sum of
    signs has lighter tails than that (Efron, J. Am. Stat. Assoc. 64 (1969) 1278-1302); for a group it is multiplied by
    its tests (Bonferroni). No p is below the least that the number of clusters allows, 2^(1 − clusters).
    """
    breaks, groups, within = placed.shape
    score = np.nan_to_num(placed.reshape(breaks, -1) - 0.5)
    label, where = np.unique(cluster, return_inverse=True)
    sums = np.zeros((len(label), score.shape[1]))
    np.add.at(sums, where, score)
    root = np.sqrt((sums**2).sum(axis=0))
    some = root > 0
    unit = np.where(some, sums / np.where(some, root, 1.0), 0.0)
    z = unit.sum(axis=0)
    beyond, group_beyond = _flip(unit, z, groups, flips, np.random.default_rng(seed))
    live = (sums != 0).sum(axis=0)
    tail = 2 * special.ndtr(-np.abs(z))
    p = np.maximum(_p(beyond, flips, tail), 2.0 ** (1 - live))
    per_group = np.where(some, p, 1.0).reshape(groups, within)
    tests = some.reshape(groups, within).sum(axis=1)
    best_tail = np.where(some, np.maximum(tail, 2.0 ** (1 - live)), 1.0).reshape(groups, within).min(axis=1)
    group_p = np.maximum(_p(group_beyond, flips, np.minimum(1.0, tests * best_tail)), per_group.min(axis=1))
    return Tested(
        z=np.where(some, z, np.nan).reshape(groups, within),
        p=np.where(some, p, np.nan).reshape(groups, within),
        group_p=np.where(tests > 0, np.minimum(group_p, 1.0), np.nan),
    )


def _p(beyond: NDArray[np.int64], flips: int, tail: Floats) -> Floats:
    drawn = (1 + beyond) / (1 + flips)
    return np.where(beyond >= EXACT_FROM, drawn, np.minimum(tail, drawn))


def _flip(
    unit: Floats, z: Floats, groups: int, flips: int, rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How many flips reach what was seen: for each test, and for the largest of each group."""
    short, seen = unit.astype(np.float32), np.abs(z).astype(np.float32) * np.float32(1 - 1e-5)
    largest = seen.reshape(groups, -1).max(axis=1)
    beyond, group_beyond = np.zeros(len(z), np.int64), np.zeros(groups, np.int64)
    for start in range(0, flips, 500):
        signs = rng.integers(0, 2, (min(500, flips - start), len(unit)), dtype=np.int8).astype(np.float32) * 2 - 1
        drawn = np.abs(signs @ short)
        beyond += (drawn >= seen).sum(axis=0)
        group_beyond += (drawn.reshape(len(drawn), groups, -1).max(axis=2) >= largest).sum(axis=0)
    return beyond, group_beyond


def false_discovery(p: Floats) -> Floats:
    """Benjamini and Hochberg's adjusted p-values over everything tested; NaN stays NaN and does not count.

    J. Royal Stat. Soc. B 57 (1995) 289-300. Tags move together, which keeps the promise (Benjamini & Yekutieli, Annals
    of Statistics 29 (2001) 1165-1188, positive dependence) as far as they do so in one direction.
    """
    adjusted = np.full(p.shape, np.nan)
    some = np.isfinite(p)
    if some.any():
        # As scipy.stats has it, whose import takes longer than a search over a month.
        known = p[some]
        order = np.argsort(known)
        scaled = known[order] * len(known) / np.arange(1, len(known) + 1)
        known[order] = np.minimum.accumulate(scaled[::-1])[::-1].clip(max=1.0)
        adjusted[some] = known
    return adjusted
