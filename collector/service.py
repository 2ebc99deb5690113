"""The collector at work: takes from the inbox, commits, and only then acknowledges; publishes now and then."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from collector import announce
from collector.announce import Announcement
from collector.backup import Answering
from collector.batch import Batch
from collector.fact import State
from collector.journal import Journal
from collector.logs import about
from collector.notify import notify
from collector.pipeline import Pipeline
from collector.publish import Publishing, publish
from collector.redelivery import NEW_SESSION, Redelivery, digest
from collector.settings import Mill
from collector.store import Store
from collector.subscriber import Delivery, Subscriber
from collector.tally import Counts
from collector.writer import Writer

log = logging.getLogger("breakhorn.collector")

QUIET_S = 0.004
"""The inbox has run dry when nothing came for this long: a long wait would starve a broker with a small window. [s]"""

BATCH_BYTES = 8 * 1024 * 1024
"""A batch is closed once its payloads have this size: decoded, they may take twenty times as much. [bytes]"""

_TURN_S = 0.5
_HEALTH_EVERY_S = 1.0
_STATE_EVERY_S = 1.0


@dataclass(slots=True)
class _Shown:
    """What was last announced, to say only what is new."""

    states: dict[str, State] = field(default_factory=dict)
    health_s: float = 0.0
    state_s: float = 0.0
    published_s: float = 0.0


class Collector:
    """One run of the service. ``run`` returns when ``stop`` was called; an error in it reaches its caller."""

    def __init__(self, mill: Mill, store: Store, *, now_ms: Callable[[], int] | None = None, version: str = "") -> None:
        """Go on from the tracker states of an open store."""
        self._version = version
        self.counts = Counts()
        self._mill, self._store = mill, store
        self._now_ms = now_ms or _clock_ms
        self._pipeline = Pipeline(mill, store.tracker_states())
        self._writer = Writer(store, mill)
        self._publishing = Publishing(store, mill)
        self._journal = Journal()
        self._backups = Answering(store)
        deliveries = store.deliveries()
        self._redelivery = Redelivery(deliveries, window=mill.broker.window)
        root = mill.topic_root
        self._subscriber = Subscriber(
            mill.broker,
            self._pipeline.subscriptions if mill.broker.subscribe is None else (mill.broker.subscribe,),
            client_id=mill.broker.client_id,
            will=announce.last_will(root),
            has_session=bool(deliveries),
        )
        self._client: object = None
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

    def run(self) -> None:
        """Collect until stopped."""
        self._subscriber.start()
        try:
            self._publish()
            notify("READY=1")
            while not self._stopping.is_set():
                self._turn()
            notify("STOPPING=1")
            self._backups.stop()
            self._publishing.stop()
            self._drain()
            self._say_health("stopped")
        finally:
            self._backups.stop()
            self._publishing.stop()
            self._subscriber.stop()

    def _turn(self) -> None:
        deliveries = self._gather()
        if deliveries:
            self._commit(deliveries)
        now_s = time.monotonic()
        if now_s - self._shown.state_s >= _STATE_EVERY_S:
            self._shown.state_s = now_s
            self._say_states()
        if now_s - self._shown.health_s >= _HEALTH_EVERY_S:
            self._shown.health_s = now_s
            self._backups.turn()
            self._say_health("up")
        if now_s - self._shown.published_s >= self._mill.store.publish_every_s:
            self._publish()
        else:
            self._publishing.turn(now_ms=self._now_ms(), stored=self.counts.samples)

    def _publish(self) -> None:
        self._store.keep_counts(self.counts.as_dict())
        self._publishing.publish(now_ms=self._now_ms(), stored=self.counts.samples)
        self._shown.published_s = time.monotonic()

    def _drain(self) -> None:
        """Commit what is in the inbox, for a second or two at most: the rest stays with the broker."""
        self._subscriber.hold()
        until_s = time.monotonic() + 1.5
        while time.monotonic() < until_s and (deliveries := self._gather()):
            self._commit(deliveries)

    def _gather(self) -> list[Delivery]:
        """The next deliveries to commit together: until the inbox runs dry, half the window, or time is up."""
        inbox = self._subscriber.inbox
        try:
            deliveries = [inbox.get(timeout=QUIET_S if self._stopping.is_set() else _TURN_S)]
        except queue.Empty:
            self._subscriber.check()
            return []
        size = len(deliveries[0].message.payload)
        until_s = time.monotonic() + self._mill.store.commit_within_s
        most = max(1, self._mill.broker.window // 2)
        while len(deliveries) < most and size < BATCH_BYTES and time.monotonic() < until_s:
            try:
                deliveries.append(inbox.get(timeout=QUIET_S))
            except queue.Empty:
                break
            size += len(deliveries[-1].message.payload)
        return deliveries

    def _commit(self, deliveries: list[Delivery]) -> None:
        batch = Batch()
        for delivery in deliveries:
            self._take(delivery, batch)
        self._pipeline.seal(batch)
        done = self._writer.commit(batch)
        self._redelivery.committed(batch.deliveries)
        self._subscriber.acknowledge(deliveries)
        self.counts.add(batch, done)
        self._journal.tell(batch, done.refused, now_s=time.monotonic())
        root = self._mill.topic_root
        for said in announce.breaks(root, batch.facts):
            self._send(said)
        for answer in done.receipts:
            self._send(
                announce.receipt(root, answer.machine, answer.note_id, accepted=answer.accepted, reason=answer.reason)
            )
        for request in batch.requests:
            log.info("asking for what is missing: %s", request.topic, extra=about("asked", topic=request.topic))
            self._subscriber.publish(request.topic, request.payload, retain=False, qos=0)

    def _take(self, delivery: Delivery, batch: Batch) -> None:
        message = delivery.message
        if delivery.client is not self._client:
            self._client = delivery.client
            if delivery.resumed:
                self._redelivery.reconnected()
            else:
                self._redelivery.began_anew()
                batch.deliveries.append(NEW_SESSION)
        if not delivery.qos:
            self._pipeline.take(message, batch)
            return
        fingerprint = digest(message.topic, message.payload)
        if self._redelivery.is_repeat(delivery.packet_id, fingerprint, retained=message.retained):
            self.counts.repeats += 1
            return
        batch.deliveries.append((delivery.packet_id, fingerprint))
        self._pipeline.take(message, batch)

    def _send(self, said: Announcement, *, wait_s: float = 0) -> None:
        self._subscriber.publish(said.topic, said.payload, retain=said.retain, wait_s=wait_s)

    def _say_states(self) -> None:
        now_ms = self._now_ms()
        for machine in self._mill.machines:
            state, _ = self._pipeline.outlook(machine.id, now_ms)
            if self._shown.states.get(machine.id) is not state:
                self._shown.states[machine.id] = state
                self._send(announce.state(self._mill.topic_root, machine.id, state, as_of_ms=now_ms))

    def _say_health(self, status: str) -> None:
        counts = self.counts
        counts.sessions_lost = self._subscriber.sessions_lost
        said: dict[str, object] = {
            "status": status,
            "as_of": announce.instant(self._now_ms()),
            "version": self._version,
            "started_at": self._started_at,
            "messages": counts.messages,
            "repeats": counts.repeats,
            "samples": counts.samples,
            "late": counts.late,
            "rejected": counts.rejected,
            "sessions_lost": counts.sessions_lost,
            "waiting": self._subscriber.inbox.qsize(),
        }
        self._send(announce.health(self._mill.topic_root, said), wait_s=1 if status == "stopped" else 0)


def serve(mill: Mill, *, version: str, ready: Callable[[Collector], None] = lambda collector: None) -> None:
    """One whole run of the service, from opening the store to publishing the row that says how the run ended.

    ready
        Called with the collector before it begins, so that somebody can stop it.
    """
    store = Store.open(mill.store.folder, mill, now_ms=_clock_ms())
    try:
        store.begin_run(_clock_ms(), version)
        counts, clean = Counts(), False
        try:
            collector = Collector(mill, store, version=version)
            counts = collector.counts
            ready(collector)
            told = about("started", version=version, store=str(mill.store.folder))
            log.info("collecting into %s (version %s)", mill.store.folder, version, extra=told)
            collector.run()
            clean = True
            log.info("stopped, all committed: %s", counts, extra=about("stopped", counts=counts.as_dict()))
        finally:
            store.end_run(_clock_ms(), clean, counts.as_dict())
        publish(store, mill, now_ms=_clock_ms(), tidy=False)
    finally:
        store.close()


def _clock_ms() -> int:
    return time.time_ns() // 1_000_000
