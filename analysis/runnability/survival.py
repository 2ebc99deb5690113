"""How long the sheet stays on the reel: Kaplan-Meier curves, and the hazard just after a restart.

A run is one stretch on the reel. It ends in a break, or is cut off by something else (taken off as planned, a stop, a
gap in the data, the end of the period): then it is right-censored, which says "at least so long". For one section, the
breaks of the others censor as well; what results is that section's own hazard, not a chance in a world without others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from scipy import stats

from analysis.figures.rates import Rate, rate_of
from analysis.runnability.observed import Floats, TooFewEvents

INFANT_EDGES_MIN = (0.0, 5.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0, float("inf"))
"""Minutes since back on the reel at which the hazard is cut into bands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Lengths of runs, and whether each ended in a break (of the kind looked at). [h]"""

    hours: tuple[float, ...]
    broke: tuple[bool, ...]

    def __post_init__(self) -> None:
        """Refuse runs without length."""
        if len(self.hours) != len(self.broke):
            raise ValueError(f"{len(self.hours)} lengths, but {len(self.broke)} ends")
        if any(not h > 0 for h in self.hours):
            raise ValueError("a run has a length above 0")

    @property
    def breaks(self) -> int:
        """Runs that ended in a break."""
        return sum(self.broke)


class Limits(StrEnum):
    """Scale on which limits of a survival curve are symmetric."""

    LOG_LOG = "log-log"
    """Stays within 0 and 1 and covers best with few runs; reported by default."""
    LOG = "log"


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """Kaplan-Meier curve, one row a length at which a run broke.

    at_risk, breaks
        Runs at least so long; of these, broken at that length.
    surviving, error, low, high
        Share of runs that last longer, Greenwood's standard error, limits; no limits where nothing survives.
    """

    hours: Floats
    at_risk: Floats
    breaks: Floats
    surviving: Floats
    error: Floats
    low: Floats
    high: Floats
    confidence: float

    @property
    def median(self) -> float | None:
        """Length that half of the runs outlast; None where more than half did to the end. [h]"""
        return self.outlasted_by(0.5)

    def outlasted_by(self, share: float) -> float | None:
        """The first length outlasted by at most this share of the runs. [h]"""
        reached = np.flatnonzero(self.surviving <= share + 1e-12)
        return float(self.hours[reached[0]]) if reached.size else None


def kaplan_meier(runs: Runs, *, confidence: float = 0.95, limits: Limits = Limits.LOG_LOG) -> Survival:
    """Share of runs that last longer than each length, with censored runs counted as long as they were seen.

    Source: Kaplan & Meier (1958); Greenwood (1926); NIST/SEMATECH e-Handbook 8.2.1.5.

    Raises
    ------
    TooFewEvents
        Without a break.
    """
    lengths, broke = np.asarray(runs.hours), np.asarray(runs.broke, dtype=bool)
    hours = np.unique(lengths[broke])
    if not hours.size:
        raise TooFewEvents("no run ended in such a break; a survival curve needs at least one")
    at_risk = np.array([(lengths >= h).sum() for h in hours], dtype=np.float64)
    breaks = np.array([(broke & (lengths == h)).sum() for h in hours], dtype=np.float64)
    surviving = np.asarray(np.cumprod(1 - breaks / at_risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.asarray(np.sqrt(np.cumsum(breaks / (at_risk * (at_risk - breaks)))), dtype=np.float64)
    low, high = _curve_limits(surviving, relative, float(stats.norm.isf((1 - confidence) / 2)), limits)
    with np.errstate(invalid="ignore"):
        error = surviving * relative
    return Survival(
        hours=hours,
        at_risk=at_risk,
        breaks=breaks,
        surviving=surviving,
        error=error,
        low=low,
        high=high,
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HazardBand:
    """Breaks per on-reel hour between two lengths of time since back on the reel. [min]"""

    from_min: float
    to_min: float
    rate: Rate


def hazard_bands(
    runs: Runs, *, edges_min: Sequence[float] = INFANT_EDGES_MIN, confidence: float = 0.95
) -> tuple[HazardBand, ...]:
    """Break rate by time since the sheet came back: the infant mortality of a restart, with exact intervals.

    The hours at risk of a band are those that all runs together spent in it.
    """
    minutes, broke = np.asarray(runs.hours) * 60, np.asarray(runs.broke, dtype=bool)
    bands = []
    for low, high in pairwise(edges_min):
        hours = float(np.clip(np.minimum(minutes, high) - low, 0, None).sum()) / 60
        events = int((broke & (minutes > low) & (minutes <= high)).sum())
        bands.append(HazardBand(from_min=low, to_min=high, rate=rate_of(events, hours, confidence)))
    return tuple(bands)


def _curve_limits(surviving: Floats, relative: Floats, reach: float, limits: Limits) -> tuple[Floats, Floats]:
    """Limits of a survival curve from its error relative to itself; not a number where nothing survives."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if limits is Limits.LOG:
            low, high = surviving * np.exp(-reach * relative), surviving * np.exp(reach * relative)
        else:
            spread = np.exp(reach * relative / np.log(surviving))
            low, high = surviving ** (1 / spread), surviving**spread
    gone = surviving <= 0
    return np.where(gone, np.nan, low), np.where(gone, np.nan, np.minimum(high, 1.0))
