"""Every number the search for evidence can be told, with its default and its reason."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MINUTE_MS = 60_000
DAY_MS = 86_400_000
MEMORY = "2GB"
"""What DuckDB may take. What it hands over stands beside it, two months at a time, and a number for each tag and
minute: over a year of 200 tags and 500 breaks the whole process took 2.4 GB."""


class Statistic(StrEnum):
    """What a tag did in a window; how each is worked out stands in ``signals``."""

    LEVEL = "level"
    AWAY = "away from the run's normal"
    SPREAD = "spread"
    SLOPE = "slope"
    STEP = "step"
    SWING = "swing"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Window:
    """A stretch before the loss, in whole minutes counted back from the minute of the loss: −60 up to −30. [min]"""

    start: int
    end: int

    def __post_init__(self) -> None:
        """Refuse a window that is too short for a slope, or that does not lie before the loss."""
        if not self.start + 4 <= self.end <= 0:
            raise ValueError(
                f"a window from {self.start} to {self.end} min is no window of at least 4 min before a loss"
            )

    @property
    def words(self) -> str:
        """For people: ``60 to 30 min before``."""
        return f"{-self.start} to {-self.end} min before"


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceSettings:
    """How quiet runs are matched, which windows are looked at, and when something counts as shown.

    windows
        Before the loss, earliest first. The last one ends ``lead_min`` before it: the break's own trace, and clocks
        that differ by a second or ten, cannot reach into it.
    controls
        Quiet runs for each break. The fourth adds little: k of them give k/(k + 1) of what endlessly many would.
    quiet_min
        A quiet run is followed by no loss of the sheet for so long. [min]
    speed_band_m_min
        Its speed lies so near to that before the break. [m/min]
    restart_edges_min
        It lies in the same band of minutes since the sheet's return.
    settled_min
        A grade run younger than this is compared with others as young only. [min]
    near_days
        It lies no further off in time: what changes with the season then changes for both alike. [d]
    normal_h, normal_every_min, normal_after_h
        The run's own normal is the median over so much of the grade run before the first window, a minute taken every
        so many; without so much of it there is none.
    after_min
        How long after the loss a tag is looked at, to find those that only move because of it. [min]
    undisturbed_h
        A break so long after the sheet's return is not under the echo of the break before. [h]
    least_share
        A window counts if so much of its minutes is known.
    least_breaks
        With fewer matched breaks nothing is tested; strata of fewer are named but not judged.
    least_for_comparing
        Strata are compared with each other only if each has so many.
    false_share
        Share of false ones to be borne among what is called shown (the level of Benjamini and Hochberg).
    flips
        Times the signs of the clusters are drawn anew for a p-value.
    """

    windows: tuple[Window, ...] = (Window(start=-60, end=-30), Window(start=-30, end=-10), Window(start=-10, end=-2))
    lead_min: int = 2
    controls: int = 4
    quiet_min: int = 60
    speed_band_m_min: float = 20.0
    restart_edges_min: tuple[int, ...] = (15, 30, 60, 120, 240, 480)
    settled_min: int = 60
    near_days: float = 21.0
    normal_h: int = 24
    normal_every_min: int = 30
    normal_after_h: int = 2
    after_min: int = 6
    undisturbed_h: float = 4.0
    least_share: float = 0.6
    least_breaks: int = 10
    least_for_comparing: int = 20
    false_share: float = 0.05
    confidence: float = 0.95
    flips: int = 4_999
    resamples: int = 1_000
    seed: int = 20260301

    def __post_init__(self) -> None:
        """Refuse windows that reach into the lead, and what leaves nothing to compare."""
        if not self.windows or any(w.end > -self.lead_min for w in self.windows):
            raise ValueError(f"every window must end at least {self.lead_min} min before the loss")
        if self.controls < 1 or self.speed_band_m_min < 0 or not self.near_days > 0:
            raise ValueError("there must be at least one control, a speed band from 0 up, and some days to look in")

    @property
    def first_min(self) -> int:
        """Where the earliest window begins, relative to the loss. [min]"""
        return min(w.start for w in self.windows)

    @property
    def offsets(self) -> range:
        """The minutes of a frame relative to the minute of the loss."""
        return range(self.first_min, self.after_min + 1)
