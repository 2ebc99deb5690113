"""What the tracker finds out: the closed union of facts that the writer turns into rows."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """What a machine is doing, one at every moment; the first that applies holds.

    NO_DATA
        Nothing is known of its speed or of the last detector.
    STOPPED
        It runs slower than ``running_above_m_min``.
    STOCK_OFF
        No stock flows onto the wire.
    ON_REEL
        The sheet is on the reel.
    THREADING
        An attempt is under way.
    DOWN
        The sheet is not on the reel, and nobody threads it.
    """

    NO_DATA = "no_data"
    STOPPED = "stopped"
    STOCK_OFF = "stock_off"
    ON_REEL = "on_reel"
    THREADING = "threading"
    DOWN = "down"


class Kind(StrEnum):
    """How a downtime began.

    BREAK
        The sheet was lost while making paper, and nobody meant to.
    STOP
        The machine or its stock went off.
    PLANNED
        The crew took the sheet off on purpose.
    UNKNOWN
        Its beginning was not seen.
    """

    BREAK = "break"
    STOP = "stop"
    PLANNED = "planned"
    UNKNOWN = "unknown"


class Outcome(StrEnum):
    """How an attempt at threading ended."""

    SUCCESS = "success"
    FAILED = "failed"
    HELD = "held"


class Fault(StrEnum):
    """What is wrong with a sheet detector."""

    BLIND = "blind"
    STUCK = "stuck"
    BAD = "bad"
    FLICKER = "flicker"


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChanged:
    """The machine entered a state at ``at_ms``; the one before it ended then."""

    machine: str
    state: State
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DowntimeOpened:
    """The sheet was lost. Written once its kind is final.

    section
        Where it was lost; None for a stop and where it cannot be known.
    speed_before_m_min, rate_before_t_h
        Means over the last 30 on-reel minutes of the grade run; None if there are none. [m/min], [t/h]
    on_reel_before_ms, since_turn_up_ms, since_grade_change_ms
        None where the beginning was not seen. [ms]
    at_reel
        True when the last detector was the first to lose the sheet.
    """

    machine: str
    downtime_id: str
    kind: Kind
    started_ms: int
    section: str | None
    location_tied: bool
    start_uncertain: bool
    unwitnessed: bool
    at_reel: bool
    grade: str | None
    shade: str | None
    reel: str | None
    speed_before_m_min: float | None
    rate_before_t_h: float | None
    on_reel_before_ms: int | None
    since_turn_up_ms: int | None
    since_grade_change_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EndBecameUncertain:
    """A data gap fell into an open downtime: its duration is left out of statistics."""

    machine: str
    downtime_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DowntimeClosed:
    """The sheet is back on the reel since ``ended_ms``."""

    machine: str
    downtime_id: str
    ended_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptOpened:
    """The frontier began to advance: attempt number ``attempt`` (from 1) of this downtime."""

    machine: str
    downtime_id: str
    attempt: int
    started_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptClosed:
    """The attempt ended; ``reached_section`` is that of the last detector it reached."""

    machine: str
    downtime_id: str
    attempt: int
    ended_ms: int
    reached_section: str | None
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultOpened:
    """A detector became blind, stuck or bad."""

    machine: str
    tag: str
    kind: Fault
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultClosed:
    """The fault is over."""

    machine: str
    tag: str
    kind: Fault
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Flickered:
    """A detector changed for less than ``debounce_s``, from ``at_ms`` on. The store counts them by mill day."""

    machine: str
    tag: str
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelStarted:
    """A turn-up: the sheet runs onto a new reel. ``first_seen``: the number was merely heard for the first time."""

    machine: str
    reel: str
    at_ms: int
    first_seen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeRunStarted:
    """Grade or shade changed. ``first_seen``: they were merely heard for the first time."""

    machine: str
    grade: str | None
    shade: str | None
    at_ms: int
    first_seen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Produced:
    """On-reel time of one grade, shade and reel within one clock hour (UTC), and what was made in it.

    Adjacent ones never overlap; together they cover all on-reel time, so sums over reels and over grade runs agree.

    on_reel_ms
        Equal to ``ended_ms - started_ms``. [ms]
    length_m
        Sheet onto the reel, the integral of speed. [m]
    tonnes_t
        Integral of speed x trim x basis weight; None where the basis weight was unknown for part of it. [t]
    """

    machine: str
    started_ms: int
    ended_ms: int
    grade: str | None
    shade: str | None
    reel: str | None
    length_m: float
    tonnes_t: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LateValue:
    """A role value behind the watermark: it is stored as a sample and waits for ``rebuild``."""

    machine: str
    tag: str
    at_ms: int


Fact = (
    StateChanged
    | DowntimeOpened
    | EndBecameUncertain
    | DowntimeClosed
    | AttemptOpened
    | AttemptClosed
    | FaultOpened
    | FaultClosed
    | Flickered
    | ReelStarted
    | GradeRunStarted
    | Produced
    | LateValue
)
