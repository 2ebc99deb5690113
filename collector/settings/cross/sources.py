"""Sources that name what they bring twice or not at all, and topics that two of them take in."""

from __future__ import annotations

import re
from collections.abc import Iterator

from collector.settings.cross.plain import Finding, Table, tables_of, text_of, texts_of, topic_root_of
from collector.settings.faults import did_you_mean
from collector.settings.locate import KeyPath
from collector.topic import context_filters, filter_of, outgoing_filters, overlap, template_fault

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")


def source_faults(raw: Table) -> Iterator[Finding]:
    """What each source says of itself and of the machines."""
    machines = [name for _, machine in tables_of(raw, "machine") if (name := text_of(machine, "id"))]
    for index, source in tables_of(raw, "source"):
        path: KeyPath = ("source", index)
        topic = text_of(source, "topic")
        if topic and (fault := template_fault(topic)):
            yield (*path, "topic"), fault
        elif topic:
            yield from _places(path, source, topic)
        yield from _pointers(path, source)
        edges = list(texts_of(source, "edges"))
        for number, edge in edges:
            if edge in [earlier for other, earlier in edges if other < number]:
                yield (*path, "edges", number), f'"{edge}" is there twice'
        machine = text_of(source, "machine")
        if machine and not machine.startswith("/") and machine not in machines:
            yield (*path, "machine"), f'no machine has the id "{machine}"{did_you_mean(machine, machines)}'


def _places(path: KeyPath, source: Table, topic: str) -> Iterator[Finding]:
    """Machine and tag must each be named in one place: by the topic, or by a key, or in the message itself."""
    kind = source.get("format")
    if kind not in ("scan", "value", "fields"):
        return
    for key in ("machine", "tag"):
        in_topic = f"{{{key}}}" in topic.split("/")
        if kind == "scan" and key == "tag":
            if in_topic:
                yield (*path, "topic"), "must not hold {tag}: a scan names its tags itself"
        elif in_topic and key in source:
            yield (*path, key), f"the topic holds {{{key}}} already: choose one"
        elif not in_topic and key not in source:
            pointer = f", or a JSON Pointer to it as {key}" if kind == "fields" else ""
            yield (*path, "topic"), f'needs {{{key}}}, or {key} = "…" beside it{pointer}'


def _pointers(path: KeyPath, source: Table) -> Iterator[Finding]:
    if source.get("format") != "fields":
        return
    for key in ("time", "value", "quality", "machine", "tag"):
        text = source.get(key)
        if not isinstance(text, str):
            continue
        if key in ("machine", "tag") and not text.startswith("/"):
            if not text:
                yield (*path, key), "must not be empty"
        elif not _POINTER.fullmatch(text):
            yield (*path, key), 'is not a JSON Pointer (RFC 6901): write "/name", or "/a/0/b" for what lies deeper'


def overlap_faults(raw: Table) -> Iterator[Finding]:
    """Topics that two sources take in, or that are the collector's own."""
    root = topic_root_of(raw)
    own = [*context_filters(root), *outgoing_filters(root)] if root else []
    seen: list[tuple[int, str]] = []
    for index, source in tables_of(raw, "source"):
        for key, topic_filter in _filters(source):
            path: KeyPath = ("source", index, key)
            if any(overlap(_of_a_machine(source, topic_filter), taken) for taken in own):
                yield path, f'takes in the collector\'s own topics below "{root}": add a level, or set topic_root'
            for other, taken in seen:
                if overlap(topic_filter, taken):
                    yield path, f"takes in topics of source {other + 1} too: a message must belong to one source"
        seen += [(index, topic_filter) for _, topic_filter in _filters(source)]


def _of_a_machine(source: Table, topic_filter: str) -> str:
    """The filter with some machine's id for {machine}: no machine may be called "collector"."""
    topic = text_of(source, "topic")
    return filter_of(topic.replace("{machine}", "<machine>")) if topic else topic_filter


def _filters(source: Table) -> list[tuple[str, str]]:
    """The MQTT filters of a source, each with the key that gives it."""
    topic, group = text_of(source, "topic"), text_of(source, "group")
    if topic and not template_fault(topic):
        return [("topic", filter_of(topic))]
    if group and source.get("format") == "sparkplug":
        return [("edges", f"spBv1.0/{group}/+/{edge}/#") for _, edge in texts_of(source, "edges")]
    return []
