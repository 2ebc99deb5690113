"""Brings messages from the broker into a bounded inbox, and acknowledges what was committed. Decodes nothing."""

from __future__ import annotations

import logging
import queue
import threading
import time
from dataclasses import dataclass

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector import link
from collector.logs import about
from collector.message import Message
from collector.settings import Broker

log = logging.getLogger("breakhorn.subscriber")

_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0
_UNSUPPORTED_PROTOCOL = 132


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message and how to acknowledge it.

    client
        The connection it came by: no other may acknowledge it.
    resumed
        Whether the broker had kept our session, so that the first messages may be repeats.
    """

    message: Message
    packet_id: int
    qos: int
    client: mqtt.Client
    resumed: bool


class Subscriber:
    """One lasting session at the broker, connected again whenever it is lost.

    inbox
        Deliveries in order of arrival. It blocks the network when full, so memory stays bounded.
    """

    def __init__(
        self, broker: Broker, filters: tuple[str, ...], *, client_id: str, will: tuple[str, bytes] | None = None
    ) -> None:
        """Prepare for the filters; nothing is connected before ``start``."""
        self.inbox: queue.Queue[Delivery] = queue.Queue(maxsize=max(2 * broker.window, 100))
        self._broker, self._filters, self._client_id, self._will = broker, filters, client_id, will
        self._version = int(MQTTProtocolVersion.MQTTv5)
        self._client: mqtt.Client | None = None
        self._answered = False
        self._resumed = False
        self._stopping, self._holding, self._over = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._stay_connected, name="subscriber", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once. Raises NoPassword if the settings cannot work at all."""
        link.password(self._broker)
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
        self._thread.join(timeout=3)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and not gone since."""
        client = self._client
        return client is not None and client.is_connected()

    def acknowledge(self, deliveries: list[Delivery]) -> None:
        """Tell the broker, in order of arrival, that these are safe. Those of an earlier connection are left out."""
        for delivery in deliveries:
            if delivery.client is self._client and delivery.qos:
                delivery.client.ack(delivery.packet_id, delivery.qos)

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

    def _stay_connected(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            began = time.monotonic()
            self._answered = False
            self._connect_once()
            if time.monotonic() - began > _LONGEST_WAIT_S:
                wait_s = _FIRST_WAIT_S
            if self._stopping.wait(wait_s):
                return
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    def _connect_once(self) -> None:
        """One connection, from its first packet to its loss."""
        broker = self._broker
        client = link.build(broker, client_id=self._client_id, version=self._version, lasting=True)
        client.on_connect, client.on_message, client.on_disconnect = self._accepted, self._receive, self._lost
        if self._will is not None:
            client.will_set(self._will[0], self._will[1], qos=1, retain=True)
        try:
            link.connect(client, broker, lasting=True, window=broker.window)
        except OSError as error:
            told = about("no broker", host=broker.host, port=broker.port)
            log.warning("no broker at %s:%d (%s); trying again", broker.host, broker.port, error, extra=told)
            return
        self._over.clear()
        # With loop_start, and only so, paho writes from one thread: with loop_forever, packets of two threads that
        # write at once may change places, or come to lie within each other.
        self._client = client
        client.loop_start()
        self._over.wait()
        client.loop_stop()
        self._client = None
        if not self._answered and self._version == MQTTProtocolVersion.MQTTv5 and not self._stopping.is_set():
            log.warning("the broker does not answer in MQTT 5; falling back to 3.1.1")
            self._version = int(MQTTProtocolVersion.MQTTv311)

    def _accepted(
        self, client: mqtt.Client, _: object, flags: mqtt.ConnectFlags, reason: ReasonCode, __: object
    ) -> None:
        if reason.is_failure:
            self._answered = reason.value != _UNSUPPORTED_PROTOCOL
            log.error("the broker refused the connection: %s", reason, extra=about("refused", reason=str(reason)))
            client.disconnect()
            return
        self._answered = True
        self._resumed = bool(flags.session_present)
        kept = "going on with the session the broker kept" if flags.session_present else "a new session"
        told = about("connected", host=self._broker.host, port=self._broker.port, resumed=self._resumed)
        log.info("connected to %s:%d, %s", self._broker.host, self._broker.port, kept, extra=told)
        client.subscribe([(topic_filter, 1) for topic_filter in self._filters])

    def _lost(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object) -> None:
        self._over.set()
        if not self._stopping.is_set():
            log.warning("connection lost: %s", reason, extra=about("connection lost", reason=str(reason)))

    def _receive(self, client: mqtt.Client, _: object, received: mqtt.MQTTMessage) -> None:
        message = Message(
            received_ms=time.time_ns() // 1_000_000,
            topic=received.topic,
            payload=bytes(received.payload),
            stamped_ms=link.recorded_ms(received),
            retained=received.retain,
        )
        delivery = Delivery(message, received.mid, received.qos, client, self._resumed)
        while not (self._stopping.is_set() or self._holding.is_set()):
            try:
                self.inbox.put(delivery, timeout=0.1)
            except queue.Full:
                continue
            return
