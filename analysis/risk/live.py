"""The scorer at work: looks into the published store, scores each minute once, and says so. Writes nothing anywhere.

It reads the store's published copy rather than subscribe for itself: what the tracker decided is what was learnt from
and judged, there is no second decoder to disagree, the broker sends nothing twice, and nothing that goes wrong here can
hold up the collector. The price is some 10 s, of a horizon of 30 min.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import msgspec

from analysis.broker.address import Broker
from analysis.read import CannotRead, Store, open_store
from analysis.risk.bulletin import STALE_AFTER_S, Bulletin, Condition, bulletin, silence
from analysis.risk.card import BadCard, Card, load
from analysis.risk.drift import Drift, drift
from analysis.risk.exposure import NothingToLearn
from analysis.risk.outlet import Outlet
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import MINUTE_MS
from analysis.risk.watch import Seen, UnfitModel, Watch
from analysis.telling.common import iso

log = logging.getLogger("breakhorn.risk")

POLL_S = 5.0
"""How often the published store is looked at: it is renewed each 10 s. [s]"""
NICE = 10
"""By how much the scorer's priority is lowered: it has a minute's time, the collector has none."""
MEMORY = "256MB"
"""The most DuckDB may take here: the collector comes first."""


@dataclass(slots=True)
class _Machine:
    """One machine: its model as last read, and what was last said."""

    card_file: Path
    stamp: tuple[int, int] | None = None
    watch: Watch | None = None
    drift: Drift | None = None
    drift_day: int = -1
    said_minute: object = None
    said_condition: Condition | None = None
    said_ms: int = 0


class Scorer:
    """All machines of a mill that have a model; ``turn`` is one look, with the time given from outside."""

    def __init__(
        self, mill_toml: Path, cards: dict[str, Path], *, forced: bool = False, stale_after_s: float = STALE_AFTER_S
    ) -> None:
        """Nothing is read before the first turn.

        cards
            File of the model of each machine; a new one in its place is taken up by itself.
        forced
            Give warnings even if a model did not beat the plain rules.
        """
        self._mill_toml = mill_toml
        self._machines = {machine: _Machine(file) for machine, file in cards.items()}
        self._forced, self._stale_after_s = forced, stale_after_s

    def turn(self, now_ms: int) -> list[Bulletin]:
        """Look once, and give what there is to say: a new minute, another condition, or that a minute has passed."""
        try:
            with open_store(self._mill_toml, memory=MEMORY) as store:
                found = [self._look(name, machine, store, now_ms) for name, machine in self._machines.items()]
        except CannotRead as error:
            found = [silence(name, Condition.STALE, f"{error}.", now_ms=now_ms) for name in self._machines]
        return [told for told in found if self._is_news(told, now_ms)]

    def _look(self, name: str, machine: _Machine, store: Store, now_ms: int) -> Bulletin:
        try:
            watch = self._watch(name, machine)
            seen = watch.look(store.connection)
        except (BadCard, OSError, NothingToLearn, UnfitModel) as error:
            return silence(name, Condition.STALE, f"{error}.", now_ms=now_ms)
        self._look_for_drift(machine, watch.card, seen)
        return bulletin(
            watch.card,
            seen,
            now_ms=now_ms,
            published_ms=store.freshness().published_ms,
            drift=machine.drift,
            forced=self._forced,
            stale_after_s=self._stale_after_s,
        )

    def _watch(self, name: str, machine: _Machine) -> Watch:
        """The watch over a machine; a new one when the file of its model has become another."""
        status = machine.card_file.stat()
        stamp = (status.st_mtime_ns, status.st_ino)
        if machine.watch is None or machine.stamp != stamp:
            card = load(machine.card_file)
            if card.machine != name:
                raise BadCard(f"{machine.card_file}: is a model of machine {card.machine!r}, not of {name!r}")
            log.info("%s: model %s, learnt up to %s", name, card.model_id, _day(card.to_ms))
            machine.watch, machine.stamp, machine.drift, machine.drift_day = Watch(card), stamp, None, -1
        return machine.watch

    def _look_for_drift(self, machine: _Machine, card: Card, seen: Seen) -> None:
        """Once a day is enough."""
        today = seen.at_ms // DAY_MS
        if today != machine.drift_day:
            machine.drift, machine.drift_day = drift(card, seen), today

    def _is_news(self, told: Bulletin, now_ms: int) -> bool:
        machine = self._machines[told.machine]
        minute = told.said.get("minute")
        fresh = minute != machine.said_minute or told.condition is not machine.said_condition
        if not fresh and now_ms - machine.said_ms < MINUTE_MS:
            return False
        if told.condition is not machine.said_condition:
            log.info("%s: %s%s", told.machine, told.condition, f": {told.because}" if told.because else "")
        if told.warning and minute != machine.said_minute:
            log.warning("%s: break risk %s; %s", told.machine, told.said["odds"], _first_reason(told))
        machine.said_minute, machine.said_condition, machine.said_ms = minute, told.condition, now_ms
        return True


def step_back() -> None:
    """Let the collector go first wherever both want the processor."""
    os.nice(NICE)


def topic_of(root: str, machine: str) -> str:
    """Where a machine's risk is said; the collector takes in nothing from below ``runnability``."""
    return f"{root}/{machine}/runnability/risk"


def client_id_of(broker: Broker, root: str, machine: str) -> str:
    """A name at the broker that is not the collector's."""
    return f"{broker.client_id or 'breakhorn-' + root.replace('/', '-')}-risk-{machine}"


def serve(
    scorer: Scorer,
    broker: Broker,
    root: str,
    machines: Iterable[str],
    *,
    now_ms: Callable[[], int],
    stopping: threading.Event,
    poll_s: float = POLL_S,
) -> None:
    """Score and publish until stopped; each machine has a connection of its own, and so a last will of its own."""
    with ExitStack() as stack:
        outlets = {}
        for machine in machines:
            gone = silence(machine, Condition.GONE, "The scorer is gone: no risk is known.", now_ms=None)
            outlet = Outlet(
                broker,
                client_id=client_id_of(broker, root, machine),
                topic=topic_of(root, machine),
                will=encoded(gone),
            )
            outlets[machine] = stack.enter_context(outlet)
        while not stopping.is_set():
            for told in scorer.turn(now_ms()):
                outlets[told.machine].say(encoded(told))
            stopping.wait(poll_s)
        for machine, outlet in outlets.items():
            farewell = silence(machine, Condition.STOPPED, "The scorer was stopped: no risk is known.", now_ms=now_ms())
            outlet.farewell(encoded(farewell))


def encoded(told: Bulletin) -> bytes:
    """A bulletin as it goes over the wire: UTF-8 JSON."""
    return msgspec.json.encode(told.said)


def _first_reason(told: Bulletin) -> str:
    reasons = told.said["reasons"]
    return str(reasons[0]["sentence"]) if reasons else "no single reason stands out"


def _day(at_ms: int) -> str:
    return (iso(at_ms) or "")[:10]
