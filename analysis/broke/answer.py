"""The broke ledger and the towers of a machine, read from the store: many samples, so only where they are wanted."""

from __future__ import annotations

from analysis.broke.ledger import BrokeLedger, Moisture, broke_ledger
from analysis.broke.tower import Outlook, machine_now, tower_forecast, towers_now
from analysis.history import History
from analysis.period import Period
from analysis.read import Store

_RECENT_MS = 24 * 3_600_000


def broke_stock(store: Store, history: History, period: Period) -> tuple[BrokeLedger | None, Outlook | None]:
    """The broke ledger of a period, and the towers at the newest data; None where nothing tells of the moisture."""
    machine = history.machine
    flows = store.flows(machine, period, history.broke_towers)
    if flows.moisture is None or machine.first_ms is None:
        return None, None
    return broke_ledger(history, flows), _outlook(store, history, flows.moisture)


def towers_ahead(store: Store, history: History) -> Outlook | None:
    """The towers at the newest data, without the ledger of what went before; None where nothing tells of the moisture.

    history
        Of some hours up to the newest data: of these the moisture is taken.
    """
    from_ms, to_ms = history.machine.first_ms, history.horizon_ms + 1
    if from_ms is None:
        return None
    recent = Period(from_ms=max(from_ms, to_ms - _RECENT_MS), to_ms=to_ms)
    moisture = store.moisture(history.machine, recent)
    return None if moisture is None else _outlook(store, history, moisture)


def _outlook(store: Store, history: History, moisture: Moisture) -> Outlook:
    machine = history.machine
    # What is open now, and how long such downtimes lasted, is known only from all there is.
    whole = store.history(machine, Period(from_ms=machine.first_ms or 0, to_ms=history.horizon_ms + 1), made=False)
    readings = store.readings(machine)
    now = machine_now(whole, readings, moisture)
    return Outlook(now=now, towers=tower_forecast(now, towers_now(whole, readings), whole.downtimes))
