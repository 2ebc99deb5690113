"""What the published views say of one machine, as plain values: the only input of the figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from zoneinfo import ZoneInfo

NO_CAUSE_SECTION = "other"
"""Causes that mill.toml puts in this section (unknown, under review) name nothing."""


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
    """What the mill wants of a grade; None where it is not set. [g/m2], [m/min], [t/d]

    basis_weight_within_pct
        How far paper may be off the nominal basis weight. [%]
    moisture_low_pct, moisture_high_pct
        Limits of moisture on the reel. [%]
    """

    grade: str
    basis_weight_g_m2: float | None = None
    target_speed_m_min: float | None = None
    plan_t_d: float | None = None
    basis_weight_within_pct: float | None = None
    moisture_low_pct: float | None = None
    moisture_high_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """On-reel time of one run, grade and reel in which speed and quality were judged alike all along. [ms]

    tonnes_t
        Made in it at reel moisture; None where speed or basis weight was unknown for part of it. [t]
    short_t
        What more the target speed would have made of it; None likewise, or without a target. [t]
    at_speed, in_spec
        At target speed; within every limit of the grade. None where there is no target or limit, or no good value.
    """

    started_ms: int
    ended_ms: int
    grade: str | None
    reel: str | None
    tonnes_t: float | None
    short_t: float | None
    at_speed: bool | None
    in_spec: bool | None

    @property
    def ms(self) -> int:
        """How long it is. [ms]"""
        return self.ended_ms - self.started_ms


def joined(earlier: list[Stretch], later: list[Stretch]) -> list[Stretch]:
    """Stretches of two parts of time that meet; the last of one and the first of the other are one if judged alike."""
    if not earlier or not later:
        return [*earlier, *later]
    last, first = earlier[-1], later[0]
    if last.ended_ms != first.started_ms or _judgement(last) != _judgement(first):
        return [*earlier, *later]
    whole = replace(
        last,
        ended_ms=first.ended_ms,
        tonnes_t=_sum(last.tonnes_t, first.tonnes_t),
        short_t=_sum(last.short_t, first.short_t),
    )
    return [*earlier[:-1], whole, *later[1:]]


def _judgement(of: Stretch) -> tuple[object, ...]:
    return of.grade, of.reel, of.at_speed, of.in_spec, of.tonnes_t is None, of.short_t is None


def _sum(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else first + second


@dataclass(frozen=True, slots=True, kw_only=True)
class LabResult:
    """One laboratory result that holds, of whatever was tested."""

    sampled_ms: int
    test: str
    value: float
    reel: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokePit:
    """Where the sheet of one section goes while it is not on the reel."""

    pit: str
    section: str
    consistency_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeTower:
    """What holds broke until it is dosed back; None where the mill has not set it.

    shades, dosed_into
        Shades that may go into it, and that it may be dosed into; empty: any.
    level_tag, dosing_tag, returned_tag, spilled_tag
        Tags of its level [%], of its share of the furnish [%], of what winder and finishing send back and of what runs
        over [m3/h].
    """

    tower: str
    volume_m3: float | None = None
    consistency_pct: float | None = None
    shades: tuple[str, ...] = ()
    dosed_into: tuple[str, ...] = ()
    level_tag: str | None = None
    dosing_tag: str | None = None
    returned_tag: str | None = None
    spilled_tag: str | None = None

    @property
    def full_t(self) -> float | None:
        """What it holds when full, oven-dry; a cubic metre of stock weighs a tonne. [t]"""
        if self.volume_m3 is None or self.consistency_pct is None:
            return None
        return self.volume_m3 * self.consistency_pct / 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """The newest good value of every tag of a machine, and which tag plays which role."""

    values: Mapping[str, float]
    roles: Mapping[str, str]

    def of(self, tag: str | None) -> float | None:
        """Newest value of a tag; None for none."""
        return None if tag is None else self.values.get(tag)


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
    """One machine; ``first_ms`` and ``last_ms`` are its first and newest data, None before any. [ms]

    at_speed_within_pct, settled_s
        When target speed and quality count as reached after a restart. [%], [s]
    reel_moisture_pct
        Moisture that the mill counts on; None: that of the moisture signal. [%]
    added_g_m2, added_from
        What size press or coater add, oven-dry, and the first section whose sheet carries it. [g/m2]
    """

    machine: str
    name: str
    trim_m: float | None
    running_above_m_min: float
    secondary_within_min: float
    first_ms: int | None
    last_ms: int | None
    at_speed_within_pct: float = 1.0
    settled_s: float = 60.0
    reel_moisture_pct: float | None = None
    added_g_m2: float = 0.0
    added_from: str | None = None


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
    broke_towers: tuple[BrokeTower, ...] = ()
    sections: tuple[str, ...] = ()
    """Sections of the sheet detectors, from the wet end to the reel."""
    received: Received = field(default_factory=Received)
    causes: Mapping[str, str] = field(default_factory=dict)
    """Code of a cause to its name."""
    losses: Mapping[str, str] = field(default_factory=dict)
    """Code of a cause to the row of the loss table that the mill gives its stops and sheet-offs."""
    nameless: frozenset[str] = frozenset()
    """Codes of ``NO_CAUSE_SECTION``."""

    @property
    def horizon_ms(self) -> int:
        """Newest source time of the machine; figures end here, never at the wall clock. [ms]"""
        return self.machine.last_ms or 0
