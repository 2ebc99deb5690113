"""The collector at work: takes from the inbox, keeps, and only then acknowledges; publishes now and then."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

from msgspec import UNSET

from collector import clock
from collector.fact import State
from collector.lake import LakeState
from collector.logs import about
from collector.mqtt.subscriber import Delivery, Subscriber
from collector.publish import publish
from collector.service import announce
from collector.service.announce import Announcement
from collector.service.journal import Journal
from collector.service.keeper import Keeper, Kept
from collector.service.notify import notify
from collector.service.tally import Counts
from collector.settings import Mill
from collector.store import Store, StoreError, StoreFull

log = logging.getLogger("breakhorn.collector")

QUIET_S = 0.004
"""The inbox has run dry when nothing came for this long: a long wait would starve a broker with a small window. [s]"""

BATCH_BYTES = 8 * 1024 * 1024
"""A batch is closed once its payloads have this size: decoded, they may take twenty times as much. [bytes]"""

DRAIN_S, LAST_WORDS_S = 1.5, 1.0
"""At the end: how long what has come is still committed, and how long the broker may take to hear that we go. [s]"""

_TURN_S = 0.5
_HEALTH_EVERY_S = 1.0
_STATE_EVERY_S = 0.4


@dataclass(slots=True)
class _Shown:
    """What was last announced, to say only what is new."""

    states: dict[str, State] = field(default_factory=dict)
    sessions_lost: int = 0
    health_s: float = 0.0
    state_s: float = 0.0
    published_s: float = 0.0


class Collector:
    """One run of the service. ``run`` returns when ``stop`` was called; an error in it reaches its caller."""

    def __init__(self, mill: Mill, store: Store, *, now_ms: Callable[[], int] | None = None, version: str = "") -> None:
        """Go on from the tracker states of an open store."""
        self._version = version
        self._mill = mill
        self._now_ms = now_ms or clock.now_ms
        self._keeper = Keeper(mill, store, now_ms=self._now_ms)
        self._journal = Journal()
        root = mill.topic_root
        self._subscriber = Subscriber(
            mill.broker,
            self._keeper.subscriptions if mill.broker.subscribe is None else (mill.broker.subscribe,),
            client_id=mill.broker.client_id,
            will=announce.last_will(root),
            has_session=bool(store.deliveries()),
        )
        self._started_at = datetime.now(UTC).isoformat(timespec="seconds")
        self._stopping = threading.Event()
        self._shown = _Shown()

    def stop(self) -> None:
        """Ask the run to end: what has been received is committed first. Safe in a signal handler."""
        self._stopping.set()

    @property
    def connected(self) -> bool:
        """Whether the broker has taken us in."""
        return self._subscriber.connected

    @property
    def counts(self) -> Counts:
        """What this run has done so far."""
        counts = self._keeper.counts
        counts.sessions_lost = self._subscriber.sessions_lost
        return counts

    def run(self) -> None:
        """Collect until stopped."""
        self._subscriber.start()
        try:
            self._publish()
            notify("READY=1")
            while not self._stopping.is_set():
                self._turn()
            notify("STOPPING=1")
            self._keeper.rest()
            self._drain()
            self._say_health("stopped")
            self._keeper.raise_trouble()
        finally:
            try:
                self._keeper.rest()
            finally:
                self._subscriber.stop()

    def _turn(self) -> None:
        if self._keeper.trouble is not None:
            self._wait_for_room()
        elif deliveries := self._gather():
            self._commit(deliveries)
        now_s = time.monotonic()
        if now_s - self._shown.state_s >= _STATE_EVERY_S:
            self._shown.state_s = now_s
            self._say_states()
        if now_s - self._shown.health_s >= _HEALTH_EVERY_S:
            self._shown.health_s = now_s
            self._say_health(self._keeper.trouble or "up")
        if now_s - self._shown.published_s >= self._mill.store.publish_every_s:
            self._publish()
        else:
            self._keeper.turn()

    def _wait_for_room(self) -> None:
        self._subscriber.check()
        self._stopping.wait(_TURN_S)
        if self._keeper.due:
            self._commit([])

    def _publish(self) -> None:
        self._keeper.publish()
        self._shown.published_s = time.monotonic()

    def _drain(self) -> None:
        """Commit what is in the inbox, for a second or two at most: the rest stays with the broker."""
        self._subscriber.hold()
        if self._keeper.trouble is not None:
            self._commit([])
        until_s = time.monotonic() + DRAIN_S
        while self._keeper.trouble is None and time.monotonic() < until_s and (deliveries := self._gather()):
            self._commit(deliveries)

    def _gather(self) -> list[Delivery]:
        """The next deliveries to commit together: until the inbox runs dry, half the window, or time is up."""
        inbox = self._subscriber.inbox
        try:
            came, size = inbox.get(timeout=QUIET_S if self._stopping.is_set() else _TURN_S)
        except queue.Empty:
            self._subscriber.check()
            return []
        deliveries = list(came)
        until_s = time.monotonic() + self._mill.store.commit_within_s
        most = max(1, self._mill.broker.window // 2)
        while len(deliveries) < most and size < BATCH_BYTES and time.monotonic() < until_s:
            try:
                came, more = inbox.get(timeout=QUIET_S)
            except queue.Empty:
                break
            deliveries += came
            size += more
        return deliveries

    def _commit(self, deliveries: list[Delivery]) -> None:
        """Commit, then acknowledge; nothing of it while the store cannot take it."""
        kept = self._keeper.keep(deliveries)
        if kept is not None:
            self._subscriber.acknowledge(kept.deliveries)
            self._tell(kept)

    def _tell(self, kept: Kept) -> None:
        batch, root = kept.batch, self._mill.topic_root
        self._journal.tell(batch, kept.done.refused, now_s=time.monotonic())
        for said in announce.breaks(root, batch.facts):
            self._send(said)
        for answer in kept.done.receipts:
            self._send(
                announce.receipt(root, answer.machine, answer.note_id, accepted=answer.accepted, reason=answer.reason)
            )
        for said in announce.refusals(root, (machine.id for machine in self._mill.machines), batch.rejected):
            self._send(said)
        for request in batch.requests:
            log.info("asking for what is missing: %s", request.topic, extra=about("asked", topic=request.topic))
            self._subscriber.publish(request.topic, request.payload, retain=False, qos=0)

    def _send(self, said: Announcement, *, wait_s: float = 0) -> bool:
        return self._subscriber.publish(said.topic, said.payload, retain=said.retain, wait_s=wait_s)

    def _say_states(self) -> None:
        now_ms, shown, lost = self._now_ms(), self._shown, self._subscriber.sessions_lost
        if shown.sessions_lost != lost:  # a broker that has forgotten our session has forgotten what it retained for us
            shown.sessions_lost = lost
            shown.states.clear()
        for machine in self._mill.machines:
            state, _ = self._keeper.outlook(machine.id, now_ms)
            said = announce.state(self._mill.topic_root, machine.id, state, as_of_ms=now_ms)
            if shown.states.get(machine.id) is not state and self._send(said):
                shown.states[machine.id] = state

    def _say_health(self, status: str) -> None:
        counts = self.counts
        said = announce.Health(
            status=status,
            as_of=announce.instant(self._now_ms()),
            version=self._version,
            started_at=self._started_at,
            messages=counts.messages,
            repeats=counts.repeats,
            samples=counts.samples,
            late=counts.late,
            rejected=counts.rejected,
            sessions_lost=counts.sessions_lost,
            waiting=self._subscriber.inbox.qsize(),
            unpublished=UNSET if self._keeper.unpublished is None else self._keeper.unpublished,
            lake=UNSET if (lake := self._keeper.lake) is None else _served(lake),
        )
        self._send(announce.health(self._mill.topic_root, said), wait_s=LAST_WORDS_S if status == "stopped" else 0)


def _served(lake: LakeState) -> announce.Lake:
    return announce.Lake(
        trouble=lake.trouble,
        copied_at=None if lake.copied_ms is None else announce.instant(lake.copied_ms),
        waiting_days=lake.waiting_days,
        failed=lake.failed,
    )


def serve(mill: Mill, *, version: str, ready: Callable[[Collector], None] = lambda collector: None) -> None:
    """One whole run of the service, from opening the store to publishing the row that says how the run ended.

    ready
        Called with the collector before it begins, so that somebody can stop it.
    """
    store = Store.open(mill.store.folder, mill, now_ms=clock.now_ms())
    try:
        collector = Collector(mill, store, version=version)
        store.begin_run(clock.now_ms(), version)
        try:
            ready(collector)
            told = about("started", version=version, store=str(mill.store.folder))
            log.info("collecting into %s (version %s)", mill.store.folder, version, extra=told)
            collector.run()
        except BaseException:
            with suppress(StoreError):  # a row that cannot be written must not hide what went wrong
                store.end_run(clock.now_ms(), False, collector.counts.as_dict())
            raise
        counts = collector.counts
        store.end_run(clock.now_ms(), True, counts.as_dict())
        log.info("stopped, all committed: %s", counts, extra=about("stopped", counts=counts.as_dict()))
        with suppress(StoreFull):  # readers keep what they had; the next run lets them have the rest
            publish(store, mill, now_ms=clock.now_ms(), tidy=False)
    finally:
        store.close()
