"""Is the break rate now below what it was? An answer that may be looked at every morning without fooling oneself.

An ordinary interval is right for one look at a time fixed beforehand. Whoever looks daily and stops when it pleases is
wrong far more often than it says. The intervals here hold for all looks together: with 95 % chance none of them, at any
time, leaves out the true ratio.

How. Condition on the breaks before and after together: at a true ratio r the share after is binomial, and its
likelihood ratio of "ratio rho·r" to "ratio r", after T hours against T0 before, is

    rho^N · ((T0 + r·T) / (T0 + rho·r·T))^(X + N)        X breaks before, N after.

Averaged over rho on one side of 1 (a half-normal in log rho, fixed beforehand) it is the evidence against r on that
side. It is scale-invariant, so the unknown rate itself drops out. The limits are the ratios at which the evidence of
their side is 2/(1 − confidence): Ville's inequality, each side half the error.

Sources: mixtures and time-uniform limits: Howard, Ramdas, McAuliffe & Sekhon, Annals of Statistics 49 (2021) 1055-1080;
invariant likelihood ratios as tests that may be stopped at will: Pérez-Ortiz, Lardy, de Heide & Grünwald, Annals of
Statistics 52 (2024) 1410-1432. What is proven and what is only simulated is said in METHODS.md.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats
from scipy.special import logsumexp

from analysis.runnability.observed import Counted, Floats

SPREAD = 0.35
"""Scale of the half-normal over log rho: looks hardest for changes of 10 to 50 %, which is what mills try for."""
_NODES = 64
_LOG_RHO: Floats = SPREAD * stats.norm.ppf(0.5 + (np.arange(_NODES) + 0.5) / (2 * _NODES))
_WIDEST = 12.0
"""Ratios beyond e^±12 are not looked for: they count as 0 and infinite."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What could be said at one look, all breaks and on-reel hours since the change counted.

    ratio, low, high
        Rate since the change over rate before, with its limits; they hold for all looks together.
    evidence_of_fall, evidence_of_rise
        How many times better a fall (a rise) explains the breaks than no change; 40 shows it at 95 %.
    """

    events: int
    hours: float
    ratio: float
    low: float
    high: float
    evidence_of_fall: float
    evidence_of_rise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Monitor:
    """All looks so far.

    fall_shown_at, rise_shown_at
        Number of the look (from 0) at which the limits first left out "no change"; it stays shown. None if not yet.
    """

    before: Counted
    looks: tuple[Look, ...]
    confidence: float
    dispersion: float
    fall_shown_at: int | None
    rise_shown_at: int | None


def monitor(before: Counted, since: Sequence[Counted], *, confidence: float = 0.95, dispersion: float = 1.0) -> Monitor:
    """Follow the ratio of the rate since a change to the rate before it.

    since
        One a look: everything since the change up to it, so both counts and hours rise. An analyst may add looks, or
        stop, as the breaks come.
    dispersion
        Variance over mean of the counts (1 for independent breaks). Clustered breaks carry less information: all
        counts are divided by it. This is an approximation, not covered by the guarantee.
    """
    if dispersion < 1:
        raise ValueError("dispersion below 1 would claim more information than there are breaks")
    looks = tuple(_look(before, now, confidence, dispersion) for now in since)
    return Monitor(
        before=before,
        looks=looks,
        confidence=confidence,
        dispersion=dispersion,
        fall_shown_at=next((i for i, look in enumerate(looks) if look.high < 1), None),
        rise_shown_at=next((i for i, look in enumerate(looks) if look.low > 1), None),
    )


def log_evidence(
    before: Counted, events: Floats, hours: Floats, ratio: float, *, side: int, dispersion: float = 1.0
) -> Floats:
    """Log of the evidence against a ratio, in favour of a smaller (side −1) or greater (side 1) one, a value a look.

    events, hours
        Since the change up to each look. [h]

    Against a smaller one the break that would have come next before the change is not counted; against a greater one it
    is, as if it had come at once. Both err towards "no change", as the ends of the exact Poisson interval do.
    """
    earlier = (before.events + (1 if side > 0 else 0)) / dispersion
    found = events[:, None] / dispersion
    log_rho = side * _LOG_RHO
    scaled = ratio * hours[:, None]
    shift = np.log(before.hours + scaled) - np.log(before.hours + scaled * np.exp(log_rho))
    return np.asarray(logsumexp(found * log_rho + (earlier + found) * shift, axis=1) - np.log(_NODES))


def _crossing(excess: Callable[[float, int], float], side: int) -> float:
    return float(np.exp(optimize.brentq(excess, -_WIDEST, _WIDEST, args=(side,), xtol=1e-9)))


def _look(before: Counted, now: Counted, confidence: float, dispersion: float) -> Look:
    needed = float(np.log(2 / (1 - confidence)))
    events, hours = np.array([float(now.events)]), np.array([now.hours])

    def excess(log_ratio: float, side: int) -> float:
        ratio = float(np.exp(log_ratio))
        (found,) = log_evidence(before, events, hours, ratio, side=side, dispersion=dispersion)
        return float(found) - needed

    fall, rise = (float(np.exp(excess(0.0, side) + needed)) for side in (-1, 1))
    return Look(
        events=now.events,
        hours=now.hours,
        ratio=now.rate / before.rate if before.events else float("nan"),
        low=0.0 if excess(-_WIDEST, 1) < 0 else _crossing(excess, 1),
        high=float("inf") if excess(_WIDEST, -1) < 0 else _crossing(excess, -1),
        evidence_of_fall=fall,
        evidence_of_rise=rise,
    )
