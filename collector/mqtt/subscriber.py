"""Brings messages from the broker into a bounded inbox, and acknowledges what was committed. Decodes nothing."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import ParamSpec, cast

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from collector.logs import about
from collector.message import KEPT_OF_TOO_LARGE, Message
from collector.mqtt import link
from collector.mqtt.backoff import Backoff
from collector.mqtt.inbox import Inbox
from collector.mqtt.wire import Came
from collector.settings import Broker

P = ParamSpec("P")

log = logging.getLogger("breakhorn.subscriber")

LEAVE_S = 1.5
"""How long a broker may take to let us go: one that hangs is left as it is, and keeps what is unacknowledged. [s]"""

_INBOX_BYTES = 32 * 1024 * 1024
_UNSUPPORTED_PROTOCOL, _TAKEN_OVER = 132, 142
_V5, _V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message and how to acknowledge it.

    packet_id
        What the broker calls it until it is acknowledged; 0 if it wants no acknowledgement (QoS 0).
    client
        The connection it came by: no other may acknowledge it.
    resumed
        Whether the broker had kept our session, so that the first messages may be repeats.
    """

    message: Message
    packet_id: int
    client: link.Client
    resumed: bool


class Subscriber:
    """One lasting session at the broker, connected again whenever it is lost.

    inbox
        Deliveries in order of arrival. It blocks the network when full, so memory stays bounded.
    sessions_lost
        How often the broker had forgotten our session, and with it what was published meanwhile.
    """

    def __init__(
        self,
        broker: Broker,
        filters: tuple[str, ...],
        *,
        client_id: str,
        will: tuple[str, bytes] | None = None,
        has_session: bool = False,
    ) -> None:
        """Prepare for the filters; nothing is connected before ``start``.

        has_session
            Whether the broker should still have a session of ours, from an earlier run.
        """
        self.inbox: Inbox[Delivery] = Inbox(items=max(2 * broker.window, 100), size=_INBOX_BYTES)
        self.sessions_lost = 0
        self._broker, self._filters, self._client_id, self._will = broker, filters, client_id, will
        self._piece = max(1, broker.window // 4)
        self._has_session = has_session
        self._version = _V5
        self._client: link.Client | None = None
        self._accepted = self._answered = self._taken_over = self._resumed = self._listening = False
        self._refusal_said = self._speaks_v5 = False
        self._error: BaseException | None = None
        self._stopping, self._holding, self._over = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="subscriber", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once. Raises NoPassword or NoCertificate if the settings cannot work."""
        link.build(self._broker, client_id=self._client_id, version=self._version, lasting=True)
        for file in (self._broker.password_file, self._broker.tls_key):
            if file is not None and link.may_be_read_by_all(file):
                log.warning("%s can be read by every user of this computer: chmod 600", file)
        self._thread.start()

    def hold(self) -> None:
        """Take nothing more in: what comes from now on is not acknowledged, so the broker keeps it."""
        self._holding.set()

    def stop(self) -> None:
        """Send what was acknowledged, leave the broker (it keeps our session) and wait for the network thread."""
        self._stopping.set()
        client = self._client
        if client is not None:
            client.disconnect()
        self._thread.join(timeout=LEAVE_S)

    def check(self) -> None:
        """Raise what ended the network thread, if anything did."""
        if self._error is not None:
            raise self._error

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us, has taken our subscriptions, and has not gone since."""
        client = self._client
        return client is not None and client.is_connected() and self._listening

    def acknowledge(self, deliveries: list[Delivery]) -> None:
        """Tell the broker, in order of arrival, that these are safe. Those of an earlier connection are left out."""
        client = self._client
        packet_ids = [delivery.packet_id for delivery in deliveries if delivery.client is client and delivery.packet_id]
        if client is not None and packet_ids:
            client.acknowledge(packet_ids)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1, wait_s: float = 0) -> bool:
        """Send a message of our own; False if there is no connection to send it by.

        wait_s
            How long to wait until the broker has it: last words need that, since a broker that cannot answer us any
            more takes us for lost, and says our last will over them. [s]
        """
        client = self._client
        if client is None or not client.is_connected():
            return False
        info = client.publish(topic, payload, qos=qos, retain=retain)
        if wait_s and info.rc == mqtt.MQTT_ERR_SUCCESS:
            info.wait_for_publish(wait_s)
        return True

    def _run(self) -> None:
        try:
            self._stay_connected()
        except BaseException as error:
            self._error = error

    def _stay_connected(self) -> None:
        backoff = Backoff()
        while not self._stopping.is_set():
            began_s = time.monotonic()
            self._accepted = self._answered = self._taken_over = self._listening = False
            self._connect_once()
            lasted_s = time.monotonic() - began_s
            wait_s = backoff.after(lasted_s=lasted_s, accepted=self._accepted, taken_over=self._taken_over)
            if backoff.suspicious and not self._stopping.is_set():
                log.error(
                    "%d connections in a row were accepted and soon ended: if another client has the client_id %s, "
                    "stop it, or give one of the two another",
                    backoff.short,
                    self._client_id,
                )
            if self._stopping.wait(wait_s):
                return

    def _connect_once(self) -> None:
        """One connection, from its first packet to its loss."""
        broker = self._broker
        self._over.clear()  # Before connecting: paho tells of a broker that hangs up at our first packet from within.
        try:
            client = self._new_client()
            link.connect(client, broker, lasting=True, window=broker.window)
        except OSError as error:
            told = about("no broker", host=broker.host, port=broker.port)
            log.warning("%s; trying again", link.trouble(error, broker), extra=told)
            return
        except link.NoPassword as error:
            log.warning("%s; trying again", error, extra=about("no password"))
            return
        # With loop_start, and only so, paho writes from one thread: with loop_forever, packets of two threads that
        # write at once may change places, or come to lie within each other.
        self._client = client
        try:
            client.loop_start()
            if self._stopping.is_set():
                client.disconnect()  # ``stop`` came while we were connecting: it had no client to disconnect.
            self._over.wait()
            client.loop_stop()
        finally:
            self._client = None
        if not self._stopping.is_set():
            self._choose_version()

    def _new_client(self) -> link.Client:
        client = link.build(self._broker, client_id=self._client_id, version=self._version, lasting=True)
        client.on_connect, client.on_message = self._guarded(self._greet), self._guarded(self._receive)
        client.on_disconnect, client.on_subscribe = self._guarded(self._lost), self._guarded(self._subscribed)
        client.on_publish = self._guarded(self._published)
        if self._broker.off_the_wire:
            client.take = self._guarded(partial(self._take, client))
        if self._will is not None:
            client.will_set(self._will[0], self._will[1], qos=1, retain=True)
        return client

    def _guarded(self, callback: Callable[P, None]) -> Callable[P, None]:
        """An error in paho's own thread would end it without a word: it is kept for ``check``, and ends ours too."""

        def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
            try:
                callback(*args, **kwargs)
            except BaseException as error:
                self._error = error
                self._stopping.set()
                self._over.set()
                raise

        return guarded

    def _choose_version(self) -> None:
        """Speak MQTT 5 where the broker does. One that does not may just hang up, and so does one that is starting."""
        if self._speaks_v5 or (self._answered and self._version == _V5):
            return
        if self._version == _V5:
            hint = (
                "; does it ask for a certificate of ours?" if self._broker.tls_ca and not self._broker.tls_cert else ""
            )
            log.warning("the broker ended the connection without an answer in MQTT 5%s; trying MQTT 3.1.1", hint)
        self._version = _V311 if self._version == _V5 else _V5

    def _greet(
        self,
        client: mqtt.Client,
        _: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._answered = reason.value != _UNSUPPORTED_PROTOCOL
            log.error(
                "%s; trying again",
                link.refusal(reason, self._broker),
                extra=about("refused", reason=str(reason)),
            )
            client.disconnect()
            return
        self._accepted = self._answered = True
        self._speaks_v5 = self._version == _V5
        self._resumed = bool(flags.session_present)
        self._say_session(getattr(properties, "SessionExpiryInterval", None))
        client.subscribe([(topic_filter, 1) for topic_filter in self._filters])

    def _say_session(self, kept_s: int | None) -> None:
        kept = "going on with the session the broker kept" if self._resumed else "a new session"
        told = about("connected", host=self._broker.host, port=self._broker.port, resumed=self._resumed)
        log.info("connected to %s:%d, %s", self._broker.host, self._broker.port, kept, extra=told)
        if self._has_session and not self._resumed:
            self.sessions_lost += 1
            log.error(
                "the broker has not kept our session: what was published since we left it is lost to us; "
                "look at its persistence and at how long it keeps sessions",
                extra=about("session lost", count=self.sessions_lost),
            )
        if kept_s is not None and kept_s < link.KEEP_SESSION_S:
            log.warning("the broker keeps our session for %d s only: after a longer absence messages are lost", kept_s)
        self._has_session = True

    def _subscribed(
        self, _: mqtt.Client, __: object, ___: int, reasons: list[ReasonCode], ____: Properties | None
    ) -> None:
        for topic_filter, reason in zip(self._filters, reasons, strict=False):
            if reason.is_failure:
                log.error("the broker refuses us %s (%s): let our user read it", topic_filter, reason)
        self._listening = True

    def _published(self, _: mqtt.Client, __: object, ___: int, reason: ReasonCode, ____: Properties | None) -> None:
        if reason.is_failure and not self._refusal_said:
            self._refusal_said = True
            log.error(
                "the broker does not pass on what we say (%s): let our user write collector/#, +/runnability/# and "
                "+/note/receipt below the topic root",
                reason,
            )

    def _lost(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: Properties | None) -> None:
        self._over.set()
        if self._stopping.is_set():
            return
        if reason.value == _TAKEN_OVER:
            self._taken_over = True
            log.error(
                "another client has taken over the session %s: stop it, or give one of the two another client_id",
                self._client_id,
                extra=about("taken over", client_id=self._client_id),
            )
        elif self._accepted:
            log.warning("connection lost: %s", reason, extra=about("connection lost", reason=str(reason)))

    def _receive(self, client: mqtt.Client, _: object, received: mqtt.MQTTMessage) -> None:
        came = Came(
            topic=link.topic_of(received),
            payload=bytes(received.payload),
            packet_id=received.mid,
            retained=link.was_retained(received),
            stamped_ms=link.recorded_ms(received),
        )
        self._take(cast("link.Client", client), [came])

    def _take(self, client: link.Client, came: list[Came]) -> None:
        """Put into the inbox what came together, in pieces so small that a broker with a small window goes on."""
        for start in range(0, len(came), self._piece):
            self._put([self._delivery(client, one) for one in came[start : start + self._piece]])

    def _delivery(self, client: link.Client, came: Came) -> Delivery:
        topic, payload, packet_id, retained, stamped_ms = came
        too_large = len(payload) > self._broker.payload_at_most_kb * 1024
        message = Message(
            received_ms=time.time_ns() // 1_000_000,
            topic=topic,
            payload=payload[:KEPT_OF_TOO_LARGE] if too_large else payload,
            stamped_ms=stamped_ms,
            retained=retained,
            cut_from=len(payload) if too_large else None,
        )
        return Delivery(message, packet_id, client, self._resumed)

    def _put(self, deliveries: list[Delivery]) -> None:
        """Wait for room in the inbox, unless nothing is taken in any more."""
        size = sum(len(delivery.message.payload) for delivery in deliveries)
        while not (self._stopping.is_set() or self._holding.is_set()):
            try:
                self.inbox.put(deliveries, size, timeout=0.1)
            except queue.Full:
                continue
            return
