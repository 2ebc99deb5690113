"""A rate that changes in steps: where it changed, and the rates between. The alternative to a smooth trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import xlogy

from analysis.figures.rates import Rate, rate_of
from analysis.runnability.observed import Floats, Observed

LEAST_SHARE = 0.05
"""A segment is at least so much of the time between its neighbours: shorter ones only fit single clusters."""
LEAST_EVENTS = 6
"""Breaks that a stretch needs to be looked at."""
SIMULATED = 999
_SEED = 20_260_301
_SIMULATED_MOMENTS = 199
"""Random data sets for each moment that is asked whether it may be the change."""
_MOST_MOMENTS = 40
_HOPELESS = 10.0
"""Moments whose log-likelihood lies so far below the best are not asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A step of the rate.

    at, earliest, latest
        On-reel hours from the beginning, and the range within which it lies with about 95 %. [h]
    p_value
        Chance of so clear a step anywhere in its stretch if the rate there were constant.
    """

    at: float
    earliest: float
    latest: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of constant rate between two changes. [h]"""

    start: float
    end: float
    rate: Rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """The piecewise-constant rate; without changes it is one segment."""

    changes: tuple[Change, ...]
    segments: tuple[Segment, ...]
    log_likelihood: float


def steps(
    system: Observed, *, level: float = 0.05, confidence: float = 0.95, dispersion: float = 1.0, most: int = 8
) -> Steps:
    """Split the time at the clearest step, then each part again, as long as the step is clearer than chance gives.

    Each split is judged against seeded random breaks, equally many and evenly spread over the stretch, so that the
    search over all moments is paid for; the chance of any step where there is none is at most ``level``.
    dispersion
        Variance over mean of the counts. Above 1 (clustered breaks) likelihood ratios are divided by it before they are
        judged: an approximation.

    The range of each moment is found from the breaks between its neighbours, by asking every moment in it whether it
    might be the change. Sources: binary segmentation, L. Ju. Vostrikova (1981); the statistic is the likelihood ratio
    of two Poisson rates; range: K. J. Worsley, Biometrika 73 (1986) 91-104.
    """
    events = np.asarray(system.events, dtype=np.float64)
    found: dict[float, float] = {}
    waiting = [(system.start, system.end)]
    while waiting and len(found) < most:
        start, end = waiting.pop(0)
        split = _clearest(_within(events, start, end), start, end, dispersion)
        if split is not None and split[1] <= level:
            found[split[0]] = split[1]
            waiting += [(start, split[0]), (split[0], end)]
    edges = [system.start, *sorted(found), system.end]
    changes = [
        _change(events, edges[i - 1 : i + 2], found[edges[i]], 1 - confidence, dispersion)
        for i in range(1, len(edges) - 1)
    ]
    segments = tuple(_segment(events, a, b, confidence) for a, b in pairwise(edges))
    return Steps(changes=tuple(changes), segments=segments, log_likelihood=sum(_log_likelihood(s) for s in segments))


def _within(events: Floats, start: float, end: float) -> Floats:
    return events[(events > start) & (events <= end)]


def _log_likelihood(segment: Segment) -> float:
    count = segment.rate.count
    return float(xlogy(count, count / (segment.end - segment.start))) - count


def _segment(events: Floats, start: float, end: float, confidence: float) -> Segment:
    count = int(_within(events, start, end).size)
    return Segment(start=start, end=end, rate=rate_of(count, end - start, confidence))


def _clearest(events: Floats, start: float, end: float, dispersion: float) -> tuple[float, float] | None:
    """The best split of one stretch and its p-value; None where there are too few breaks to split."""
    if events.size < LEAST_EVENTS:
        return None
    _, gains = _gains((events[None, :] - start) / (end - start))
    best = int(gains[0].argmax())
    if not np.isfinite(gains[0, best]):
        return None
    event = float(events[best % events.size])
    moment = event if best >= events.size else float(np.nextafter(event, -np.inf))
    return moment, _chance(float(gains[0, best]) / dispersion, events.size)


def _change(events: Floats, around: Sequence[float], p_value: float, level: float, dispersion: float) -> Change:
    """A change with the range of moments that the breaks between its neighbours allow."""
    start, at, end = around
    places = (_within(events, start, end) - start) / (end - start)
    allowed = _possible_moments(places, level, dispersion) * (end - start) + start
    return Change(
        at=at,
        earliest=min(at, float(allowed.min(initial=at))),
        latest=max(at, float(allowed.max(initial=at))),
        p_value=p_value,
    )


def _possible_moments(places: Floats, level: float, dispersion: float) -> Floats:
    """Moments that may be the change. Asked of each: with its numbers of breaks before and after spread evenly on
    either side of it, how often does some other moment fit better than it by as much as here?
    """
    moments, gains = (values[0] for values in _gains(places[None, :]))
    gains = gains / dispersion
    best = gains.max(initial=-np.inf)
    if not np.isfinite(best):
        return np.array([0.0, 1.0])
    asked = np.flatnonzero(gains >= best - _HOPELESS)
    asked = asked[np.argsort(moments[asked], kind="stable")][:: max(1, asked.size // _MOST_MOMENTS)]
    rng = np.random.default_rng(_SEED)
    n = places.size
    chances = np.array([_beaten(rng, moments[i], _before(int(i), n), n, best - gains[i]) for i in asked])
    kept = moments[asked[chances > level]]
    # The change may lie in the gap next to a break: go on to the neighbouring breaks (of those asked).
    stops = np.unique(np.concatenate([[0.0, 1.0], moments[asked] if asked.size > _MOST_MOMENTS else places]))
    outer = np.searchsorted(stops, [kept.min(initial=1.0), kept.max(initial=0.0)])
    return np.asarray(stops[np.clip([outer[0] - 1, outer[1] + 1], 0, stops.size - 1)], dtype=np.float64)


def _before(candidate: int, events: int) -> int:
    """Breaks before a candidate: the first half of them lies just before each break, the second half at it."""
    return candidate if candidate < events else candidate - events + 1


def _beaten(rng: np.random.Generator, moment: float, before: int, events: int, by: float) -> float:
    """Chance that another moment beats the true one by at least so much log-likelihood."""
    early = rng.uniform(0, moment, (_SIMULATED_MOMENTS, before))
    late = rng.uniform(moment, 1, (_SIMULATED_MOMENTS, events - before))
    drawn = np.sort(np.concatenate([early, late], axis=1), axis=1)
    own = _gain(np.array([float(before)]), np.array([moment]), events)[0]
    reached = int((_gains(drawn)[1].max(axis=1) - own >= by).sum())
    return (1 + reached) / (1 + _SIMULATED_MOMENTS)


def _chance(gain: float, events: int) -> float:
    """Chance of at least such a gain among so many evenly spread breaks; in portions, to spare memory."""
    rng = np.random.default_rng(_SEED)
    reached, left, portion = 0, SIMULATED, max(1, 200_000 // events)
    while left > 0:
        rows = min(portion, left)
        drawn = np.sort(rng.uniform(size=(rows, events)), axis=1)
        reached += int((_gains(drawn)[1].max(axis=1) >= gain).sum())
        left -= rows
    return (1 + reached) / (1 + SIMULATED)


def _gains(places: Floats) -> tuple[Floats, Floats]:
    """Log-likelihood ratio of a step just before and at each event, a row a data set; −inf where not allowed."""
    rows, n = places.shape
    moments = np.concatenate([places, places], axis=1)
    before = np.concatenate([np.arange(n), np.arange(1, n + 1)]).astype(np.float64)[None, :].repeat(rows, axis=0)
    gains = _gain(before, moments, n)
    allowed = (moments >= LEAST_SHARE) & (moments <= 1 - LEAST_SHARE)
    return moments, np.where(allowed, gains, -np.inf)


def _gain(before: Floats, moments: Floats, events: int) -> Floats:
    """Log-likelihood of two rates, less that of one."""
    after = events - before
    early = xlogy(before, before / (events * np.clip(moments, 1e-12, 1)))
    return np.asarray(early + xlogy(after, after / (events * np.clip(1 - moments, 1e-12, 1))))
