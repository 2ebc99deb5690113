"""The power-law process: a break rate that rises or falls like a power of on-reel time.

Expected breaks of one system up to age t: (t/eta)^beta; rate: lam·beta·t^(beta−1), lam = eta^−beta. beta above 1 is
wear, below 1 is settling in. Given how many breaks each system had, ln(T/t) of each is exponential with rate beta: that
pivot gives the intervals of beta, without any large-sample argument.

Source: L. H. Crow, Reliability Analysis for Complex, Repairable Systems, AMSAA Technical Report 138 (1975).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from analysis.runnability.observed import Floats, Observed, TooFewEvents

STEEPEST = 50.0
"""A shape beyond this is no shape, but breaks in one place."""
CRITICAL_LEVELS = (0.20, 0.15, 0.10, 0.05, 0.01)
CRITICAL_CVM = {
    2: (0.139, 0.150, 0.161, 0.175, 0.186),
    3: (0.121, 0.135, 0.154, 0.183, 0.231),
    4: (0.121, 0.136, 0.156, 0.195, 0.278),
    5: (0.123, 0.138, 0.160, 0.202, 0.305),
    6: (0.123, 0.139, 0.163, 0.206, 0.315),
    7: (0.124, 0.141, 0.166, 0.207, 0.305),
    8: (0.124, 0.141, 0.165, 0.209, 0.312),
    9: (0.124, 0.141, 0.167, 0.212, 0.324),
    10: (0.124, 0.142, 0.169, 0.213, 0.321),
    12: (0.125, 0.143, 0.170, 0.213, 0.323),
    15: (0.125, 0.144, 0.169, 0.215, 0.335),
    20: (0.127, 0.145, 0.169, 0.217, 0.342),
    25: (0.127, 0.145, 0.170, 0.216, 0.342),
    27: (0.127, 0.144, 0.170, 0.215, 0.335),
    30: (0.127, 0.145, 0.172, 0.218, 0.328),
    36: (0.126, 0.144, 0.169, 0.213, 0.331),
    40: (0.128, 0.146, 0.172, 0.220, 0.335),
    50: (0.127, 0.145, 0.172, 0.219, 0.345),
    60: (0.127, 0.146, 0.172, 0.219, 0.352),
}
"""Cramér-von Mises statistic exceeded at each level, by number of free events: TR-138, Table 2 (US Government)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """A fitted power-law process.

    beta, lam, eta
        Maximum likelihood; eta is the age at which one break is expected. [eta in h]
    beta_conditional, beta_unbiased
        Shape from the free events alone, and the same times (M − 1)/M.
    beta_low, beta_high
        Exact interval of the shape.
    rate_now, rate_low, rate_high
        Rate of one system at the greatest age seen, and its interval. [1/h]
    free_events
        Events whose place was free (M): all, less the last of each event-truncated system.
    fit_statistic, fit_level
        Cramér-von Mises, and the table's level it reaches: 0.05 means "the power law is refused at 5 %";
        None means it is not refused at 20 %.
    """

    events: int
    free_events: int
    beta: float
    lam: float
    eta: float
    beta_conditional: float
    beta_unbiased: float
    beta_low: float
    beta_high: float
    confidence: float
    age: float
    rate_now: float
    rate_low: float
    rate_high: float
    log_likelihood: float
    fit_statistic: float
    fit_level: float | None

    def expected(self, age: float) -> float:
        """Breaks of one system expected up to an age."""
        return float((age / self.eta) ** self.beta)

    def rate(self, age: float) -> float:
        """Rate of one system at an age. [1/h]"""
        return float(self.lam * self.beta * age ** (self.beta - 1))


def fit(systems: Sequence[Observed], *, confidence: float = 0.95, dispersion: float = 1.0) -> PowerLaw:
    """Fit one power law to one or several systems that were each seen from age 0.

    dispersion
        Variance over mean of the counts. Above 1 (clustered breaks) intervals are made as from so many times fewer
        events: an approximation; estimates stay as they are.

    Raises
    ------
    TooFewEvents
        With fewer than three free events.
    ValueError
        For a system not seen from its beginning: a shape cannot be told from the middle of a life by this method.
    """
    if any(s.start for s in systems):
        raise ValueError("a power law needs systems seen from age 0; leave out those that were old when the data begin")
    logs = np.concatenate([np.log(s.end / s.informative) for s in systems])
    if logs.size < 3:
        raise TooFewEvents(f"a power law needs at least 3 breaks, there are {logs.size}; ask for a longer period")
    if not logs.sum() * STEEPEST > logs.size:
        raise TooFewEvents("all breaks crowd at the end, which is no power of time; ask for a longer period")
    events = sum(len(s.events) for s in systems)
    beta, lam = _maximum(systems, events)
    conditional = logs.size / float(logs.sum())
    unbiased = (logs.size - 1) / float(logs.sum())
    low, high = shape_interval(logs, confidence, dispersion=dispersion)
    statistic = cramer_von_mises(systems, unbiased)
    now, now_low, now_high = _rate_now(systems, (beta, lam), logs, confidence, dispersion)
    return PowerLaw(
        events=events,
        free_events=logs.size,
        beta=beta,
        lam=lam,
        eta=lam ** (-1 / beta),
        beta_conditional=conditional,
        beta_unbiased=unbiased,
        beta_low=low,
        beta_high=high,
        confidence=confidence,
        age=max(s.end for s in systems),
        rate_now=now,
        rate_low=now_low,
        rate_high=now_high,
        log_likelihood=log_likelihood(systems, beta, lam),
        fit_statistic=statistic,
        fit_level=level_reached(statistic, logs.size),
    )


def shape_interval(logs: Floats, confidence: float, *, dispersion: float = 1.0) -> tuple[float, float]:
    """Exact interval of the shape from ln(T/t) of the free events: 2·beta·Σ ln(T/t) is chi-square with 2M degrees."""
    tail, df, total = (1 - confidence) / 2, 2 * logs.size / dispersion, 2 * float(logs.sum()) / dispersion
    return float(stats.chi2.ppf(tail, df)) / total, float(stats.chi2.isf(tail, df)) / total


def scale_interval(systems: Sequence[Observed], beta: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact interval of lam where the shape is known (TR-138, 3.4): that of a count over Σ T^beta."""
    tail, events = (1 - confidence) / 2, sum(len(s.events) for s in systems)
    exposure = 2 * sum(s.end**beta for s in systems)
    low = float(stats.chi2.ppf(tail, 2 * events)) if events else 0.0
    return low / exposure, float(stats.chi2.isf(tail, 2 * events + 2)) / exposure


def large_sample_shape_interval(model: PowerLaw, *, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the shape from the observed information, on a log scale: for comparison with other programs only.

    With a single system, or all seen equally long, var(ln beta) is 1/N. The exact interval above is the one to use.
    """
    reach = float(stats.norm.isf((1 - confidence) / 2)) / np.sqrt(model.events)
    return float(model.beta * np.exp(-reach)), float(model.beta * np.exp(reach))


def cramer_von_mises(systems: Sequence[Observed], beta_unbiased: float) -> float:
    """How far the free events, spread by the fitted shape, lie from an even spread (TR-138, 3.7)."""
    places = np.sort(np.concatenate([s.informative / s.end for s in systems]))
    middles = (2 * np.arange(1, places.size + 1) - 1) / (2 * places.size)
    return float(1 / (12 * places.size) + ((places**beta_unbiased - middles) ** 2).sum())


def level_reached(statistic: float, free_events: int) -> float | None:
    """The smallest of TR-138's levels whose critical value the statistic exceeds; None if it stays below all."""
    size = max((m for m in CRITICAL_CVM if m <= free_events), default=min(CRITICAL_CVM))
    reached = [a for a, critical in zip(CRITICAL_LEVELS, CRITICAL_CVM[size], strict=True) if statistic > critical]
    return min(reached, default=None)


def log_likelihood(systems: Sequence[Observed], beta: float, lam: float) -> float:
    """Log-likelihood of a power law, in nats (with event times in hours)."""
    times = np.concatenate([np.asarray(s.events, dtype=np.float64) for s in systems])
    total = times.size * (np.log(lam) + np.log(beta)) + (beta - 1) * np.log(times).sum()
    return float(total - lam * sum(s.end**beta for s in systems))


@dataclass(frozen=True, slots=True, kw_only=True)
class SameShape:
    """Whether several systems may share one shape: a small p says they do not."""

    statistic: float
    df: int
    p_value: float


def same_shape(systems: Sequence[Observed]) -> SameShape:
    """Likelihood-ratio test with Bartlett's correction that all systems have one shape (TR-138, 3.3)."""
    logs = [np.log(s.end / s.informative) for s in systems]
    sizes = np.array([x.size for x in logs], dtype=np.float64)
    if len(systems) < 2 or sizes.min() < 2:
        raise TooFewEvents("comparing shapes needs at least two systems with two breaks each")
    sums = np.array([x.sum() for x in logs])
    excess = float((sizes * np.log(sizes / sums)).sum() - sizes.sum() * np.log(sizes.sum() / sums.sum()))
    df = len(systems) - 1
    correction = 1 + (float((1 / sizes).sum()) - 1 / float(sizes.sum())) / (6 * df)
    statistic = 2 * excess / correction
    return SameShape(statistic=statistic, df=df, p_value=float(stats.chi2.sf(statistic, df)))


def _maximum(systems: Sequence[Observed], events: int) -> tuple[float, float]:
    """Maximum likelihood of shape and lam; iterative only where windows differ."""
    ends = np.array([s.end for s in systems])
    log_sum = sum(float(np.log(np.asarray(s.events) / ends.max()).sum()) for s in systems if s.events)
    scaled = ends / ends.max()

    def score(beta: float) -> float:
        weights = scaled**beta
        return events / beta - events * float((weights * np.log(scaled)).sum() / weights.sum()) + log_sum

    beta = -events / log_sum if np.all(scaled == 1) else _root(score, 1e-6, STEEPEST)
    if beta > STEEPEST:
        raise TooFewEvents("all breaks crowd at the end, which is no power of time; ask for a longer period")
    return beta, float(events / (ends**beta).sum())


def _root(score: Callable[[float], float], low: float, high: float) -> float:
    try:
        return float(optimize.brentq(score, low, high, xtol=1e-14, rtol=1e-14))
    except ValueError as error:
        raise TooFewEvents("these breaks have no power-law shape (all in one place); take longer") from error


def _rate_now(
    systems: Sequence[Observed], model: tuple[float, float], logs: Floats, confidence: float, dispersion: float
) -> tuple[float, float, float]:
    """Rate at the greatest age with the product interval of METHODS.md (exact for one event-truncated system)."""
    beta, lam = model
    age = max(s.end for s in systems)
    tail = (1 - confidence) / 2
    events, free = sum(len(s.events) for s in systems) / dispersion, logs.size / dispersion
    fixed = any(not s.ended_by_event for s in systems)
    scale = float(logs.sum()) * age * sum((s.end / age) ** beta for s in systems) / dispersion**2
    low = gamma_product_quantile(tail, events, free)
    high = gamma_product_quantile(1 - tail, events + 1 if fixed else events, free)
    return lam * beta * age ** (beta - 1), low / scale, high / scale


def gamma_product_quantile(chance: float, first: float, second: float) -> float:
    """Quantile of the product of two independent unit-scale gamma variables with these shapes."""
    grid = (np.arange(2000) + 0.5) / 2000
    factors = stats.gamma.ppf(grid, second)

    def above(log_product: float) -> float:
        return float(stats.gamma.cdf(np.exp(log_product) / factors, first).mean()) - chance

    centre = np.log(first * second)
    reach = 12 * np.sqrt(1 / first + 1 / second)
    return float(np.exp(optimize.brentq(above, centre - reach, centre + reach, xtol=1e-10)))
