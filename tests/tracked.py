"""The plain rows in which two trackers are compared, and the settings that both are given."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.fact import Fault, Kind, Outcome, State

CONTEXT_ROLES = ("grade", "shade", "reel")


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """One sheet detector; ``position_m`` along the path of the sheet from the slice. [m]"""

    tag: str
    section: str
    position_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The settings of mill.toml by their names there, times in whole milliseconds.

    roles
        Role name (``speed``, ``stock_on``, ``planned``, ``grade``, ``shade``, ``reel``, ``basis_weight``,
        ``full_width``, ``reel_witness``) to tag name; a role that is not given is left out.
    detectors
        From the wet end to the reel.
    heartbeats
        How often each source sends at least, by its number.
    """

    machine: str = "pm2"
    roles: dict[str, str] = field(default_factory=dict)
    detectors: tuple[Detector, ...] = ()
    trim_m: float = 3.4
    running_above_m_min: float = 50.0
    reorder_ms: int = 1_000
    debounce_ms: int = 2_000
    blind_margin_ms: int = 5_000
    stale_after_ms: int = 60_000
    trip_window_ms: int = 15_000
    trip_drop_pct: float = 20.0
    attempt_pause_ms: int = 300_000
    on_reel_confirm_ms: int = 30_000
    heartbeats: dict[int, int] = field(default_factory=dict)

    @property
    def role_tags(self) -> frozenset[str]:
        """Every tag that a role names."""
        return frozenset(self.roles.values()) | {detector.tag for detector in self.detectors}


@dataclass(frozen=True, slots=True, kw_only=True)
class Downtime:
    """One downtime; ``ended_ms`` None while it is open. Field names and units as in ``DowntimeOpened``."""

    started_ms: int
    ended_ms: int | None = None
    kind: Kind = Kind.BREAK
    section: str | None = None
    location_tied: bool = False
    start_uncertain: bool = False
    end_uncertain: bool = False
    unwitnessed: bool = False
    at_reel: bool = False
    grade: str | None = None
    shade: str | None = None
    reel: str | None = None
    speed_before_m_min: float | None = None
    rate_before_t_h: float | None = None
    on_reel_before_ms: int | None = None
    since_turn_up_ms: int | None = None
    since_grade_change_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt of the downtime that began at ``downtime_ms``; no outcome while it is under way."""

    downtime_ms: int
    number: int
    started_ms: int
    ended_ms: int | None = None
    reached_section: str | None = None
    outcome: Outcome | None = None


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class FaultSpan:
    """One fault of a detector; ``ended_ms`` None while it lasts."""

    started_ms: int
    tag: str
    kind: Fault
    ended_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What was made of one grade and shade on one reel; tonnes None where a basis weight was unknown."""

    on_reel_ms: int
    length_m: float
    tonnes_t: float | None


Product = tuple[str | None, str | None, str | None]
"""Grade, shade and reel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracked:
    """All that a tracker found out about one machine.

    states
        Each state and when it was entered; neighbours differ.
    flickers
        When it began, and the detector's tag.
    reels
        When it was seen, the reel, and whether it was merely heard for the first time. Grade runs likewise.
    late
        Time and tag of each role value behind the watermark.
    made_until_ms
        The end of what ``made`` sums up; 0 if it is empty. [ms]
    """

    downtimes: list[Downtime]
    attempts: list[Attempt]
    states: list[tuple[int, State]]
    faults: list[FaultSpan]
    flickers: list[tuple[int, str]]
    reels: list[tuple[int, str, bool]]
    grade_runs: list[tuple[int, str | None, str | None, bool]]
    late: list[tuple[int, str]]
    made: dict[Product, Made]
    made_until_ms: int
