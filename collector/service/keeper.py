"""Keeps what was delivered, whatever the disk does: it waits while there is no room and opens a dead store again.

Nothing is let go of before it is committed, so nothing has to be fetched again: a batch that failed is held with its
deliveries, unacknowledged, and tried again. The store says whether a batch that died with the database is in it.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

import duckdb

from collector.backup import Answering
from collector.batch import Batch
from collector.fact import Fact, State
from collector.lake import Copying, LakeState
from collector.logs import about
from collector.mqtt.redelivery import NEW_SESSION, Redelivery, digest
from collector.mqtt.subscriber import Delivery
from collector.pipeline import Pipeline
from collector.publish import Publishing
from collector.service.tally import Counts
from collector.settings import Mill
from collector.store import Store, StoreDead, StoreError, StoreFull
from collector.writer import Committed, Writer

log = logging.getLogger("breakhorn.keeper")

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0

_DEATHS_AT_MOST = 3
"""Deaths in a row for another reason than a full disk, after which it is no use to go on."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What was committed, and may be acknowledged."""

    deliveries: list[Delivery]
    batch: Batch
    done: Committed


@dataclass(slots=True)
class _Held:
    """Deliveries in hand.

    fresh
        Those that are no repeats.
    batch
        What they led to.
    safe
        True if it was found in the store: the transaction was durable before the database died.
    """

    deliveries: list[Delivery]
    safe: bool = False
    fresh: list[Delivery] = field(default_factory=list)
    batch: Batch = field(default_factory=Batch)


class Keeper:
    """Holds the pipeline and the writer of an open store.

    trouble
        Why nothing can be committed at the moment, in words for the crew; None while all is well.
    unpublished
        Why readers do not get what is new, though it is committed; None while they do.
    counts
        What was kept so far.
    """

    def __init__(self, mill: Mill, store: Store, *, now_ms: Callable[[], int]) -> None:
        """Go on from the tracker states of the store."""
        self.trouble: str | None = None
        self.unpublished: str | None = None
        self.counts = Counts()
        self._mill, self._store, self._now_ms = mill, store, now_ms
        self._redelivery = Redelivery(store.deliveries(), window=mill.broker.window)
        self._client: object = None
        self._held: _Held | None = None
        self._error: StoreFull | StoreDead | None = None
        self._pause_s, self._due_s, self._deaths, self._deaths_beside = FIRST_PAUSE_S, 0.0, 0, 0
        self._begin()

    def _begin(self) -> None:
        """Go on from what the store says."""
        self._pipeline = Pipeline(self._mill, self._store.tracker_states())
        self._writer = Writer(self._store, self._mill)
        self._publishing = Publishing(self._store, self._mill)
        self._backups = Answering(self._store)
        self._copying = Copying(self._mill)
        self._last_batch = self._store.last_batch()

    @property
    def lake(self) -> LakeState | None:
        """How the lake is served; None without one."""
        return self._copying.state

    def rest(self) -> None:
        """Give up what is under way beside the commits: nothing is lost by it. A store that is closed is left alone."""
        self._copying.stop()
        if self._store.is_open:
            self._backups.stop()
            self._publishing.stop()

    def _close(self) -> None:
        """Close every handle of a store that died: only then can it be opened again."""
        with suppress(duckdb.Error, StoreError):
            self.rest()
        self._store.close()

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """The topic filters to subscribe to."""
        return self._pipeline.subscriptions

    def outlook(self, machine: str, now_ms: int) -> tuple[State, list[Fact]]:
        """The provisional state of a machine, for showing live."""
        return self._pipeline.outlook(machine, now_ms)

    @property
    def due(self) -> bool:
        """Whether it is time to try again."""
        return self.trouble is not None and time.monotonic() >= self._due_s

    def raise_trouble(self) -> None:
        """Raise what keeps the store from taking anything, if something does."""
        if self._error is not None:
            raise self._error

    def keep(self, deliveries: list[Delivery]) -> Kept | None:
        """Commit deliveries; None if that cannot be now: they are held, and the next call tries them again.

        Raises
        ------
        StoreError
            For whatever does not go away with room on the disk.
        """
        if self._held is None:
            self._held = self._receive(deliveries)
        held = self._held
        try:
            done = self._commit(held)
        except StoreDead as error:
            self._close()
            self._deaths += not error.full
            if self._deaths >= _DEATHS_AT_MOST:
                raise
            self._wait(error)
            return None
        except StoreFull as error:
            self._wait(error)
            return None
        self._all_is_well()
        self.counts.add(held.batch, done)
        return Kept(held.deliveries, held.batch, done)

    def _commit(self, held: _Held) -> Committed:
        self._store.check_room()
        if not self._store.is_open:
            self._open_again(held)
        if held.safe:
            # Keeping context a second time keeps it once: that gives the answers to its notes again.
            done = self._writer.commit(Batch(context=held.batch.context))
        else:
            done = self._writer.commit(held.batch)
            self._last_batch += bool(held.batch.deliveries)
        self._redelivery.committed(held.batch.deliveries)
        return done

    def _open_again(self, held: _Held) -> None:
        """Open the store that died, and see whether what is held is in it. If not, decode it from what the store says.

        Messages of QoS 0 that came alone may be taken a second time; their samples are told by key.
        """
        before = self._last_batch
        self._store.reopen(now_ms=self._now_ms())
        self._begin()
        held.safe = held.safe or self._last_batch > before
        if not held.safe:
            self._decode(held)

    def _receive(self, deliveries: list[Delivery]) -> _Held:
        held = _Held(deliveries)
        marks: list[tuple[int, bytes]] = []
        held.fresh = [delivery for delivery in deliveries if not self._is_repeat(delivery, marks)]
        self._decode(held)
        held.batch.deliveries = marks
        return held

    def _decode(self, held: _Held) -> None:
        batch = Batch(deliveries=held.batch.deliveries)
        for delivery in held.fresh:
            self._pipeline.take(delivery.message, batch)
        self._pipeline.seal(batch)
        held.batch = batch

    def _is_repeat(self, delivery: Delivery, marks: list[tuple[int, bytes]]) -> bool:
        """Whether it was committed before; if not, its mark is added to those of its batch."""
        if delivery.client is not self._client:
            self._client = delivery.client
            if delivery.resumed:
                self._redelivery.reconnected(marks)
            else:
                self._redelivery.began_anew()
                marks.append(NEW_SESSION)
        if not delivery.packet_id:
            return False
        message = delivery.message
        mark = delivery.packet_id, digest(message.topic, message.payload)
        if self._redelivery.is_repeat(*mark, retained=message.retained):
            self.counts.repeats += 1
            return True
        marks.append(mark)
        return False

    def publish(self) -> None:
        """Let readers have what is committed. Without room for it they keep what they had, and commits go on."""
        if self.trouble is None:
            self._beside(self._publish)

    def _publish(self) -> None:
        self._store.keep_counts(self.counts.as_dict())
        self._publishing.publish(now_ms=self._now_ms(), stored=self.counts.samples)
        if self.unpublished is not None:
            log.info("readers get what is new again", extra=about("published again"))
        self.unpublished, self._deaths_beside = None, 0
        self._copying.turn(now_ms=self._now_ms())

    def turn(self) -> None:
        """Do the little that is due between two commits, for readers and for backups."""
        if self.trouble is None:
            self._beside(self._turn)

    def _turn(self) -> None:
        self._backups.turn()
        self._publishing.turn(now_ms=self._now_ms(), stored=self.counts.samples)

    def _beside(self, work: Callable[[], None]) -> None:
        """What readers need must not keep a commit from being made; but a store that dies of it each time is no use."""
        try:
            work()
        except StoreDead as error:
            self._close()
            self._deaths_beside += not error.full
            if self._deaths_beside >= _DEATHS_AT_MOST:
                raise
            self._wait(error)
        except StoreFull as error:
            if self.unpublished is None:
                log.error("readers do not get what is new: %s", error, extra=about("not published"))
            self.unpublished = str(error)

    def _wait(self, error: StoreFull | StoreDead) -> None:
        said = str(error)
        if isinstance(error, StoreDead) and error.full:
            said = f"no space left on the disk of {self._store.folder}: make room; the broker keeps what comes"
        if self.trouble is None:
            log.error("nothing is taken or acknowledged for now: %s", said, extra=about("waiting"))
        kind = "dead" if isinstance(error, StoreDead) and not error.full else "full"
        self.trouble = f"store {kind}: {said}"
        self._error = error
        self._due_s = time.monotonic() + self._pause_s
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)

    def _all_is_well(self) -> None:
        if self.trouble is not None:
            log.info("the store takes what comes again", extra=about("going on"))
        self._held = self.trouble = self._error = None
        self._pause_s, self._deaths = FIRST_PAUSE_S, 0
