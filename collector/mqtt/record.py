"""Writes what a broker sends to a stream file that ``replay`` and ``load`` read."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.message import Message
from collector.mqtt import link
from collector.mqtt.replay import NoBroker
from collector.settings import Broker
from collector.stream import StreamWriter


def record(
    broker: Broker,
    filters: tuple[str, ...],
    path: Path,
    *,
    stopping: threading.Event,
    ready: Callable[[], None] = lambda: None,
    progress: Callable[[int], None] = lambda written: None,
) -> int:
    """Write messages to ``path`` until ``stopping`` is set; give how many. The file appears whole, at the end.

    ready
        Called when the broker has taken the subscriptions: from here on nothing is missed.

    Raises
    ------
    NoBroker
        If nobody answers, or the connection is lost: what came until then is in the file.
    """
    inbox: queue.Queue[Message] = queue.Queue(maxsize=10_000)
    gone, refusals = threading.Event(), list[str]()
    client = _subscribe(broker, filters, inbox, stopping, gone, refusals, ready)
    written = 0
    try:
        with StreamWriter(path) as stream:
            while not (stopping.is_set() or gone.is_set()) or not inbox.empty():
                try:
                    stream.write(inbox.get(timeout=0.2))
                except queue.Empty:
                    continue
                written += 1
                progress(written)
    finally:
        client.disconnect()
        client.loop_stop()
    if refusals:
        raise NoBroker(refusals[0])
    if gone.is_set() and not stopping.is_set():
        raise NoBroker(f"connection lost after {written} messages; they are in {path}")
    return written


def _subscribe(
    broker: Broker,
    filters: tuple[str, ...],
    inbox: queue.Queue[Message],
    stopping: threading.Event,
    gone: threading.Event,
    refusals: list[str],
    ready: Callable[[], None],
) -> mqtt.Client:
    client_id = f"breakhorn-record-{time.time_ns():x}"
    client = link.build(broker, client_id=client_id, version=MQTTProtocolVersion.MQTTv5)

    def receive(_: mqtt.Client, __: object, received: mqtt.MQTTMessage) -> None:
        message = Message(
            received_ms=link.recorded_ms(received) or time.time_ns() // 1_000_000,
            topic=link.topic_of(received),
            payload=bytes(received.payload),
            retained=link.was_retained(received),
        )
        while not stopping.is_set():
            try:
                inbox.put(message, timeout=0.5)
            except queue.Full:
                continue
            return

    def greeted(_: mqtt.Client, __: object, ___: mqtt.ConnectFlags, reason: ReasonCode, ____: object) -> None:
        if reason.is_failure:
            refusals.append(link.refusal(reason, broker))
            gone.set()
        else:
            client.subscribe([(topic_filter, 1) for topic_filter in filters])

    client.on_message, client.on_connect = receive, greeted
    client.on_subscribe = lambda *_: ready()
    client.on_disconnect = lambda *_: gone.set()
    try:
        link.connect(client, broker)
    except OSError as error:
        raise NoBroker(link.trouble(error, broker)) from error
    client.loop_start()
    return client
