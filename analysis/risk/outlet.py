"""Everything the analysis knows of paho: one retained topic, its newest message, and what is said when we are gone."""

from __future__ import annotations

import logging
import threading
from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from analysis.broker import Broker

log = logging.getLogger("breakhorn.risk")

KEEP_ALIVE_S = 20
"""The broker takes us for gone after one and a half times this without a word, and says our last will. [s]"""
EXPIRES_S = 300
"""A broker that speaks MQTT 5 forgets a message of ours after this, should we live on and be stuck. [s]"""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 30.0
_UNSUPPORTED_PROTOCOL = 132


class Outlet:
    """Publishes to one topic, retained and with QoS 1; connects again whenever the connection is lost.

    Only the newest message counts: what could not be sent while the broker was away is never sent late.
    """

    def __init__(self, broker: Broker, *, client_id: str, topic: str, will: bytes) -> None:
        """Prepare; nothing is connected before the block is entered.

        client_id
            Nobody else's: a broker throws out the older of two clients of one name.
        will
            What the broker says for us, retained, once we are gone without a word.
        """
        self.topic = topic
        self._broker, self._client_id, self._will = broker, client_id, will
        self._version = MQTTProtocolVersion.MQTTv5
        self._client: mqtt.Client | None = None
        self._newest: bytes | None = None
        self._answered = False
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._stay_connected, name=f"outlet {topic}", daemon=True)

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

    def say(self, payload: bytes) -> None:
        """Publish now, or as soon as there is a connection if nothing newer has come by then."""
        with self._lock:
            self._newest = payload
            self._send()

    def farewell(self, payload: bytes) -> None:
        """Publish, and wait a little until the broker has it."""
        with self._lock:
            self._newest = payload
            sent = self._send()
        if sent is not None:
            try:
                sent.wait_for_publish(timeout=3)
            except (RuntimeError, ValueError) as error:
                log.warning("%s: the last message was not sent (%s)", self.topic, error)

    def _send(self) -> mqtt.MQTTMessageInfo | None:
        client = self._client
        if client is None or not client.is_connected() or self._newest is None:
            return None
        properties = None
        if self._version is MQTTProtocolVersion.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
            properties.MessageExpiryInterval = EXPIRES_S
        return client.publish(self.topic, self._newest, qos=1, retain=True, properties=properties)

    def _stay_connected(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            self._answered = False
            self._connect_once()
            wait_s = _FIRST_WAIT_S if self._answered else min(2 * wait_s, _LONGEST_WAIT_S)
            self._stopping.wait(wait_s)

    def _connect_once(self) -> None:
        """One connection, from its first packet to its loss."""
        broker = self._broker
        client = self._built()
        try:
            client.connect(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
        except OSError as error:
            log.warning("no broker at %s:%d (%s); trying again", broker.host, broker.port, error)
            return
        self._client = client
        client.loop_forever()
        self._client = None
        if not self._answered and self._version is MQTTProtocolVersion.MQTTv5 and not self._stopping.is_set():
            log.warning("the broker does not answer in MQTT 5; falling back to 3.1.1")
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
        client.will_set(self.topic, self._will, qos=1, retain=True)
        client.on_connect, client.on_disconnect = self._accepted, self._lost
        return client

    def _accepted(self, client: mqtt.Client, _: object, __: mqtt.ConnectFlags, reason: ReasonCode, ___: object) -> None:
        if reason.is_failure:
            self._answered = reason.value != _UNSUPPORTED_PROTOCOL
            log.error("the broker refused the connection: %s", reason)
            client.disconnect()
            return
        self._answered = True
        log.info("connected to %s:%d, publishing on %s", self._broker.host, self._broker.port, self.topic)
        with self._lock:
            self._send()

    def _lost(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object) -> None:
        if not self._stopping.is_set():
            log.warning("connection lost: %s", reason)
