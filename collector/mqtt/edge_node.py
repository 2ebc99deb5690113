"""Says recorded messages as a Sparkplug B edge node would have: births, aliases, sequence numbers, data and death."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from collector.decode.sparkplug import NAMESPACE
from collector.decode.sparkplug.node import BD_SEQ, REBIRTH, asks_for_rebirth
from collector.decode.sparkplug.sequence import after
from collector.decode.sparkplug.values import DataType, kind_for, put
from collector.decode.sparkplug.wire import Payload
from collector.message import Decoded, Flag, Message, Scan, Value
from collector.settings import Mill, SparkplugSource


def names_in(mill: Mill) -> tuple[str, str]:
    """Group and edge node by which mill.toml expects Sparkplug; where it expects none, its topic root and "replay"."""
    for source in mill.sources:
        if isinstance(source, SparkplugSource):
            return source.group, source.edges[0]
    return mill.topic_root, "replay"


def as_sparkplug(
    messages: Iterable[Message],
    group: str,
    edge: str,
    *,
    decode: Callable[[Message], Decoded],
    rebirth: Callable[[], bool] = lambda: False,
) -> Iterator[Message]:
    """The values of messages as one edge node's, a device for each machine; other messages as they are.

    Notes and the like have no form in Sparkplug, and what cannot be decoded has no values: both pass unchanged, and so
    do retained messages without a time of their own. Values that are rejected beside good ones are left out.

    decode
        What the messages hold: ``Decoder(mill).decode``.
    rebirth
        Whether somebody has asked for the births again since it was last called.
    """
    node, received_ms = EdgeNodeVoice(group, edge), None
    for message in messages:
        if received_ms is None or rebirth():
            yield from node.births(message.received_ms)
        received_ms = message.received_ms
        scans = decode(message).scans
        if not scans or any(scan.initial for scan in scans):
            yield message
        else:
            yield from node.data(scans, received_ms)
    if received_ms is not None:
        yield node.death(received_ms)


class Asked:
    """Hears commands in one thread; tells in another whether they asked for the births again."""

    def __init__(self) -> None:
        """Nobody has asked yet."""
        self._asked = threading.Event()

    def hear(self, command: bytes) -> None:
        """Take in the payload of a command."""
        if asks_for_rebirth(command):
            self._asked.set()

    def again(self) -> bool:
        """Whether somebody has asked since this was last called."""
        asked = self._asked.is_set()
        self._asked.clear()
        return asked


@dataclass(slots=True)
class _Tag:
    alias: int
    kind: DataType
    value: Value
    at_ms: int


@dataclass(slots=True)
class _Device:
    tags: dict[str, _Tag] = field(default_factory=dict)


class EdgeNodeVoice:
    """One connection of an edge node, from its birth to its death."""

    def __init__(self, group: str, edge: str, *, bd_seq: int = 0) -> None:
        """Has no devices yet. ``bd_seq``: number of the connection, 0 to 255."""
        self._group, self._edge, self._bd_seq = group, edge, bd_seq
        self._devices: dict[str, _Device] = {}
        self._seq = 0
        self._aliases = 0

    def births(self, at_ms: int) -> Iterator[Message]:
        """Births of the edge node and of all its devices with their current values: at first, and when asked for."""
        payload = Payload(timestamp=at_ms)
        self._add_bd_seq(payload, at_ms)
        payload.metrics.add(name=REBIRTH, timestamp=at_ms, datatype=DataType.BOOLEAN, boolean_value=False)
        self._seq = 255
        yield self._message("NBIRTH", "", payload, at_ms)
        for device in self._devices:
            yield self._device_birth(device, at_ms)

    def death(self, at_ms: int) -> Message:
        """The death that ends the connection; it has no sequence number. The same serves as the connection's will."""
        payload = Payload(timestamp=at_ms)
        self._add_bd_seq(payload, at_ms)
        return Message(received_ms=at_ms, topic=self._topic("NDEATH", ""), payload=payload.SerializeToString())

    def data(self, scans: Iterable[Scan], at_ms: int) -> Iterator[Message]:
        """The scans as data of their devices; before a tag's first value, and when its type changes, a birth."""
        payloads: dict[str, Any] = {}
        for scan in scans:
            is_new = scan.machine not in self._devices
            device = self._devices.setdefault(scan.machine, _Device())
            if self._take(device, scan) or is_new:
                if scan.machine in payloads:
                    yield self._message("DDATA", scan.machine, payloads.pop(scan.machine), at_ms)
                yield self._device_birth(scan.machine, at_ms)
            payload = payloads.setdefault(scan.machine, Payload(timestamp=at_ms))
            for name, value in scan.values.items():
                tag = device.tags[name]
                metric = payload.metrics.add(alias=tag.alias, timestamp=scan.at_ms)
                if scan.flags & Flag.HISTORICAL:
                    metric.is_historical = True
                put(metric, tag.kind, value)
        for machine, payload in payloads.items():
            yield self._message("DDATA", machine, payload, at_ms)

    def _take(self, device: _Device, scan: Scan) -> bool:
        """Remember the newest values; whether a birth must tell of them first."""
        is_news = False
        for name, value in scan.values.items():
            kind = None if value is None else kind_for(value)
            tag = device.tags.get(name)
            if tag is None:
                self._aliases += 1
                device.tags[name] = _Tag(self._aliases, kind or DataType.DOUBLE, value, scan.at_ms)
                is_news = True
                continue
            if kind is not None and kind != tag.kind:
                tag.kind, tag.value, tag.at_ms = kind, value, scan.at_ms
                is_news = True
            elif scan.at_ms >= tag.at_ms:
                tag.value, tag.at_ms = value, scan.at_ms
        return is_news

    def _device_birth(self, name: str, at_ms: int) -> Message:
        """A birth is as of its newest value: what a recording brings later was not known then."""
        tags = self._devices[name].tags
        payload = Payload(timestamp=max((tag.at_ms for tag in tags.values()), default=at_ms))
        for tag_name, tag in tags.items():
            metric = payload.metrics.add(name=tag_name, alias=tag.alias, timestamp=tag.at_ms, datatype=tag.kind)
            put(metric, tag.kind, tag.value)
        return self._message("DBIRTH", name, payload, at_ms)

    def _add_bd_seq(self, payload: Any, at_ms: int) -> None:
        metric = payload.metrics.add(name=BD_SEQ, timestamp=at_ms, datatype=DataType.UINT64)
        put(metric, DataType.UINT64, self._bd_seq)

    def _message(self, kind: str, device: str, payload: Any, at_ms: int) -> Message:
        self._seq = payload.seq = after(self._seq)
        return Message(received_ms=at_ms, topic=self._topic(kind, device), payload=payload.SerializeToString())

    @property
    def commands(self) -> str:
        """The topic of the commands to this edge node."""
        return self._topic("NCMD", "")

    def _topic(self, kind: str, device: str) -> str:
        return "/".join([NAMESPACE, self._group, kind, self._edge, *([device] if device else [])])
