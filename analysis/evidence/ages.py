"""Whether breaks become more as clothing ages, or as the last wash lies further back. Pure.

Matched quiet runs lie within three weeks of their break, where a felt is nearly as old: what age does cannot be seen
there. So the break rate itself is held against age, over all time on the reel, beside whatever else it did over time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from analysis.evidence.effect import false_discovery
from analysis.period import Period
from analysis.risk.rows import Floats, Ints, minutes_since

CELL_MS = 6 * 3_600_000
"""Rates are looked at in cells of six hours: clothing ages by days."""
CELLS_A_DAY = 4
COLUMNS = 4
"""Level, line, bow, age."""
MIN_BREAKS = 10 * COLUMNS
"""Ten breaks for each coefficient."""
TURNS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Ageing:
    """The age of one thing, and the break rate.

    breaks
        Those lost while the age was known.
    lives
        How many renewals its ages were counted from; with one, age cannot be told from the passing of time.
    young, old
        The ages that bound the middle 80 % of the time on the reel. [d]
    times, low, high
        By what the rate at ``old`` exceeds that at ``young``; None where there is too little to tell.
    q
        ``p`` adjusted for everything whose age was looked at.
    """

    name: str
    breaks: int
    lives: int
    young: float | None = None
    old: float | None = None
    times: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    q: float | None = None


def ageing(
    renewed_ms: Mapping[str, Ints], breaks_ms: Ints, on_reel_ms: Ints, period: Period, confidence: float = 0.95
) -> tuple[Ageing, ...]:
    """How the break rate of a period goes with the age of some things.

    renewed_ms
        By name: when it was put in, or washed, in order of time. [ms]
    on_reel_ms
        Stretches with the sheet on the reel, shape (n, 2), in order of time. [ms]

    Poisson regression of the breaks of each six hours, their time on the reel as offset, on age beside a line and a bow
    in calendar time, so that a drift of another origin is not taken for age; variance by days (sandwich of Liang &
    Zeger, Biometrika 73 (1986) 13-22), Student's t on the days less the coefficients.
    """
    edges = np.arange(period.from_ms, period.to_ms + CELL_MS, CELL_MS, dtype=np.int64)
    hours = np.diff(_on_reel_before(edges, on_reel_ms)) / 3_600_000
    counts = np.histogram(breaks_ms, edges)[0].astype(np.float64)
    middle = edges[:-1] + CELL_MS // 2
    found = [_one(name, ms, middle, counts, hours, confidence) for name, ms in renewed_ms.items()]
    q = false_discovery(np.array([np.nan if one.p is None else one.p for one in found]))
    return tuple(
        one if one.p is None else replace(one, q=float(adjusted)) for one, adjusted in zip(found, q, strict=True)
    )


def _on_reel_before(at_ms: Ints, on_reel_ms: Ints) -> Floats:
    """Time on the reel before each of some instants. [ms]"""
    if not len(on_reel_ms):
        return np.zeros(len(at_ms))
    lengths = on_reel_ms[:, 1] - on_reel_ms[:, 0]
    total = np.cumsum(lengths)
    known = np.column_stack((total - lengths, total)).ravel()
    before: Floats = np.interp(at_ms, on_reel_ms.ravel(), known)
    return before


def _one(name: str, renewed_ms: Ints, middle: Ints, counts: Floats, hours: Floats, confidence: float) -> Ageing:
    age = minutes_since(renewed_ms, middle) / 1440
    some = np.isfinite(age) & (hours > 0)
    lives = len(np.unique(np.searchsorted(renewed_ms, middle[some], side="right")))
    breaks = int(counts[some].sum())
    nothing = Ageing(name=name, breaks=breaks, lives=lives)
    if lives < 2 or breaks < MIN_BREAKS:
        return nothing
    young, old = (_quantile(age[some], hours[some], share) for share in (0.1, 0.9))
    place = np.linspace(-1, 1, len(middle))[some]
    x = np.column_stack((np.ones(some.sum()), place, place**2, age[some] / max(old - young, 1e-9)))
    days = np.flatnonzero(some) // CELLS_A_DAY
    fitted = poisson(x, counts[some], np.log(hours[some]), days)
    if old <= young or fitted is None:
        return nothing
    slope, error = float(fitted[0][3]), float(np.sqrt(fitted[1][3, 3]))
    df = max(len(np.unique(days)) - COLUMNS, 1)
    reach = float(special.stdtrit(df, 0.5 + confidence / 2)) * error
    return replace(
        nothing,
        young=young,
        old=old,
        times=float(np.exp(slope)),
        low=float(np.exp(slope - reach)),
        high=float(np.exp(slope + reach)),
        p=float(2 * special.stdtr(df, -abs(slope) / error)),
    )


def poisson(x: Floats, counts: Floats, offset: Floats, cluster: Ints) -> tuple[Floats, Floats] | None:
    """Coefficients of a Poisson regression and their covariance by clusters; None where there is no maximum."""
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(counts.sum() / np.exp(offset).sum())
    for _ in range(TURNS):
        mean = np.exp(offset + x @ beta)
        information = x.T @ (x * mean[:, None])
        if np.linalg.cond(information) > 1e12:
            return None
        step = np.linalg.solve(information, x.T @ (counts - mean)).clip(-1.0, 1.0)
        beta = beta + step
        if np.abs(step).max() < 1e-9:
            break
    else:
        return None
    label, where = np.unique(cluster, return_inverse=True)
    sums = np.zeros((len(label), x.shape[1]))
    np.add.at(sums, where, x * (counts - mean)[:, None])
    bread = np.linalg.inv(information)
    return beta, bread @ (sums.T @ sums) @ bread * len(label) / max(len(label) - 1, 1)


def _quantile(values: Floats, weight: Floats, share: float) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weight[order]), share * weight.sum())])


def renewals(clothing_ms: Mapping[str, Ints], washed_ms: Ints) -> dict[str, Ints]:
    """Everything whose age is looked at: each position of the clothing, and the last wash."""
    found = {f"age of {place}": ms for place, ms in sorted(clothing_ms.items())}
    return found | ({"time since a wash": washed_ms} if len(washed_ms) else {})
