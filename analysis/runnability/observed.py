"""What every figure of a repairable machine starts from: systems seen over a window, and counts over exposure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class TooFewEvents(ValueError):
    """There are not enough breaks for this figure; ask for a longer period."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """One system (a machine, or one felt's life) and its breaks, on a clock that only runs while it can break.

    events
        Ages at its breaks, rising; several may fall on one age. [h, as a rule on-reel hours]
    end
        Age at the end of observation. [h]
    start
        Age at its beginning: above 0 for a felt that was already old when the data begin. [h]
    ended_by_event
        True when observation was stopped because the last event came ("event-truncated").
    costs
        Of each event, for cost-weighted curves; empty means 1 each. [min, t or money]
    """

    name: str
    events: tuple[float, ...]
    end: float
    start: float = 0.0
    ended_by_event: bool = False
    costs: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a window that cannot be: events outside it or out of order."""
        if not 0 <= self.start < self.end:
            raise ValueError(f"{self.name}: observed from {self.start} to {self.end} is not a window")
        if any(later < earlier for earlier, later in pairwise(self.events)):
            raise ValueError(f"{self.name}: events must be in order of time")
        if self.events and not self.start < self.events[0] <= self.events[-1] <= self.end:
            raise ValueError(f"{self.name}: an event lies outside the window ({self.start}, {self.end}]")
        if self.ended_by_event and (not self.events or self.events[-1] != self.end):
            raise ValueError(f"{self.name}: said to end with its last event, but does not")
        if self.costs and len(self.costs) != len(self.events):
            raise ValueError(f"{self.name}: {len(self.costs)} costs for {len(self.events)} events")

    @property
    def hours(self) -> float:
        """How long it was seen. [h]"""
        return self.end - self.start

    @property
    def informative(self) -> Floats:
        """The events whose place is free: without the one that ended the observation. [h]"""
        return np.asarray(self.events[:-1] if self.ended_by_event else self.events, dtype=np.float64)

    @property
    def gaps(self) -> Floats:
        """Times from the start to the first event and between events; the last, unfinished one is left out. [h]"""
        return np.diff(np.asarray((self.start, *self.events), dtype=np.float64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Breaks counted over a stretch of on-reel time."""

    events: int
    hours: float

    def __post_init__(self) -> None:
        """Refuse what cannot be counted."""
        if self.events < 0 or not self.hours > 0:
            raise ValueError(f"{self.events} breaks in {self.hours} on-reel hours is not a count")

    @property
    def rate(self) -> float:
        """Breaks per on-reel hour. [1/h]"""
        return self.events / self.hours


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Breaks counted unit by unit (days, shifts), each with its own on-reel hours.

    labels
        One a unit, for tables and pictures; may be left out.
    """

    counts: tuple[int, ...]
    hours: tuple[float, ...]
    labels: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse counts that do not fit their exposures."""
        if len(self.counts) != len(self.hours) or (self.labels and len(self.labels) != len(self.counts)):
            raise ValueError(f"{len(self.counts)} counts, {len(self.hours)} exposures, {len(self.labels)} labels")
        if any(c < 0 for c in self.counts) or any(h < 0 for h in self.hours):
            raise ValueError("counts and on-reel hours cannot be negative")
        if any(c and not h for c, h in zip(self.counts, self.hours, strict=True)):
            raise ValueError("a break needs on-reel time in its unit")

    @property
    def total(self) -> Counted:
        """All units together."""
        return Counted(events=sum(self.counts), hours=sum(self.hours))

    def merged(self, least_share: float = 0.5) -> Tally:
        """Units with less than so much of the median on-reel time, joined to those that follow.

        Counts of days with hardly any running time have no chi-square distribution; joined ones nearly have. A
        remainder at the end joins the last unit.
        """
        running = [h for h in self.hours if h > 0]
        least = least_share * float(np.median(running)) if running else 0.0
        counts: list[int] = []
        hours: list[float] = []
        open_count, open_hours = 0, 0.0
        for count, exposure in zip(self.counts, self.hours, strict=True):
            open_count, open_hours = open_count + count, open_hours + exposure
            if open_hours >= least > 0:
                counts.append(open_count)
                hours.append(open_hours)
                open_count, open_hours = 0, 0.0
        if counts and open_hours:
            counts[-1] += open_count
            hours[-1] += open_hours
        return Tally(counts=tuple(counts), hours=tuple(hours))
