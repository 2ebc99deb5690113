"""What every part of a dossier begins with."""

from __future__ import annotations

from analysis.dossier.answer import Dossier
from analysis.period import say

MIN_MS, DAY_MS = 60_000, 86_400_000


def subject(found: Dossier) -> str:
    """Of which machine and when, for people."""
    return f"{found.history.machine.name}, {say(found.started_ms, found.history.mill.zone)}"
