"""Publishes recorded streams to a broker, at a chosen speed or as fast as it acknowledges."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.message import Message
from collector.mqtt import link
from collector.settings import Broker

IN_FLIGHT = 200
"""Messages published and not yet acknowledged by the broker, at most."""


class NoBroker(RuntimeError):
    """Nobody answers at the broker's address: start a broker, or correct [broker] in mill.toml."""


class Publisher:
    """A connection to publish by. Use it as a context manager; leaving it waits for the last acknowledgement."""

    def __init__(
        self,
        broker: Broker,
        *,
        name: str = "replay",
        will: tuple[str, bytes] | None = None,
        hear: tuple[str, Callable[[bytes], None]] | None = None,
    ) -> None:
        """Prepare a session of its own; nothing is connected before the ``with``.

        will
            Topic and payload that the broker publishes should the connection be lost.
        hear
            A topic to listen to, and what to do with its payloads, in the network thread.
        """
        self._broker = broker
        self._room = threading.Semaphore(IN_FLIGHT)
        self._accepted = threading.Event()
        self._gone = threading.Event()
        client_id = f"breakhorn-{name}-{time.time_ns():x}"
        self._client = link.build(broker, client_id=client_id, version=MQTTProtocolVersion.MQTTv5)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._refusal: str | None = None
        self._client.on_publish = lambda _, __, ___, reason, ____: self._taken(reason)
        self._client.on_connect = lambda _, __, ___, reason, ____: self._greeted(reason)
        self._client.on_disconnect = lambda *_: self._gone.set()
        self._hear = hear
        if will is not None:
            self._client.will_set(*will, qos=1, retain=False)

    def _taken(self, reason: ReasonCode) -> None:
        if reason.is_failure:
            self._refusal = f"the broker does not take what is published ({reason}): may this user write the topic?"
        self._room.release()

    def _greeted(self, reason: ReasonCode) -> None:
        if reason.is_failure:
            self._refusal = link.refusal(reason, self._broker)
        elif self._hear is not None:
            topic, use = self._hear
            self._client.on_message = lambda client, _, message: use(bytes(message.payload))
            self._client.subscribe(topic, qos=1)
        self._accepted.set()

    def __enter__(self) -> Publisher:
        """Connect. Raises NoBroker."""
        where = f"{self._broker.host}:{self._broker.port}"
        try:
            link.connect(self._client, self._broker)
        except OSError as error:
            raise NoBroker(f"{link.trouble(error, self._broker)}; start one or correct [broker]") from error
        self._client.loop_start()
        if not self._accepted.wait(10):
            self._client.loop_stop()
            raise NoBroker(f"the broker at {where} did not accept the connection within 10 s")
        if self._refusal is not None:
            self._client.loop_stop()
            raise NoBroker(self._refusal)
        return self

    def __exit__(self, kind: type[BaseException] | None, *__: object) -> None:
        """Wait until everything is acknowledged (not for ever), and leave. Raises NoBroker if not all was taken."""
        acknowledged = all(not self._gone.is_set() and self._room.acquire(timeout=30) for _ in range(IN_FLIGHT))
        self._client.disconnect()
        self._client.loop_stop()
        if kind is None and self._refusal is not None:
            raise NoBroker(self._refusal)
        if kind is None and not acknowledged:
            raise (
                self._lost()
                if self._gone.is_set()
                else NoBroker("the broker did not acknowledge everything that was published: publish it again")
            )

    def send(self, message: Message) -> None:
        """Publish with QoS 1; blocks while too much is unacknowledged. Raises NoBroker when the connection is gone.

        The recorded time of receipt goes along, for messages without a time of their own.
        """
        while not self._room.acquire(timeout=1):
            if self._gone.is_set():
                raise self._lost()
        if self._refusal is not None:
            raise NoBroker(self._refusal)
        info = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            properties=link.recorded(message.received_ms, retained=message.retained),
        )
        if info.rc == mqtt.MQTT_ERR_NO_CONN:
            raise self._lost()

    def _lost(self) -> NoBroker:
        """Why the connection is gone. Mosquitto 2.0.11 may hang up on a refusal before we have read it."""
        gone = "the broker closed the connection; what it acknowledged is safe; may this user write the topics?"
        return NoBroker(self._refusal or gone)


def replay(
    publisher: Publisher,
    messages: Iterable[Message],
    *,
    speed: float | None = None,
    hold: Callable[[int], None] = lambda sent: None,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], object] = time.sleep,
) -> int:
    """Publish all messages in order; give how many.

    speed
        1 for real time, 60 for a minute a second; None as fast as acknowledged.
    hold
        Called with the number sent so far before each message; it may block to hold the publisher back.
    """
    began_s, first_ms, sent = clock(), None, 0
    for message in messages:
        if speed is not None:
            first_ms = message.received_ms if first_ms is None else first_ms
            ahead_s = (message.received_ms - first_ms) / 1000 / speed - (clock() - began_s)
            if ahead_s > 0:
                sleep(ahead_s)
        hold(sent)
        publisher.send(message)
        sent += 1
    return sent
