"""How the paper of a machine was judged, read from the store: many samples, so only where it is wanted."""

from __future__ import annotations

from analysis.history import History
from analysis.paper.offspec import Specification, specification
from analysis.period import Period
from analysis.read import Store


def judged(store: Store, history: History, period: Period) -> Specification:
    """How the paper on the reel of a period was judged, and the clock of every downtime."""
    machine = history.machine
    return specification(history, store.stretches(machine, period), period, store.lab(machine, period))
