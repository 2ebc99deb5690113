"""How often each interval holds the truth: simulated machines of known truth, with and without clustered breaks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy import stats

from analysis.figures.rates import count_interval
from analysis.runnability.changepoint import steps
from analysis.runnability.clustering import share_of
from analysis.runnability.compare import compare, exact_ratio, quasi_poisson_ratio
from analysis.runnability.dispersion import unit_rate
from analysis.runnability.mcf import mean_cumulative
from analysis.runnability.monitor import log_evidence
from analysis.runnability.observed import Counted, Floats, Observed, Tally, TooFewEvents
from analysis.runnability.pooling import pool_shares
from analysis.runnability.powerlaw import fit
from analysis.runnability.rethreading import Return, compare_groups, learning
from analysis.runnability.survival import Runs, kaplan_meier
from analysis.runnability.weibull import weibull

A_DAY = 2.5
"""Breaks a day of the simulated machine: about the demo mill's."""
FOLLOWS = 1 / 3
"""Chance that a break is followed by another within half an hour, where breaks are clustered: index of dispersion 2."""
NOMINAL = 0.95

Covers = Callable[[Generator, float, bool], bool | None]


@dataclass(frozen=True)
class Coverage:
    """In how many of the rounds an interval held the truth; rounds too thin to give one are left out."""

    covered: int
    rounds: int

    @property
    def share(self) -> float:
        """Actual coverage."""
        return self.covered / self.rounds if self.rounds else float("nan")

    def below(self, nominal: float, *, deviations: float = 3.0) -> bool:
        """Whether it is lower than announced by more than chance explains."""
        spread = float(np.sqrt(nominal * (1 - nominal) / max(self.rounds, 1)))
        return bool(self.share < nominal - deviations * spread)


def coverage(covers: Covers, breaks: float, *, clustered: bool = False, rounds: int = 300, seed: int = 1) -> Coverage:
    """Simulate so many machines with this many expected breaks (a side, or in all: see each interval)."""
    rng = np.random.default_rng(seed)
    answers = [covers(rng, breaks, clustered) for _ in range(rounds)]
    known = [a for a in answers if a is not None]
    return Coverage(covered=sum(known), rounds=len(known))


def break_times(rng: Generator, days: float, a_day: float, clustered: bool) -> Floats:
    """Moments of breaks on the on-reel clock, in order. [d]"""
    if not clustered:
        return np.sort(rng.uniform(0, days, rng.poisson(a_day * days)))
    first = rng.uniform(0, days, rng.poisson(a_day * days * (1 - FOLLOWS)))
    more = rng.geometric(1 - FOLLOWS, first.size) - 1
    later = np.repeat(first, more) + rng.uniform(0, 0.5 / 24, more.sum())
    return np.sort(np.concatenate([first, later[later < days]]))


def by_day(times: Floats, days: int) -> Tally:
    """Daily counts of a machine that runs round the clock."""
    counts = np.bincount(times.astype(int), minlength=days)
    return Tally(counts=tuple(int(c) for c in counts), hours=(24.0,) * days)


def rate(rng: Generator, breaks: float, clustered: bool) -> bool:
    """Exact Poisson interval of a rate."""
    days = breaks / A_DAY
    low, high = count_interval(break_times(rng, days, A_DAY, clustered).size)
    return bool(low <= breaks <= high)


def rate_as_chosen(rng: Generator, breaks: float, clustered: bool) -> bool:
    """Interval of a rate, widened where the days scatter."""
    days = max(2, round(breaks / A_DAY))
    found = unit_rate(by_day(break_times(rng, days, A_DAY, clustered), days))
    return bool(found.low <= A_DAY / 24 <= found.high)


def _two_periods(rng: Generator, breaks: float, clustered: bool, ratio: float = 0.7) -> tuple[Tally, Tally]:
    days = max(2, round(breaks / A_DAY))
    before, after = (by_day(break_times(rng, days, a_day, clustered), days) for a_day in (A_DAY, A_DAY * ratio))
    return before, after


def ratio_exact(rng: Generator, breaks: float, clustered: bool) -> bool:
    """Exact conditional interval of a ratio of 0.7; so many breaks expected before."""
    before, after = _two_periods(rng, breaks, clustered)
    found = exact_ratio(after.total, before.total)
    return found.low <= 0.7 <= found.high


def ratio_mid_p(rng: Generator, breaks: float, clustered: bool) -> bool:
    """The same, mid-p."""
    before, after = _two_periods(rng, breaks, clustered)
    found = exact_ratio(after.total, before.total, mid_p=True)
    return found.low <= 0.7 <= found.high


def ratio_quasi(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """The same, quasi-Poisson."""
    before, after = _two_periods(rng, breaks, clustered)
    try:
        found = quasi_poisson_ratio(after, before)
    except TooFewEvents:
        return None
    return found.low <= 0.7 <= found.high


def ratio_chosen(rng: Generator, breaks: float, clustered: bool) -> bool:
    """The interval that ``compare`` chooses by the test of dispersion."""
    found = compare(*_two_periods(rng, breaks, clustered)).chosen
    return found.low <= 0.7 <= found.high


def monitored(rng: Generator, breaks: float, clustered: bool) -> bool:
    """Limits of the monitor at a ratio of 1, at every one of 365 daily looks; so many breaks expected before."""
    return not _monitor_leaves(rng, breaks, clustered, dispersion=1.0)


def monitored_widened(rng: Generator, breaks: float, clustered: bool) -> bool:
    """The same, told that the dispersion is 2."""
    return not _monitor_leaves(rng, breaks, clustered, dispersion=2.0)


def _monitor_leaves(rng: Generator, breaks: float, clustered: bool, dispersion: float) -> bool:
    days = breaks / A_DAY
    before = Counted(events=break_times(rng, days, A_DAY, clustered).size, hours=24 * days)
    after = np.cumsum(by_day(break_times(rng, 365, A_DAY, clustered), 365).counts).astype(np.float64)
    hours = 24.0 * np.arange(1, 366, dtype=np.float64)
    needed = np.log(2 / (1 - NOMINAL))
    sides = [log_evidence(before, after, hours, 1.0, side=side, dispersion=dispersion).max() for side in (-1, 1)]
    return bool(max(sides) >= needed)


def _wearing(rng: Generator, breaks: float, clustered: bool, shape: float = 1.4) -> Observed:
    """A system whose expected breaks grow like t^shape, to ``breaks`` at age 1."""
    places = break_times(rng, breaks / A_DAY, A_DAY, clustered) / (breaks / A_DAY)
    return Observed(name="m", events=tuple(places ** (1 / shape)), end=1.0)


def power_law_shape(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Exact interval of a power law's shape of 1.4."""
    try:
        model = fit([_wearing(rng, breaks, clustered)])
    except TooFewEvents:
        return None
    return model.beta_low <= 1.4 <= model.beta_high


def power_law_shape_told(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """The same, told that the dispersion is 2."""
    try:
        model = fit([_wearing(rng, breaks, clustered)], dispersion=2.0)
    except TooFewEvents:
        return None
    return bool(model.beta_low <= 1.4 <= model.beta_high)


def power_law_rate(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Interval of the rate at the end, true value 1.4 times ``breaks``."""
    try:
        model = fit([_wearing(rng, breaks, clustered)])
    except TooFewEvents:
        return None
    return model.rate_low <= 1.4 * breaks <= model.rate_high


def change_time(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Range of the moment of a change to a threefold rate, where exactly one change was found."""
    half = breaks / 4
    times = np.concatenate(
        [
            break_times(rng, half / A_DAY, A_DAY, clustered) / (half / A_DAY),
            1 + break_times(rng, half / A_DAY, 3 * A_DAY, clustered) / (half / A_DAY),
        ]
    )
    found = steps(Observed(name="m", events=tuple(np.sort(times)), end=2.0)).changes
    return found[0].earliest <= 1.0 <= found[0].latest if len(found) == 1 else None


def curve_over_felts(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Mean cumulative function at the end of eight felts' lives, each with its own proneness (a gamma of shape 4)."""
    days = breaks / 8 / A_DAY
    felts = []
    for i in range(8):
        events = break_times(rng, days, A_DAY * rng.gamma(4.0) / 4.0, clustered)
        felts.append(Observed(name=str(i), events=tuple(events), end=days))
    try:
        curve = mean_cumulative(felts)
    except TooFewEvents:
        return None
    return bool(curve.low[-1] <= breaks / 8 <= curve.high[-1])


def _some_runs(rng: Generator, breaks: float, clustered: bool, shape: float = 0.8) -> tuple[Runs, float]:
    """Weibull runs of scale 10 h, a third cut off by something else; clustered ones in pairs of nearly equal length."""
    size = max(3, round(breaks * 1.5))
    lengths = 10 * rng.weibull(shape, size)
    if clustered:
        lengths[1::2] = lengths[: lengths[1::2].size * 2 : 2] * rng.uniform(0.95, 1.05, lengths[1::2].size)
    cut = rng.exponential(22.0, size)
    seen = np.maximum(np.minimum(lengths, cut), 1e-6)
    return Runs(hours=tuple(seen), broke=tuple(lengths <= cut)), shape


def survival_curve(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Kaplan-Meier limits of the share that outlasts 6 h."""
    some, shape = _some_runs(rng, breaks, clustered)
    try:
        curve = kaplan_meier(some)
    except TooFewEvents:
        return None
    at = int(np.searchsorted(curve.hours, 6.0, side="right")) - 1
    if at < 0 or np.isnan(curve.low[at]):
        return None
    return bool(curve.low[at] <= np.exp(-(0.6**shape)) <= curve.high[at])


def weibull_shape(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Likelihood limits of a Weibull shape of 0.8."""
    some, shape = _some_runs(rng, breaks, clustered)
    try:
        model = weibull(some)
    except TooFewEvents:
        return None
    return model.shape_low <= shape <= model.shape_high


def weibull_scale(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Likelihood limits of a Weibull scale of 10 h."""
    some, _ = _some_runs(rng, breaks, clustered)
    try:
        model = weibull(some)
    except TooFewEvents:
        return None
    return model.scale_low <= 10.0 <= model.scale_high


def share(rng: Generator, breaks: float, clustered: bool) -> bool:
    """Exact interval of a share of 0.2 among so many breaks; clustered ones in pairs that go alike."""
    size = round(breaks)
    hits = rng.uniform(size=size) < 0.2
    if clustered:
        hits[1::2] = hits[: hits[1::2].size * 2 : 2]
    found = share_of(int(hits.sum()), size)
    return found.low is not None and found.high is not None and found.low <= 0.2 <= found.high


def pooled_share(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Pooled interval of the first of four crews, whose true shares differ (a beta with mean 0.7, size 20)."""
    shares = rng.beta(14, 6, 4)
    sizes = rng.multinomial(round(breaks), (0.1, 0.3, 0.3, 0.3))
    if clustered:
        good = [int(2 * rng.binomial(n // 2, p) + rng.binomial(n % 2, p)) for n, p in zip(sizes, shares, strict=True)]
    else:
        good = [int(rng.binomial(n, p)) for n, p in zip(sizes, shares, strict=True)]
    try:
        found = pool_shares("ABCD", good, sizes.tolist()).groups[0]
    except TooFewEvents:
        return None
    return bool(found.low <= shares[0] <= found.high)


def _returns(rng: Generator, breaks: float, clustered: bool, typical: Floats) -> list[Return]:
    lost = np.exp(rng.normal(0, 0.6, round(breaks)))
    if clustered:
        lost[1::2] = lost[: lost[1::2].size * 2 : 2]
    return [
        Return(
            day=float(day),
            section=str(i % typical.size),
            crew="ABCD"[i % 4],
            grade=None,
            attempts=1,
            lost_min=float(typical[i % typical.size] * lost[i]),
            clearing_min=None,
            threading_min=None,
        )
        for i, day in enumerate(np.sort(rng.uniform(0, 60, lost.size)))
    ]


def pooled_minutes(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Pooled interval of the typical minutes of the first of four crews (log means scatter by 0.2 about 18 min)."""
    typical = 18 * np.exp(rng.normal(0, 0.2, 4))
    found = compare_groups(_returns(rng, breaks, clustered, typical), lambda r: r.crew or "").minutes
    return None if found is None else bool(found.groups[0].low <= typical[0] <= found.groups[0].high)


def learning_slope(rng: Generator, breaks: float, clustered: bool) -> bool | None:
    """Limits of the change of minutes in 30 days, true value −10 %."""
    steady = _returns(rng, breaks, clustered, np.array([10.0, 25.0, 15.0]))
    changing = [
        Return(
            day=r.day,
            section=r.section,
            crew=r.crew,
            grade=None,
            attempts=1,
            lost_min=(r.lost_min or 0) * 0.9 ** (r.day / 30),
            clearing_min=None,
            threading_min=None,
        )
        for r in steady
    ]
    try:
        found = learning(changing)
    except TooFewEvents:
        return None
    return found.minutes_low <= -0.1 <= found.minutes_high


INTERVALS: dict[str, Covers] = {
    "rate, exact Poisson": rate,
    "rate, as reported": rate_as_chosen,
    "ratio, exact conditional": ratio_exact,
    "ratio, mid-p": ratio_mid_p,
    "ratio, quasi-Poisson": ratio_quasi,
    "ratio, as chosen by compare": ratio_chosen,
    "monitor, all of 365 daily looks": monitored,
    "monitor, told dispersion 2": monitored_widened,
    "power-law shape, exact": power_law_shape,
    "power-law shape, told dispersion 2": power_law_shape_told,
    "power-law rate at the end": power_law_rate,
    "moment of a change (threefold)": change_time,
    "mean cumulative function, 8 felts": curve_over_felts,
    "Kaplan-Meier, log-log": survival_curve,
    "Weibull shape, likelihood": weibull_shape,
    "Weibull scale, likelihood": weibull_scale,
    "share, exact binomial": share,
    "pooled share, smallest of 4 crews": pooled_share,
    "pooled minutes, one of 4 crews": pooled_minutes,
    "change of minutes in 30 days": learning_slope,
}
"""Every interval that is reported, by its name in METHODS.md. (Hazard bands and segments are the first.)"""


def exact_coverage_of_rate(mean: float) -> float:
    """Coverage of the exact Poisson interval, summed over all counts instead of simulated."""
    counts = np.arange(int(stats.poisson.isf(1e-12, mean)) + 1)
    inside = [low <= mean <= high for low, high in (count_interval(int(c)) for c in counts)]
    return float(stats.poisson.pmf(counts, mean)[inside].sum())
