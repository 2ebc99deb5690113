"""What kind of message a payload is, told from nothing but its bytes and its topic. Pure; never raises."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import msgspec

from collector.decode.instant import EARLIEST_MS, instant_ms
from collector.decode.parts import NOT_DECODABLE, not_json
from collector.decode.sparkplug import NAMESPACE
from collector.decode.unusable import Unusable
from collector.topic import CONTEXT_WORDS

MOST_LEAVES = 200
_YEAR_MS = 400 * 86_400_000
_OWN_KEYS = {"value", "ts", "quality"}
_TIME_NAME = re.compile(r"(?i)(^|[_/ ])(t|ts|time|date|timestamp|sourcetime\w*|zeit\w*|aika\w*)$")


class Kind(StrEnum):
    """The formats of mill.toml, and what is none of them."""

    SCAN = "scan"
    VALUE = "value"
    FIELDS = "fields"
    SPARKPLUG = "sparkplug"
    CONTEXT = "context"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one payload looks like.

    why
        For an unreadable one, the reason.
    leaves
        For ``fields``: what stands at each JSON Pointer.
    """

    kind: Kind
    why: str = ""
    leaves: dict[str, Any] = field(default_factory=dict)


def look(topic: str, payload: bytes) -> Look:
    """What kind of message this is."""
    levels = topic.split("/")
    if levels[0] == NAMESPACE:
        if 4 <= len(levels) <= 5 and all(levels):
            return Look(kind=Kind.SPARKPLUG)
        return Look(
            kind=Kind.UNREADABLE, why="a Sparkplug topic names group, message and edge node, and at most a device"
        )
    try:
        document = msgspec.json.decode(payload)
    except NOT_DECODABLE as error:
        return Look(kind=Kind.UNREADABLE, why=not_json(payload, error))
    if levels[-1] in CONTEXT_WORDS and isinstance(document, dict) and "values" not in document:
        return Look(kind=Kind.CONTEXT)
    kinds = {_kind(part) for part in (document if isinstance(document, list) and document else [document])}
    if len(kinds) > 1:
        return Look(kind=Kind.UNREADABLE, why="an array of different things")
    (kind,) = kinds
    if kind is not Kind.FIELDS:
        return Look(kind=kind, why="an empty array or a nested one" if kind is Kind.UNREADABLE else "")
    if isinstance(document, list):
        return Look(kind=Kind.UNREADABLE, why="an array of objects: one value a message can be read by pointers")
    return Look(kind=kind, leaves=dict(_leaves(document, "")))


def _kind(part: Any) -> Kind:
    match part:
        case list():
            return Kind.UNREADABLE
        case {"values": dict()}:
            return Kind.SCAN
        case {"value": value} if part.keys() <= _OWN_KEYS and not isinstance(value, dict | list):
            return Kind.VALUE
        case dict():
            return Kind.FIELDS
    return Kind.VALUE


def _leaves(document: Any, pointer: str) -> Iterator[tuple[str, Any]]:
    """Everything that is no object or array, with its JSON Pointer; the first so many."""
    pairs = document.items() if isinstance(document, dict) else enumerate(document)
    for number, (key, value) in enumerate(pairs):
        if number >= MOST_LEAVES:
            return
        deeper = f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}"
        if isinstance(value, dict | list):
            if deeper.count("/") < 8:
                yield from _leaves(value, deeper)
        else:
            yield deeper, value


def time_of(value: Any, received_ms: int) -> int | None:
    """The moment that a value means if it is a source time near its receipt, as the formats take one. [ms]"""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        at_ms = instant_ms(value)
    except (Unusable, ValueError, OverflowError):
        return None
    return at_ms if at_ms >= EARLIEST_MS and abs(at_ms - received_ms) < _YEAR_MS else None


def looks_like_time(pointer: str) -> bool:
    """Whether a pointer's last word is one that times go by."""
    return _TIME_NAME.search(pointer.rsplit("/", 1)[-1]) is not None
