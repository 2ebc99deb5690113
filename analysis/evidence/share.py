"""Which share of the breaks would not have come, had the tag stayed where it is in most quiet runs. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.risk.rows import Floats, Ints

BEYOND = 0.8
"""A moment is exposed if its value lies beyond that of this share of the quiet runs of its grade."""
LEAST_OF_GRADE = 20
"""With fewer quiet runs a grade has no limit of its own; that of all stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """An attributable share of breaks.

    value
        At most 1; below 0 if exposure went with fewer breaks.
    exposed
        Share of the breaks that were exposed.
    odds_ratio
        Matched, exposed against not; inf if no quiet run of an unexposed break was exposed.
    limit
        Beyond which a moment is exposed, of all grades together, in the tag's unit.
    """

    value: float
    low: float
    high: float
    exposed: float
    odds_ratio: float
    limit: float


def attributable_share(
    values: Floats,
    breaks: int,
    controls: Ints,
    grade: Ints,
    cluster: Ints,
    *,
    upwards: bool,
    resamples: int,
    seed: int,
    confidence: float = 0.95,
) -> Share | None:
    """Share of the breaks that is due to exposure, if exposure is a cause; None where it cannot be worked out.

    values, grade
        Of all moments, breaks first.
    cluster
        Of the breaks.
    upwards
        Whether breaks lie above their quiet runs.

    Share = p·(1 − 1/OR), p the share of breaks exposed (Miettinen, Am. J. Epidemiology 99 (1974) 325-332), OR the
    Mantel-Haenszel ratio of the matched sets (Breslow & Day, Statistical Methods in Cancer Research I (1980), 5.3);
    breaks are rare in any minute, so it is the ratio of their rates. The limit is set by the quiet runs alone.
    Interval: percentile bootstrap of whole clusters, the limit kept.
    """
    signed = values if upwards else -values
    limits, overall = _limits(signed, breaks, grade)
    out = np.where(np.isfinite(signed), (signed > limits).astype(np.float64), np.nan)
    quiet = np.append(out[breaks:], np.nan)[controls]
    usable = np.isfinite(out[:breaks]) & np.isfinite(quiet).any(axis=1)
    if usable.sum() < 2:
        return None
    sums = _by_cluster(np.stack(_terms(out[:breaks][usable], quiet[usable]), axis=1), cluster[usable])
    total = sums.sum(axis=0)
    if not total[2]:  # no break out of the usual whose quiet runs are not: there is no ratio
        return None
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(len(sums), np.full(len(sums), 1 / len(sums)), size=resamples) @ sums
    low, high = np.nanquantile(_share(drawn), ((1 - confidence) / 2, (1 + confidence) / 2))
    return Share(
        value=float(_share(total[None])[0]),
        low=float(low),
        high=float(high),
        exposed=float(total[0] / total[1]),
        odds_ratio=float(_ratio(total[None])[0]),
        limit=float(overall if upwards else -overall),
    )


def odds_ratio(exposed: Floats, quiet: Floats) -> float:
    """The Mantel-Haenszel odds ratio of matched sets.

    exposed
        1 or 0, one a break.
    quiet
        1, 0 or NaN for none, shape (breaks, most controls).
    """
    return float(_ratio(np.stack(_terms(exposed, quiet), axis=1).sum(axis=0)[None])[0])


def _limits(signed: Floats, breaks: int, grade: Ints) -> tuple[Floats, float]:
    quiet, of = signed[breaks:], grade[breaks:]
    known = np.isfinite(quiet)
    overall = float(np.quantile(quiet[known], BEYOND)) if known.any() else np.nan
    limits = np.full(len(signed), overall)
    for one in np.unique(of):
        own = quiet[known & (of == one)]
        if len(own) >= LEAST_OF_GRADE:
            limits[grade == one] = np.quantile(own, BEYOND)
    return limits, overall


def _by_cluster(terms: Floats, cluster: Ints) -> Floats:
    label, where = np.unique(cluster, return_inverse=True)
    sums = np.zeros((len(label), terms.shape[1]))
    np.add.at(sums, where, terms)
    return sums


def _terms(exposed: Floats, quiet: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Of each set: exposed, one, and the numerator's and denominator's part of the ratio."""
    known = np.isfinite(quiet)
    controls = known.sum(axis=1)
    out = np.where(known, quiet, 0.0).sum(axis=1)
    return (
        exposed,
        np.ones(len(exposed)),
        exposed * (controls - out) / (controls + 1),
        (1 - exposed) * out / (controls + 1),
    )


def _ratio(sums: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio: Floats = sums[:, 2] / sums[:, 3]
    return ratio


def _share(sums: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        # 1/OR, and none for a drawing without any pair that differs.
        inverse = np.where(sums[:, 2] > 0, sums[:, 3] / sums[:, 2], np.nan)
        share: Floats = sums[:, 0] / sums[:, 1] * (1 - inverse)
    return share
