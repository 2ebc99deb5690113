"""Listens to a broker for a while and keeps what comes in a temporary stream file: survey reads it twice."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from collector.decode.sparkplug import NAMESPACE
from collector.decode.sparkplug.node import rebirth_request
from collector.message import Message
from collector.mqtt.record import record
from collector.mqtt.replay import Publisher
from collector.settings import Broker
from collector.stream import read_stream

ASK_AFTER = 0.1
"""Share of the time that is spent to hear which Sparkplug edge nodes there are, before they are asked for births."""


def listen(
    broker: Broker,
    filters: tuple[str, ...],
    folder: Path,
    *,
    seconds: float,
    ask_rebirth: bool = False,
    stopping: threading.Event,
    ready: Callable[[], None] = lambda: None,
    progress: Callable[[int], None] = lambda heard: None,
) -> list[Path]:
    """Record for so long, or until ``stopping``; give the files in order. Raises NoBroker as ``record`` does."""
    first, second = folder / "first.jsonl.zst", folder / "second.jsonl.zst"
    if not ask_rebirth:
        _for(seconds, broker, filters, first, stopping, ready, progress)
        return [first]
    _for(seconds * ASK_AFTER, broker, filters, first, stopping, ready, progress)
    edges = edges_in(read_stream(first))
    ask = threading.Thread(target=_ask, args=(broker, edges))
    _for(seconds * (1 - ASK_AFTER), broker, filters, second, stopping, ask.start, progress)
    ask.join()
    return [first, second]


def edges_in(messages: Iterable[Message]) -> list[tuple[str, str]]:
    """Group and name of every Sparkplug edge node that spoke."""
    levels = (message.topic.split("/") for message in messages)
    return sorted({(level[1], level[3]) for level in levels if level[0] == NAMESPACE and len(level) > 3})


def _for(
    seconds: float,
    broker: Broker,
    filters: tuple[str, ...],
    file: Path,
    stopping: threading.Event,
    ready: Callable[[], None],
    progress: Callable[[int], None],
) -> None:
    done = threading.Event()
    timer = threading.Timer(seconds, done.set)

    def begin() -> None:
        timer.start()
        ready()

    try:
        record(broker, filters, file, stopping=_Either(done, stopping), ready=begin, progress=progress)
    finally:
        timer.cancel()


class _Either(threading.Event):
    """Set when one of two events is."""

    def __init__(self, one: threading.Event, other: threading.Event) -> None:
        """Takes both."""
        super().__init__()
        self._both = (one, other)

    def is_set(self) -> bool:
        """Whether one of them is."""
        return any(event.is_set() for event in self._both)


def _ask(broker: Broker, edges: list[tuple[str, str]]) -> None:
    with Publisher(broker, name="survey") as publisher:
        for group, edge in edges:
            now_ms = time.time_ns() // 1_000_000
            request = rebirth_request(group, edge, now_ms)
            publisher.send(Message(received_ms=now_ms, topic=request.topic, payload=request.payload))
