"""Listens to the broker in a thread of its own, and connects again whenever the connection is lost."""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from analysis.broker import Broker

log = logging.getLogger("breakhorn.page")

KEEP_ALIVE_S = 10
"""A connection that died without a word is noticed within one and a half times this. [s]"""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 10.0
_UNSUPPORTED_PROTOCOL = 132


class Ear:
    """Hears some topics. It publishes nothing and leaves no session behind."""

    def __init__(
        self,
        broker: Broker,
        topics: tuple[str, ...],
        *,
        heard: Callable[[str, bytes], None],
        turned: Callable[[], None],
    ) -> None:
        """Prepare; nothing is connected before ``start``.

        heard
            Is given topic and payload of each message, in this thread: retained ones first after each connection.
        turned
            Is told, in this thread, when the connection was made or lost.
        """
        self._broker, self._topics, self._heard, self._turned = broker, topics, heard, turned
        self._client_id = f"breakhorn-page-{secrets.token_hex(6)}"
        self._version = MQTTProtocolVersion.MQTTv5
        self._client: mqtt.Client | None = None
        self._answered = self._said_once = False
        self.connected = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._stay_connected, name="ear of the page", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Leave the broker. Returns once the thread has ended, or after 3 s."""
        self._stopping.set()
        client = self._client
        if client is not None:
            client.disconnect()
        self._thread.join(timeout=3)

    def _stay_connected(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            self._answered = False
            self._connect_once()
            self._set_connected(False)
            wait_s = _FIRST_WAIT_S if self._answered else min(2 * wait_s, _LONGEST_WAIT_S)
            self._stopping.wait(wait_s)

    def _connect_once(self) -> None:
        """One connection, from its first packet to its loss."""
        broker, client = self._broker, self._built()
        try:
            client.connect(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
        except OSError as error:
            if not self._said_once:
                log.warning("no broker at %s:%d (%s); trying again", broker.host, broker.port, error)
            self._said_once = True
            return
        self._client = client
        if self._stopping.is_set():
            client.disconnect()
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
        client.on_connect, client.on_message = self._accepted, self._take
        client.on_disconnect = self._lost
        return client

    def _accepted(self, client: mqtt.Client, _: object, __: mqtt.ConnectFlags, reason: ReasonCode, ___: object) -> None:
        if reason.is_failure:
            self._answered = reason.value != _UNSUPPORTED_PROTOCOL
            log.error("the broker refused the connection: %s", reason)
            client.disconnect()
            return
        self._answered, self._said_once = True, False
        client.subscribe([(topic, 1) for topic in self._topics])
        log.info("connected to %s:%d", self._broker.host, self._broker.port)
        self._set_connected(True)

    def _take(self, _: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        self._heard(message.topic, bytes(message.payload))

    def _lost(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object) -> None:
        self._set_connected(False)
        if not self._stopping.is_set():
            log.warning("connection to the broker lost: %s", reason)

    def _set_connected(self, connected: bool) -> None:
        if connected is not self.connected:
            self.connected = connected
            self._turned()
