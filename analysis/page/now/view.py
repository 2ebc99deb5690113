"""What the view of the present shows, from what was heard and what is known, at an instant that comes in. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from analysis.page.now.heard import AHEAD_MS, HealthSaid, MachineHeard, MillHeard, ms_of
from analysis.page.now.known import Known

SILENT_AFTER_MS = 30_000
"""The collector speaks each second; silent for so long, as for 'breakhorn status', it is not there. [ms]"""
FORECAST_GOOD_MS = 120_000
"""A tower's forecast from older data than this says nothing of the present. [ms]"""
_OFF = frozenset({"down", "threading", "stopped", "stock_off"})
STATES = frozenset({"on_reel", "no_data"}) | _OFF


class Collector(StrEnum):
    """How the collector is, as far as one can hear."""

    UP = "up"
    TROUBLE = "trouble"
    STOPPED = "stopped"
    GONE = "gone"
    SILENT = "silent"
    UNHEARD = "unheard"
    NO_BROKER = "no_broker"
    CLOCKS = "clocks"


LIVE = frozenset({Collector.UP, Collector.TROUBLE})
"""With these, what was heard is the present."""


class Risk(StrEnum):
    """Whether there is a risk to show, and if not, why."""

    SHOWN = "shown"
    QUIET = "quiet"
    STALE = "stale"
    SILENT = "silent"
    NOBODY = "nobody"


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskNow:
    """The advisory. ``share`` and what follows it are there only while it is shown.

    because
        Why there is none, in the scorer's own words.
    said_ms
        When it was worked out. [ms]
    warning
        Whether the crew may be called now.
    """

    condition: Risk
    because: str = ""
    said_ms: int | None = None
    share: float | None = None
    odds: str = ""
    horizon_min: float | None = None
    reasons: tuple[str, ...] = ()
    warning: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OffNow:
    """The sheet off the reel. [ms]

    downtime_id, kind
        None until it is decided what it is.
    """

    started_ms: int | None
    downtime_id: str | None = None
    kind: str | None = None
    section: str | None = None
    attempts: int = 0
    reached: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerNow:
    """A tower that will be full before the sheet can be expected back. [ms], [-]"""

    tower: str
    full_ms: int
    back_ms: int
    chance: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineNow:
    """One machine. [ms]

    live
        Whether this is the present; if not, it is how things stood at ``data_to_ms``.
    state, since_ms
        One of ``STATES``, and when it began.
    """

    machine: str
    name: str
    live: bool
    state: str
    since_ms: int | None
    off: OffNow | None
    towers: tuple[TowerNow, ...]
    risk: RiskNow
    collector: Collector
    trouble: str
    data_to_ms: int | None
    published_ms: int | None

    @property
    def unsaid(self) -> bool:
        """Whether all is well with the collector, and it has not said what this machine does all the same."""
        return not self.live and self.collector is Collector.UP


def machine_now(
    name: tuple[str, str], heard: MillHeard, known: Known | None, *, connected: bool, now_ms: int
) -> MachineNow:
    """One machine as the view shows it.

    name
        Id and name.
    known
        From the published store; None while nothing is published.
    connected
        Whether we are connected to the broker at this moment: else nothing that was heard is the present.
    """
    one = heard.machines.get(name[0], MachineHeard())
    collector = collector_now(heard, connected=connected, now_ms=now_ms)
    state = one.state
    live = collector in LIVE and state is not None and state.state in STATES and ms_of(state.as_of) <= now_ms + AHEAD_MS
    shown = state.state if live and state is not None else (known.state if known else None) or "no_data"
    since_ms = _since(one, known) if live else (known.since_ms if known else None)
    off = _off(one if live else MachineHeard(), known, shown, since_ms)
    return MachineNow(
        machine=name[0],
        name=name[1],
        live=live,
        state=shown,
        since_ms=since_ms,
        off=off,
        towers=_towers(known, off, now_ms) if live and known is not None and off is not None else (),
        risk=_risk(one, connected=connected, on_reel=live and shown == "on_reel", now_ms=now_ms),
        collector=collector,
        trouble=_trouble(heard.health) if collector is Collector.TROUBLE else "",
        data_to_ms=known.data_to_ms if known else None,
        published_ms=known.published_ms if known else None,
    )


def collector_now(heard: MillHeard, *, connected: bool, now_ms: int) -> Collector:
    """How the collector is; only the newest word counts, and only for ``SILENT_AFTER_MS``."""
    health = heard.health
    if not connected:
        return Collector.NO_BROKER
    if heard.gone:
        return Collector.GONE
    if health is None or health.as_of is None:
        return Collector.UNHEARD
    if health.status == "stopped":
        return Collector.STOPPED
    age_ms = now_ms - ms_of(health.as_of)
    if age_ms < -AHEAD_MS:
        return Collector.CLOCKS
    if age_ms > SILENT_AFTER_MS:
        return Collector.SILENT
    return Collector.UP if health.status == "up" and health.unpublished is None else Collector.TROUBLE


def _trouble(health: HealthSaid | None) -> str:
    if health is None:
        return ""
    return (health.unpublished or "") if health.status == "up" else health.status


def _since(one: MachineHeard, known: Known | None) -> int | None:
    """When the state began: to the scan where the store has it already, else when it was heard."""
    state = one.state
    if state is None:
        return None
    as_of_ms = ms_of(state.as_of)
    begun = []
    caught_up = known is not None and known.data_to_ms is not None and known.data_to_ms >= as_of_ms
    if known is not None and known.since_ms is not None and known.state == state.state and caught_up:
        begun.append(known.since_ms)
    if state.state == "on_reel" and one.closed is not None and one.closed.ended_at is not None:
        # Dated back to the scan in which the sheet was on the reel; a state is said only once that is sure.
        begun.append(min(as_of_ms, ms_of(one.closed.ended_at)))
    return max(begun, default=as_of_ms)


def _off(one: MachineHeard, known: Known | None, state: str, since_ms: int | None) -> OffNow | None:
    if state == "on_reel":
        return None
    stored, said = known.off if known else None, one.open_downtime
    if stored is not None and _closed(one, stored.downtime_id, stored.started_ms):
        stored = None
    if said is not None and said.started_at is not None:
        started_ms, downtime_id, kind, section = ms_of(said.started_at), said.downtime, said.kind, said.section
    elif stored is not None:
        started_ms, downtime_id, kind, section = stored.started_ms, stored.downtime_id, stored.kind, stored.section
    else:
        return OffNow(started_ms=since_ms) if state in _OFF else None
    same = stored is not None and stored.downtime_id == downtime_id
    heard_attempts = sum(at_ms >= started_ms for at_ms in one.threading_ms)
    return OffNow(
        started_ms=started_ms,
        downtime_id=downtime_id,
        kind=kind,
        section=section,
        attempts=max(known.attempts if same and known else 0, heard_attempts),
        reached=known.reached if same and known else None,
    )


def _closed(one: MachineHeard, downtime_id: str, started_ms: int) -> bool:
    closed = one.closed
    if closed is None or closed.ended_at is None:
        return False
    return closed.downtime == downtime_id or ms_of(closed.ended_at) >= started_ms


def _towers(known: Known, off: OffNow, now_ms: int) -> tuple[TowerNow, ...]:
    """The store's warnings, while they are new and the downtime that they are about is the one that is open."""
    if known.off is None or off.downtime_id != known.off.downtime_id:
        return ()
    if known.data_to_ms is None or now_ms - known.data_to_ms > FORECAST_GOOD_MS:
        return ()
    return tuple(
        TowerNow(
            tower=f.now.tower.tower,
            full_ms=f.until_full_ms or 0,
            back_ms=round(f.left.expected.value) if f.left else 0,
            chance=f.overflows.value if f.overflows else None,
        )
        for f in known.towers
    )


def _risk(one: MachineHeard, *, connected: bool, on_reel: bool, now_ms: int) -> RiskNow:
    said = one.risk
    if not connected:
        return RiskNow(condition=Risk.STALE)
    if said is None or said.said_at is None:
        return RiskNow(condition=Risk.NOBODY)
    if one.risk_gone or said.state in ("stopped", "gone"):
        return RiskNow(condition=Risk.SILENT)
    said_ms = ms_of(said.said_at)
    until_ms = None if said.valid_until is None else ms_of(said.valid_until)
    if said.state != "scored" and now_ms - said_ms <= 5 * 60_000:
        condition = Risk.STALE if said.state == "stale" else Risk.QUIET
        return RiskNow(condition=condition, because=said.because or "")
    if until_ms is None or now_ms > until_ms or said_ms > now_ms + AHEAD_MS:
        return RiskNow(condition=Risk.STALE)
    if not on_reel:
        return RiskNow(condition=Risk.QUIET)
    if said.risk is None or not math.isfinite(said.risk) or not 0 <= said.risk <= 1:
        return RiskNow(condition=Risk.STALE)
    return RiskNow(
        condition=Risk.SHOWN,
        said_ms=said_ms,
        share=said.risk,
        odds=said.odds or "",
        horizon_min=said.horizon_min,
        reasons=tuple(reason.sentence for reason in said.reasons[:3] if reason.sentence),
        warning=said.warning.given,
    )
