"""What an answer needs of a store beside a history: how its paper was judged, and its broke. It reads many samples."""

from __future__ import annotations

from analysis.broke_ledger import BrokeLedger, broke_ledger
from analysis.history import History
from analysis.offspec import Specification, specification
from analysis.period import Period
from analysis.read import Store
from analysis.telling.towers import Outlook
from analysis.tower import machine_now, tower_forecast, towers_now


def judged(store: Store, history: History, period: Period) -> Specification:
    """How the paper on the reel of a period was judged, and the clock of every downtime."""
    machine = history.machine
    return specification(history, store.stretches(machine, period), period, store.lab(machine, period))


def broke_stock(store: Store, history: History, period: Period) -> tuple[BrokeLedger | None, Outlook | None]:
    """The broke ledger of a period, and the towers at the newest data; None where nothing tells of the moisture."""
    machine = history.machine
    flows = store.flows(machine, period, history.broke_towers)
    if flows.moisture is None or machine.first_ms is None:
        return None, None
    # What is open now, and how long such downtimes lasted, is known only from all there is.
    whole = store.history(machine, Period(from_ms=machine.first_ms, to_ms=history.horizon_ms + 1))
    readings = store.readings(machine)
    now = machine_now(whole, readings, flows.moisture)
    return broke_ledger(history, flows), Outlook(
        now=now, towers=tower_forecast(now, towers_now(whole, readings), whole.downtimes)
    )
