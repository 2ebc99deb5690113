"""Everything the analysis knows of paho: a connection to the broker that is made again whenever it is lost."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from analysis.broker.address import Broker

KEEP_ALIVE_S = 20
"""The broker takes us for gone after one and a half times this without a word, and says our last will. [s]"""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0
_UNSUPPORTED_PROTOCOL = 132

Hear = Callable[[str, bytes], None]
"""Takes the topic and the payload of a message, in the line's own thread."""


class Line:
    """Publishes with QoS 1 and hears topics; in MQTT 5, or in 3.1.1 where the broker knows no better.

    What is published without a connection is not sent: whoever publishes keeps it, and says it again when ``opened``
    is called.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        client_id: str,
        log: logging.Logger,
        will: tuple[str, bytes] | None = None,
        longest_wait_s: float = _LONGEST_WAIT_S,
    ) -> None:
        """Prepare; nothing is connected before the block is entered.

        client_id
            Nobody else's: a broker throws out the older of two clients of one name.
        will
            Topic and payload that the broker says for us, retained, once we are gone without a word.
        longest_wait_s
            Between two attempts to connect, at most. [s]
        """
        self.opened: Callable[[], None] = lambda: None
        """Called in the line's own thread whenever there is a connection again."""
        self.delivered: Callable[[int, str | None], None] = lambda number, refused: None
        """Called in the line's own thread once the broker has taken a message, or refused it with a reason."""
        self._broker, self._client_id, self._log, self._will = broker, client_id, log, will
        self._longest_wait_s = longest_wait_s
        self._heard: dict[str, Hear] = {}
        self._version = MQTTProtocolVersion.MQTTv5
        self._client: mqtt.Client | None = None
        self._answered, self._away = False, False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._stay_connected, name=f"line {client_id}", daemon=True)

    def hear(self, topic_filter: str, hear: Hear) -> None:
        """Have a function called with every message of a topic filter; to be said before the block is entered."""
        self._heard[topic_filter] = hear

    def __enter__(self) -> Self:
        """Begin to connect; returns at once."""
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        """Leave the broker; after an error without a farewell, so that it says our last will."""
        self._stopping.set()
        client = self._client
        if client is not None and kind is None:
            client.disconnect()
        elif client is not None and (socket := client.socket()) is not None:
            socket.close()
        self._thread.join(timeout=3)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and not gone since."""
        client = self._client
        return client is not None and client.is_connected()

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expires_s: int | None = None
    ) -> mqtt.MQTTMessageInfo | None:
        """Send a message; None if there is no connection.

        expires_s
            A broker that speaks MQTT 5 forgets it after this. [s]
        """
        client = self._client
        if client is None or not client.is_connected():
            return None
        properties = None
        if expires_s is not None and self._version is MQTTProtocolVersion.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
            properties.MessageExpiryInterval = expires_s
        return client.publish(topic, payload, qos=1, retain=retain, properties=properties)

    def _stay_connected(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            self._answered = False
            self._connect_once()
            wait_s = _FIRST_WAIT_S if self._answered else min(2 * wait_s, self._longest_wait_s)
            self._stopping.wait(wait_s)

    def _connect_once(self) -> None:
        """One connection, from its first packet to its loss."""
        broker = self._broker
        client = self._built()
        try:
            client.connect(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
        except OSError as error:
            # Once: a page tries every few seconds, for as long as a broker is away.
            level = logging.DEBUG if self._away else logging.WARNING
            self._log.log(level, "no broker at %s:%d (%s); trying again", broker.host, broker.port, error)
            self._away = True
            return
        self._client = client
        client.loop_forever()
        self._client = None
        if not self._answered and self._version is MQTTProtocolVersion.MQTTv5 and not self._stopping.is_set():
            self._log.warning("the broker does not answer in MQTT 5; falling back to 3.1.1")
            self._version = MQTTProtocolVersion.MQTTv311

    def _built(self) -> mqtt.Client:
        broker = self._broker
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=self._version,
            reconnect_on_failure=False,
        )
        if broker.tls_ca is not None:
            client.tls_set(
                ca_certs=str(broker.tls_ca),
                certfile=None if broker.tls_cert is None else str(broker.tls_cert),
                keyfile=None if broker.tls_key is None else str(broker.tls_key),
            )
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if self._will is not None:
            client.will_set(*self._will, qos=1, retain=True)
        client.on_connect, client.on_disconnect, client.on_publish = self._accepted, self._lost, self._taken
        for topic_filter, hear in self._heard.items():
            client.message_callback_add(topic_filter, _calling(hear, self._log))
        return client

    def _accepted(self, client: mqtt.Client, _: object, __: mqtt.ConnectFlags, reason: ReasonCode, ___: object) -> None:
        if reason.is_failure:
            self._answered = reason.value != _UNSUPPORTED_PROTOCOL
            self._log.error("the broker refused the connection: %s", reason)
            client.disconnect()
            return
        self._answered, self._away = True, False
        self._log.info("connected to %s:%d as %s", self._broker.host, self._broker.port, self._client_id)
        if self._heard:
            client.subscribe([(topic_filter, 1) for topic_filter in self._heard])
        self.opened()

    def _taken(self, _: mqtt.Client, __: object, number: int, reason: ReasonCode, ___: object) -> None:
        self.delivered(number, str(reason) if reason.is_failure else None)

    def _lost(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object) -> None:
        if not self._stopping.is_set():
            self._log.warning("connection lost: %s", reason)


def _calling(hear: Hear, log: logging.Logger) -> Callable[[mqtt.Client, object, mqtt.MQTTMessage], None]:
    def take(_: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        try:
            hear(message.topic, bytes(message.payload))
        except Exception:
            # An error here would end the line's thread, and with it all that is to be said.
            log.exception("cannot use a message of %s", message.topic)

    return take
