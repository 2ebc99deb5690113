"""The way into decoding: which decoder reads a topic. Never raises for a message, and remembers what it has found."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial

from collector.decode.context import context_decoder
from collector.decode.fields import fields_decoder
from collector.decode.parts import rejected
from collector.decode.place import Place, TagNames, misname, unknown_machine
from collector.decode.scan import scan_decoder
from collector.decode.sparkplug import NAMESPACE, EdgeNode
from collector.decode.value import value_decoder
from collector.message import Decoded, Message
from collector.settings import FieldsSource, Mill, ScanSource, SparkplugSource, ValueSource
from collector.topic import CONTEXT_WORDS, context_filters, filter_of, matches, outgoing_filters

_MOST_TOPICS_KNOWN = 100_000

_LONGEST_TOPIC_KNOWN = 400
"""A topic may have 65,535 bytes: longer ones than any mill's are looked at anew each time. [characters]"""

Route = Callable[[Message], Decoded]
TopicSource = ScanSource | ValueSource | FieldsSource


class Decoder:
    """Turns messages into scans, context and what had to be rejected, as a mill's ``[[source]]`` tables say."""

    def __init__(self, mill: Mill, states: Mapping[str, bytes] | None = None) -> None:
        """Knows the mill's sources, machines and causes.

        states
            What ``states`` gave for the store before a restart.
        """
        self._sources = [
            (index, source) for index, source in enumerate(mill.sources) if not isinstance(source, SparkplugSource)
        ]
        self._root = mill.topic_root
        self._ahead_ms = {machine.id: round(machine.max_ahead_s * 1000) for machine in mill.machines}
        self._payload_at_most = mill.broker.payload_at_most_kb * 1024
        self._causes = frozenset(cause.code for cause in mill.causes)
        self._sections = {
            machine.id: tuple(dict.fromkeys(detector.section for detector in machine.sheet_detectors))
            for machine in mill.machines
        }
        self._tags = TagNames()
        self._routes: dict[str, Route] = {}
        self._edges = {(node.group, node.edge): node for node in self._edge_nodes(mill)}
        for node in self._edges.values():
            node.restore(states or {})

    def _edge_nodes(self, mill: Mill) -> Iterator[EdgeNode]:
        for index, source in enumerate(mill.sources):
            if isinstance(source, SparkplugSource):
                places = {machine: self._place(machine, index) for machine in self._ahead_ms}
                own = None if source.machine is None else places[source.machine]
                for edge in source.edges:
                    yield EdgeNode(source.group, edge, places=places, own=own)

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """The MQTT filters of all topics that may hold something for this mill."""
        return (
            *(filter_of(source.topic) for _, source in self._sources),
            *(f"{NAMESPACE}/{group}/+/{edge}/#" for group, edge in self._edges),
            *context_filters(self._root),
        )

    def states(self) -> dict[str, bytes]:
        """What has changed of what must be kept over a restart, under names that no machine can have."""
        return {name: state for node in self._edges.values() for name, state in node.states().items()}

    def decode(self, message: Message) -> Decoded:
        """All that a message holds. What cannot be used is in ``rejected``, with the reason; nothing is raised."""
        route = self._routes.get(message.topic)
        if route is None:
            route = self._find(message.topic)
            self._remember(message.topic, route)
        size = message.cut_from or len(message.payload)
        if size > self._payload_at_most and route is not _nothing:
            return Decoded(rejected=[rejected(message, self._too_large(size))])
        return route(message)

    def _remember(self, topic: str, route: Route) -> None:
        if len(topic) > _LONGEST_TOPIC_KNOWN:
            return
        if len(self._routes) >= _MOST_TOPICS_KNOWN:
            self._routes.clear()
        self._routes[topic] = route

    def _too_large(self, size: int) -> str:
        return (
            f"payload has {size:,} bytes, {self._payload_at_most:,} are the most there may be: send less at once, "
            "or set payload_at_most_kb ([broker])"
        )

    def _find(self, topic: str) -> Route:
        if any(matches(own, topic) for own in outgoing_filters(self._root)):
            return _nothing
        for word, topic_filter in zip(CONTEXT_WORDS, context_filters(self._root), strict=True):
            if matches(topic_filter, topic):
                return self._context(word, topic.split("/")[-2])
        for index, source in self._sources:
            if matches(filter_of(source.topic), topic):
                return self._values(index, source, topic)
        return self._sparkplug(topic.split("/"))

    def _sparkplug(self, levels: list[str]) -> Route:
        match levels:
            case [namespace, group, kind, edge, *device] if namespace == NAMESPACE and (group, edge) in self._edges:
                if len(device) > 1:
                    return _rejecting(f"topic has {len(levels)} levels: 5 at most, the last one the device")
                route = self._edges[group, edge].route(kind, device[0] if device else None)
                return _rejecting(route) if isinstance(route, str) else route
        return _rejecting("topic matches no [[source]]")

    def _context(self, word: str, machine: str) -> Route:
        if machine not in self._ahead_ms:
            return _rejecting(unknown_machine(machine, self._ahead_ms))
        return context_decoder(word, self._place(machine, source=0), self._causes, self._sections[machine])

    def _values(self, index: int, source: TopicSource, topic: str) -> Route:
        named = dict(zip(source.topic.split("/"), topic.split("/"), strict=True))
        if isinstance(source, FieldsSource):
            return fields_decoder(source, named, {machine: self._place(machine, index) for machine in self._ahead_ms})
        machine = source.machine or named["{machine}"]
        if machine not in self._ahead_ms:
            return _rejecting(unknown_machine(machine, self._ahead_ms))
        place = self._place(machine, index)
        if isinstance(source, ScanSource):
            return scan_decoder(place)
        tag = source.tag or named["{tag}"]
        return value_decoder(place, tag) if self._tags.is_good(tag) else _rejecting(misname(tag))

    def _place(self, machine: str, source: int) -> Place:
        return Place(machine=machine, source=source, max_ahead_ms=self._ahead_ms[machine], tags=self._tags)


def _nothing(message: Message) -> Decoded:
    """The collector's own messages coming back."""
    return Decoded(ours=True)


def _rejecting(reason: str) -> Route:
    return partial(_reject, reason)


def _reject(reason: str, message: Message) -> Decoded:
    return Decoded(rejected=[rejected(message, reason)])
