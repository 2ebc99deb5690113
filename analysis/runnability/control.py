"""Control charts of breaks: what is ordinary scatter of this machine, and which days, shifts or runs stand out.

Limits come from the machine's own rate and from the on-reel hours of each point. With two or three breaks a day the
normal "three sigma" is wrong on both sides; probability limits put the same chance (0.00135) beyond each limit instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from analysis.runnability.observed import Floats, Tally, TooFewEvents
from analysis.runnability.run_rules import WESTERN_ELECTRIC, Rule, Signal, find_signals

TAIL = 0.00135
"""Chance beyond one probability limit: that of three sigma."""
_MOVING_RANGE = 1.128
"""Mean range of two normal values, in sigma (d2)."""
_EXPONENT = 1 / 3.6
"""Makes exponential times nearly normal: L. S. Nelson, J. Quality Technology 26 (1994) 239-240."""


_MEDIAN_0 = float(np.log(2))
"""A Poisson count of a smaller mean is 0 more often than not."""


class Limits(StrEnum):
    """How control limits are set."""

    PROBABILITY = "probability"
    SIGMA = "three sigma"
    WIDENED = "three sigma, widened by the scatter between neighbours"
    TRANSFORMED = "three sigma of the times to the power 1/3.6"


class Quantity(StrEnum):
    """What a point is."""

    RATE = "breaks per on-reel hour"
    REELS_BETWEEN = "reels without a break between two breaks"
    HOURS_BETWEEN = "on-reel hours between breaks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart; arrays have one value a point.

    low, high
        Control limits; low is 0 where there is none.
    z
        The point on a standard normal scale, for the run rules; NaN without on-reel time.
    signals
        Patterns unlikely by chance: something to ask about, not alarms.
    """

    quantity: Quantity
    limits: Limits
    labels: tuple[str, ...]
    values: Floats
    centre: float
    low: Floats
    high: Floats
    z: Floats
    signals: tuple[Signal, ...]

    @property
    def more_is_worse(self) -> bool:
        """Whether a high point is bad news: for breaks it is, for times between them it is good."""
        return self.quantity is Quantity.RATE


def u_chart(
    tally: Tally,
    *,
    limits: Limits = Limits.PROBABILITY,
    baseline: int | None = None,
    rules: Sequence[Rule] = WESTERN_ELECTRIC,
) -> Chart:
    """Breaks per on-reel hour, each point with limits for its own hours.

    baseline
        Number of points, from the first, that set the centre; None for all.
    limits
        ``PROBABILITY``: exact Poisson. ``SIGMA``: ū ± 3·sqrt(ū/h) (Montgomery, Introduction to Statistical Quality
        Control). ``WIDENED``: the latter times the moving-range sigma of z, for clustered breaks (D. B. Laney, Quality
        Engineering 14 (2002) 531-537).
    """
    counts, hours = np.asarray(tally.counts, dtype=np.float64), np.asarray(tally.hours, dtype=np.float64)
    centre = _centre(counts[:baseline], hours[:baseline])
    mean = centre * hours
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.where(hours > 0, counts / hours, np.nan)
        z = (counts - mean) / np.sqrt(mean)
        if limits is Limits.PROBABILITY:
            low, high = _poisson_limits(mean)
            low, high, z = low / hours, high / hours, _poisson_z(counts, mean)
        else:
            width = _neighbour_sigma(z) if limits is Limits.WIDENED else 1.0
            z = z / width
            spread = 3 * width * np.sqrt(mean) / hours
            low, high = np.maximum(centre - spread, 0), centre + spread
    # Where a unit without a break is likelier than not, one lies on neither side: else any row of them would signal.
    z = np.where((counts == 0) & (mean > 0) & (mean < _MEDIAN_0), 0.0, z)
    return _chart(Quantity.RATE, limits, tally.labels or _numbers(counts.size), values, centre, (low, high), z, rules)


def g_chart(
    between: Sequence[int],
    *,
    labels: Sequence[str] = (),
    limits: Limits = Limits.PROBABILITY,
    rules: Sequence[Rule] = WESTERN_ELECTRIC,
) -> Chart:
    """Good reels between two breaks (0, 1, 2, …): geometric if every reel has the same chance.

    ``SIGMA``: ḡ ± 3·sqrt(ḡ(ḡ + 1)). Source: J. C. Benneyan, Health Care Management Science 4 (2001) 305-318. The run
    rules always use the geometric chances: its median lies well below its mean.
    """
    values = np.asarray(between, dtype=np.float64)
    if values.size < 2 or not values.sum():
        raise TooFewEvents("a g-chart needs at least two gaps, one of them above 0")
    mean = float(values.mean())
    law = stats.geom(1 / (1 + mean), loc=-1)
    if limits is Limits.PROBABILITY:
        low, high = float(law.ppf(TAIL)), float(law.isf(TAIL))
        centre = float(law.median())
    else:
        spread = 3 * np.sqrt(mean * (mean + 1))
        low, high, centre = max(0.0, mean - spread), mean + spread, mean
    z = _normal(law.cdf(values - 1) + law.pmf(values) / 2)
    ends = (np.full(values.size, low), np.full(values.size, high))
    names = tuple(labels) or _numbers(values.size)
    return _chart(Quantity.REELS_BETWEEN, limits, names, values, centre, ends, z, rules)


def t_chart(
    hours_between: Sequence[float],
    *,
    labels: Sequence[str] = (),
    limits: Limits = Limits.PROBABILITY,
    rules: Sequence[Rule] = WESTERN_ELECTRIC,
) -> Chart:
    """On-reel hours between breaks: exponential if the rate is constant; the centre is the median.

    ``TRANSFORMED``: an individuals chart of x^(1/3.6), back on the scale of hours (Montgomery, 7th ed., example 7.6).

    Raises
    ------
    ValueError
        For a time of 0: two breaks cannot share a moment.
    """
    values = np.asarray(hours_between, dtype=np.float64)
    if values.size < 2:
        raise TooFewEvents("a t-chart needs at least two times between breaks")
    if not (values > 0).all():
        raise ValueError("times between breaks must be above 0")
    if limits is Limits.TRANSFORMED:
        centre, low, high, z = _transformed(values)
    else:
        mean = float(values.mean())
        centre, low, high = mean * np.log(2), -mean * np.log1p(-TAIL), -mean * np.log(TAIL)
        z = _normal(-np.expm1(-values / mean))
    ends = (np.full(values.size, low), np.full(values.size, high))
    names = tuple(labels) or _numbers(values.size)
    return _chart(Quantity.HOURS_BETWEEN, limits, names, values, centre, ends, z, rules)


def _chart(
    quantity: Quantity,
    limits: Limits,
    labels: tuple[str, ...],
    values: Floats,
    centre: float,
    ends: tuple[Floats, Floats],
    z: Floats,
    rules: Sequence[Rule],
) -> Chart:
    """Join the parts. "Beyond the limit" is judged on the chart's own limits, strictly; the other rules on z."""
    beyond = (values > ends[1]) | (values < ends[0])
    signals = list(find_signals(z, [r for r in rules if r is not Rule.BEYOND_LIMIT]))
    if Rule.BEYOND_LIMIT in rules:
        side = np.where(values > ends[1], 1, -1)
        signals += [Signal(point=int(i), rule=Rule.BEYOND_LIMIT, side=int(side[i])) for i in np.flatnonzero(beyond)]
    return Chart(
        quantity=quantity,
        limits=limits,
        labels=labels,
        values=values,
        centre=centre,
        low=ends[0],
        high=ends[1],
        z=z,
        signals=tuple(sorted(signals, key=lambda s: s.point)),
    )


def _centre(counts: Floats, hours: Floats) -> float:
    if not counts.sum():
        raise TooFewEvents("no breaks in the points that set the centre; a control chart needs some")
    return float(counts.sum() / hours.sum())


def _poisson_limits(mean: Floats) -> tuple[Floats, Floats]:
    """Smallest and largest counts that are not beyond: fewer than TAIL lies below, and above."""
    low = stats.poisson.ppf(TAIL, mean)
    return np.asarray(np.maximum(low, 0.0)), np.asarray(stats.poisson.isf(TAIL, mean))


def _poisson_z(counts: Floats, mean: Floats) -> Floats:
    middle = np.where(mean > 0, stats.poisson.cdf(counts - 1, mean) + stats.poisson.pmf(counts, mean) / 2, np.nan)
    return _normal(middle)


def _normal(chance: Floats) -> Floats:
    return np.asarray(stats.norm.ppf(np.clip(chance, 1e-12, 1 - 1e-12)))


def _neighbour_sigma(z: Floats) -> float:
    known = z[np.isfinite(z)]
    if known.size < 2:
        raise TooFewEvents("widened limits need at least two points with on-reel time")
    return max(1.0, float(np.abs(np.diff(known)).mean()) / _MOVING_RANGE)


def _transformed(values: Floats) -> tuple[float, float, float, Floats]:
    y = values**_EXPONENT
    sigma = float(np.abs(np.diff(y)).mean()) / _MOVING_RANGE
    centre, low, high = y.mean(), max(0.0, y.mean() - 3 * sigma), y.mean() + 3 * sigma
    back = 1 / _EXPONENT
    z = (y - centre) / sigma if sigma else np.zeros_like(y)
    return float(centre**back), float(low**back), float(high**back), z


def _numbers(size: int) -> tuple[str, ...]:
    return tuple(str(i + 1) for i in range(size))
