"""What the published store knows of a machine's present: the newest state, what is open, and its broke towers."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.broke.answer import towers_ahead
from analysis.broke.tower import TowerForecast
from analysis.history import Downtime, History, Machine
from analysis.period import Period
from analysis.read import Store

_BACK_MS = 8 * 3_600_000
"""So far back one looks for the newest state; an open downtime is found however old it is. [ms]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One machine at its newest data.

    state, since_ms
        The newest state and when it began; None before any data. [ms]
    off
        The downtime that is open.
    attempts, reached
        Attempts at threading in it, and the section that the newest got to.
    towers
        Those that will be full before the sheet can be expected back.
    """

    published_ms: int
    data_to_ms: int | None
    state: str | None = None
    since_ms: int | None = None
    off: Downtime | None = None
    attempts: int = 0
    reached: str | None = None
    towers: tuple[TowerForecast, ...] = ()


def known(store: Store, machine: Machine) -> Known:
    """What is known of a machine. It reads samples only while a downtime is open and there are towers."""
    published_ms = store.freshness().published_ms
    if machine.first_ms is None or machine.last_ms is None:
        return Known(published_ms=published_ms, data_to_ms=None)
    to_ms = machine.last_ms + 1
    recent = Period(from_ms=max(machine.first_ms, machine.last_ms - _BACK_MS), to_ms=to_ms)
    history = store.history(machine, recent)
    newest = history.states[-1] if history.states else None
    off = next((d for d in reversed(history.downtimes) if d.ended_ms is None), None)
    attempts = [a for a in history.attempts if off is not None and a.downtime_id == off.downtime_id]
    return Known(
        published_ms=published_ms,
        data_to_ms=machine.last_ms,
        state=newest.state if newest else None,
        since_ms=newest.started_ms if newest else None,
        off=off,
        attempts=len(attempts),
        reached=attempts[-1].reached_section if attempts else None,
        towers=() if off is None else _warning(store, history),
    )


def _warning(store: Store, history: History) -> tuple[TowerForecast, ...]:
    if not history.broke_towers:
        return ()
    outlook = towers_ahead(store, history)
    return () if outlook is None else tuple(f for f in outlook.towers if f.warns)
