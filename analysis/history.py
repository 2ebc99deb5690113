"""What the published views say of one machine, as plain values: the only input of the figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True, kw_only=True)
class StateSpan:
    """One stretch of machine state; ``ended_ms`` is None for the one that still goes on. [ms since 1970-01-01 UTC]"""

    state: str
    started_ms: int
    ended_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Downtime:
    """One stretch without the sheet on the reel; what each field means is said in the store's view ``downtime``.

    ended_ms
        None while open. [ms]
    secondary
        None where it cannot be known.
    """

    downtime_id: str
    kind: str
    started_ms: int
    ended_ms: int | None
    section: str | None = None
    location_tied: bool = False
    start_uncertain: bool = False
    end_uncertain: bool = False
    unwitnessed: bool = False
    attempts: int | None = None
    grade: str | None = None
    shade: str | None = None
    shift_date: date | None = None
    shift: str | None = None
    crew: str | None = None
    cause: str | None = None
    certainty: str | None = None
    comment: str | None = None
    speed_before_m_min: float | None = None
    rate_before_t_h: float | None = None
    broke_t: float | None = None
    at_turn_up: bool | None = None
    secondary: bool | None = None
    found_by: str = "tracker"

    def lasts_ms(self, horizon_ms: int) -> int:
        """Loss to sheet on the reel, or to the newest data while it is open. [ms]"""
        return max(0, (horizon_ms if self.ended_ms is None else self.ended_ms) - self.started_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftSpan:
    """One shift; it belongs to the local day on which it starts."""

    shift_date: date
    shift: str
    crew: str
    started_ms: int
    ended_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeRun:
    """One run of a grade and shade."""

    grade: str | None
    shade: str | None
    started_ms: int
    ended_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Production:
    """On-reel time of one grade, shade and reel within one clock hour, and what was made in it.

    tonnes_t
        At reel moisture; None where the basis weight was unknown for part of it. [t]
    """

    started_ms: int
    ended_ms: int
    grade: str | None
    shade: str | None
    reel: str | None
    length_m: float
    tonnes_t: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt at threading."""

    downtime_id: str
    attempt: int
    started_ms: int
    ended_ms: int | None
    reached_section: str | None
    outcome: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorFault:
    """A sheet detector that was blind, stuck or bad, or its flickers of one mill day (``count``)."""

    tag: str
    kind: str
    started_ms: int
    ended_ms: int | None
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """What the mill wants of a grade; None where it is not set. [g/m2], [m/min], [t/d]"""

    grade: str
    basis_weight_g_m2: float | None = None
    target_speed_m_min: float | None = None
    plan_t_d: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokePit:
    """Where the sheet of one section goes while it is not on the reel."""

    pit: str
    section: str
    consistency_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mill:
    """The mill's own settings that figures depend on; money is None where it is not set, never 0."""

    name: str
    zone: ZoneInfo
    currency: str
    planned_cutoff_h: float
    demo: bool = False
    topic_root: str = ""
    margin_per_t: float | None = None
    broke_cost_per_t: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One machine; ``first_ms`` and ``last_ms`` are its first and newest data, None before any. [ms]"""

    machine: str
    name: str
    trim_m: float | None
    running_above_m_min: float
    secondary_within_min: float
    first_ms: int | None
    last_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OrphanNote:
    """A note of the crew that changes nothing, with the reason."""

    kind: str
    reason: str
    downtime_id: str | None
    noted_by: str | None
    noted_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What the collector received, over the whole store, by its own count.

    rejected
        Reason and number of the rejected messages that were kept.
    """

    samples: int = 0
    repeated: int = 0
    replaced: int = 0
    late: int = 0
    out_of_range: int = 0
    bad: int = 0
    rejected_messages: int = 0
    rejected: tuple[tuple[str, int], ...] = ()
    unclean_runs: int = 0
    orphan_notes: tuple[OrphanNote, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Freshness:
    """How fresh the published store is: when it was written, and its newest source time. [ms]"""

    published_ms: int
    data_to_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Everything the figures need of one machine: all rows that touch the time asked for, in order of start."""

    mill: Mill
    machine: Machine
    freshness: Freshness
    states: tuple[StateSpan, ...] = ()
    downtimes: tuple[Downtime, ...] = ()
    shifts: tuple[ShiftSpan, ...] = ()
    grade_runs: tuple[GradeRun, ...] = ()
    production: tuple[Production, ...] = ()
    attempts: tuple[Attempt, ...] = ()
    detector_faults: tuple[DetectorFault, ...] = ()
    grades: tuple[Grade, ...] = ()
    broke_pits: tuple[BrokePit, ...] = ()
    received: Received = field(default_factory=Received)
    causes: Mapping[str, str] = field(default_factory=dict)
    """Code of a cause to its name."""

    @property
    def horizon_ms(self) -> int:
        """Newest source time of the machine; figures end here, never at the wall clock. [ms]"""
        return self.machine.last_ms or 0
