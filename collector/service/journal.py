"""What the log says of what was committed: each loss and return of the sheet, and what could not be used."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterable

from collector.batch import Batch
from collector.fact import DowntimeClosed, DowntimeOpened, Fact, Fault, FaultClosed, FaultOpened
from collector.logs import about
from collector.message import Rejected
from collector.service import announce

log = logging.getLogger("breakhorn.collector")

_EVERY_S = 60.0
"""One reason is told once in this time, with how often it came. [s]"""

_REASONS = 20
"""So many reasons are told in that time; a sender that finds new ones must not fill the log."""


class Journal:
    """Tells the log of batches, in order."""

    def __init__(self) -> None:
        """Nothing has been told yet."""
        self._untold: Counter[str] = Counter()
        self._told_s: dict[str, float] = {}

    def tell(self, batch: Batch, refused: Iterable[Rejected] = (), *, now_s: float) -> None:
        """Tell of one committed batch.

        refused
            What the writer could not take of it.
        now_s
            Any clock that only goes forward. [s]
        """
        tell_facts(batch.facts)
        rejected = [*batch.rejected, *refused]
        if rejected or self._untold:
            self._tell_rejected(rejected, now_s)

    def _tell_rejected(self, rejected: Iterable[Rejected], now_s: float) -> None:
        for item in rejected:
            reason = item.reason if item.reason in self._untold or len(self._untold) < _REASONS else "other reasons"
            self._untold[reason] += 1
        self._told_s = {reason: at_s for reason, at_s in self._told_s.items() if now_s - at_s < _EVERY_S}
        for reason in [reason for reason in self._untold if reason not in self._told_s]:
            if len(self._told_s) >= _REASONS + 1:
                break
            count = self._untold.pop(reason)
            self._told_s[reason] = now_s
            log.warning("rejected %d: %s", count, reason, extra=about("rejected", count=count, reason=reason))


def tell_facts(facts: Iterable[Fact]) -> None:
    """One line for each loss and return of the sheet, and for each fault of a detector."""
    for fact in facts:
        match fact:
            case DowntimeOpened():
                where = fact.section or "no section"
                told = about(
                    "sheet lost",
                    machine=fact.machine,
                    at_ms=fact.started_ms,
                    downtime=fact.downtime_id,
                    kind=fact.kind,
                    section=fact.section,
                )
                log.info(
                    "%s: %s at %s, %s", fact.machine, fact.kind, announce.instant(fact.started_ms), where, extra=told
                )
            case DowntimeClosed():
                told = about("sheet back", machine=fact.machine, at_ms=fact.ended_ms, downtime=fact.downtime_id)
                at = announce.instant(fact.ended_ms)
                log.info("%s: back on reel at %s (%s)", fact.machine, at, fact.downtime_id, extra=told)
            case FaultOpened():
                _tell_fault(fact.machine, fact.tag, fact.kind, fact.at_ms, "detector fault", "is")
            case FaultClosed():
                _tell_fault(fact.machine, fact.tag, fact.kind, fact.at_ms, "detector sound", "is no longer")
            case _:
                continue


def _tell_fault(machine: str, tag: str, kind: Fault, at_ms: int, event: str, verb: str) -> None:
    told = about(event, machine=machine, at_ms=at_ms, tag=tag, kind=kind)
    level = logging.WARNING if event == "detector fault" else logging.INFO
    log.log(level, "%s: %s %s %s since %s", machine, tag, verb, kind, announce.instant(at_ms), extra=told)
