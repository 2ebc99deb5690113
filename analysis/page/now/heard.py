"""What was heard over MQTT, folded into the newest of each kind. Pure: any bytes, in any order, however often."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Annotated, TypeVar

import msgspec

Instant = Annotated[datetime, msgspec.Meta(tz=True)]
AHEAD_MS = 60_000
"""Words from further ahead of our clock than this: one of the clocks is wrong. [ms]"""
_MOST_REMEMBERED = 60
"""Beginnings of attempts that are kept of one downtime; nobody threads more often, and a flood shall not fill us."""
_EARLIEST, _LATEST = datetime(1971, 1, 1, tzinfo=UTC), datetime(9998, 1, 1, tzinfo=UTC)
"""A time beyond these is none of a mill, and near the ends of the calendar some zones have no clock."""


class StateSaid(msgspec.Struct, frozen=True):
    """``…/runnability/state``: what the machine does, as the collector sees it before all is decided."""

    state: str
    as_of: Instant


class BreakSaid(msgspec.Struct, frozen=True):
    """``…/runnability/break``: a downtime that opened, or one that closed (then ``ended_at`` is there)."""

    downtime: str
    ended_at: Instant | None = None
    started_at: Instant | None = None
    kind: str | None = None
    section: str | None = None


class ReasonSaid(msgspec.Struct, frozen=True):
    """One factor that raised the risk, in a sentence."""

    sentence: str = ""


class WarningSaid(msgspec.Struct, frozen=True):
    """Whether the crew may be called, and whether the model may call it at all."""

    given: bool = False
    allowed: bool = False


class RiskSaid(msgspec.Struct, frozen=True):
    """``…/runnability/risk``: the newest minute's break risk, or why there is none."""

    state: str
    said_at: Instant | None = None
    because: str | None = None
    risk: float | None = None
    odds: str | None = None
    horizon_min: float | None = None
    valid_until: Instant | None = None
    reasons: tuple[ReasonSaid, ...] = ()
    warning: WarningSaid = WarningSaid()


class HealthSaid(msgspec.Struct, frozen=True):
    """``collector/health``: how the collector is; a last will has no time."""

    status: str
    as_of: Instant | None = None
    unpublished: str | None = None


Stamped = TypeVar("Stamped", RiskSaid, HealthSaid)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineHeard:
    """The newest of each kind of one machine.

    threading_ms
        When the machine was heard to begin threading, of late. [ms]
    risk_gone
        Whether the broker said, after the newest risk, that nobody is there to score any more.
    """

    state: StateSaid | None = None
    opened: BreakSaid | None = None
    closed: BreakSaid | None = None
    threading_ms: frozenset[int] = frozenset()
    risk: RiskSaid | None = None
    risk_gone: bool = False

    @property
    def open_downtime(self) -> BreakSaid | None:
        """The newest downtime heard to open, unless it was heard to close, or anything that ended later was."""
        opened, closed = self.opened, self.closed
        if opened is None:
            return None
        over = closed is not None and (closed.downtime == opened.downtime or _ended(closed) >= _started(opened))
        return None if over else opened


@dataclass(frozen=True, slots=True, kw_only=True)
class MillHeard:
    """The newest of each kind of a mill.

    gone
        Whether the broker said, after the newest health, that the collector is gone without a word.
    """

    root: str
    machines: Mapping[str, MachineHeard] = field(default_factory=dict)
    health: HealthSaid | None = None
    gone: bool = False


def topics(root: str) -> tuple[str, ...]:
    """What must be listened to, as topic filters."""
    return (f"{root}/collector/health", *(f"{root}/+/runnability/{kind}" for kind in ("state", "break", "risk")))


def nothing_heard(root: str, machines: tuple[str, ...]) -> MillHeard:
    """The beginning; of other machines nothing is taken in."""
    return MillHeard(root=root, machines={machine: MachineHeard() for machine in machines})


def also_of(before: MillHeard, machines: tuple[str, ...]) -> MillHeard:
    """What was heard, and from now on these machines; what was heard of others is forgotten."""
    return replace(before, machines={machine: before.machines.get(machine, MachineHeard()) for machine in machines})


def hear(before: MillHeard, topic: str, payload: bytes, *, now_ms: int) -> MillHeard:
    """Take in one message. What cannot be read, is of another machine or not the newest of its kind changes nothing.

    Messages carry their own time, so order, repeats and what the broker retained do not matter. Only a last will has
    none: it holds until something newer than all before it is heard.

    now_ms
        When it came. What claims to come from further ahead than ``AHEAD_MS`` must not outlast the truth: a break from
        there is none, and a state from there gives way to any other. [ms]
    """
    if topic == f"{before.root}/collector/health":
        said = _read(payload, HealthSaid)
        if said is None:
            return before
        health, gone = _newer(before.health, before.gone, said)
        return replace(before, health=health, gone=gone)
    machine, kind = _of(before.root, topic)
    if machine not in before.machines:
        return before
    one = _hear_machine(before.machines[machine], kind, payload, now_ms + AHEAD_MS)
    return before if one is before.machines[machine] else replace(before, machines={**before.machines, machine: one})


def ms_of(at: datetime) -> int:
    """Milliseconds since 1970."""
    return round(at.timestamp() * 1000)


def _of(root: str, topic: str) -> tuple[str, str]:
    """Machine and kind of a topic; empty for one that is none of ours."""
    beside = topic.removeprefix(f"{root}/")
    machine, _, rest = beside.partition("/")
    return (machine, rest.removeprefix("runnability/")) if beside != topic else ("", "")


def _hear_machine(one: MachineHeard, kind: str, payload: bytes, until_ms: int) -> MachineHeard:
    match kind:
        case "state":
            state = _read(payload, StateSaid)
            return one if state is None else _with_state(one, state, until_ms)
        case "break":
            said = _read(payload, BreakSaid)
            return one if said is None or max(_started(said), _ended(said)) > until_ms else _with_break(one, said)
        case "risk":
            risk = _read(payload, RiskSaid)
            if risk is None:
                return one
            newest, gone = _newer(one.risk, one.risk_gone, risk)
            return replace(one, risk=newest, risk_gone=gone)
        case _:
            return one


def _with_state(one: MachineHeard, said: StateSaid, until_ms: int) -> MachineHeard:
    def order(state: StateSaid) -> tuple[bool, tuple[float, bytes]]:
        return ms_of(state.as_of) <= until_ms, _order(state.as_of, state)

    begun = one.threading_ms | {ms_of(said.as_of)} if said.state == "threading" else one.threading_ms
    kept = frozenset(sorted(begun)[-_MOST_REMEMBERED:])
    newest = said if one.state is None or order(said) > order(one.state) else one.state
    return replace(one, state=newest, threading_ms=kept)


def _order(at: datetime | None, said: msgspec.Struct) -> tuple[float, bytes]:
    """By time; of two of one instant the same one holds, whichever came first."""
    return -1.0 if at is None else at.timestamp(), msgspec.json.encode(said)


def _with_break(one: MachineHeard, said: BreakSaid) -> MachineHeard:
    if said.ended_at is not None:
        before = one.closed
        newer = before is None or _order(said.ended_at, said) > _order(before.ended_at, before)
        return replace(one, closed=said) if newer else one
    before = one.opened
    newer = before is None or _order(said.started_at, said) > _order(before.started_at, before)
    return replace(one, opened=said) if newer and said.started_at is not None else one


def _started(said: BreakSaid) -> int:
    return 0 if said.started_at is None else ms_of(said.started_at)


def _ended(said: BreakSaid) -> int:
    return 0 if said.ended_at is None else ms_of(said.ended_at)


def _newer(before: Stamped | None, gone: bool, said: Stamped) -> tuple[Stamped | None, bool]:
    """The newest of two, and whether a last will holds."""
    at = _stamp(said)
    if at is None:
        return before, True
    if before is None or at > (_stamp(before) or at):
        return said, False
    # A repeat, or one of the same instant, is no sign of life.
    return (said if _order(at, said) > _order(_stamp(before), before) else before), gone


def _stamp(said: RiskSaid | HealthSaid) -> datetime | None:
    return said.said_at if isinstance(said, RiskSaid) else said.as_of


Said = TypeVar("Said", StateSaid, BreakSaid, RiskSaid, HealthSaid)


def _read(payload: bytes, kind: type[Said]) -> Said | None:
    try:
        said = msgspec.json.decode(payload, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    times = (part for part in msgspec.structs.astuple(said) if isinstance(part, datetime))
    return said if all(_EARLIEST <= at <= _LATEST for at in times) else None
