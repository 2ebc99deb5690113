"""The format ``fields``: any JSON, with JSON Pointers (RFC 6901) that say where machine, tag, time and value are."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from collector.decode.parts import NOT_DECODABLE, not_json, rejected
from collector.decode.place import Place, Time, misname, unknown_machine
from collector.decode.unusable import Unusable, kind_of, shown
from collector.decode.value import value_fault
from collector.message import Decoded, Flag, Message, Scan, Value
from collector.settings import FieldsSource

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}", re.ASCII)


class Absent(LookupError):
    """There is nothing in the document where the pointer leads to."""


def find(document: Any, pointer: str) -> Any:
    """What a JSON Pointer leads to; "" is the whole document (RFC 6901, section 4). Raises ``Absent``."""
    found = document
    for token in pointer.split("/")[1:]:
        key = token.replace("~1", "/").replace("~0", "~")
        if isinstance(found, dict) and key in found:
            found = found[key]
        elif isinstance(found, list) and _INDEX.fullmatch(key) and int(key) < len(found):
            found = found[int(key)]
        else:
            raise Absent(pointer)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldsReader:
    """Decodes the messages of one topic.

    machine, tag
        As the topic or mill.toml names them; None where the message does.
    places
        One for each machine.
    """

    source: FieldsSource
    machine: str | None
    tag: str | None
    places: Mapping[str, Place]

    def __call__(self, message: Message) -> Decoded:
        """The one value in a message, or the reason why there is none."""
        try:
            document = msgspec.json.decode(message.payload)
            return Decoded(scans=[self._scan(document, message)])
        except Unusable as error:
            return Decoded(rejected=[rejected(message, str(error))])
        except NOT_DECODABLE as error:
            return Decoded(rejected=[rejected(message, not_json(message.payload, error))])

    def _scan(self, document: Any, message: Message) -> Scan:
        machine = self.machine or _word(document, "machine", self.source.machine)
        place = self.places.get(machine)
        if place is None:
            raise Unusable(unknown_machine(machine, self.places))
        tag = self.tag or _word(document, "tag", self.source.tag)
        if not place.tags.is_good(tag):
            raise Unusable(misname(tag))
        value = _value(document, self.source.value)
        at_ms, flags, initial = place.moment(_time(document, self.source.time), message)
        if not _is_good(document, self.source):
            value, flags = None, int(flags | Flag.BAD_QUALITY)
        return Scan(machine, at_ms, {tag: value}, place.source, message.received_ms, flags, initial)


def _word(document: Any, name: str, pointer: str | None) -> str:
    assert pointer is not None, f"settings let a source through that does not name its {name}"
    try:
        word = find(document, pointer)
    except Absent:
        raise Unusable(f"has no {name} at {pointer}") from None
    if isinstance(word, bool) or not isinstance(word, str | int):
        raise Unusable(f"{name} at {pointer} must be a text, not {kind_of(word)}")
    return str(word)


def _value(document: Any, pointer: str) -> Value:
    try:
        value = find(document, pointer)
    except Absent:
        raise Unusable(f"has no value at {shown(pointer)}") from None
    if fault := value_fault(value):
        raise Unusable(f"value at {shown(pointer)} {fault}")
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    number_or_other: Value = float(value) if is_whole else value
    return number_or_other


def _time(document: Any, pointer: str | None) -> Time:
    """None where the mill gives no pointer, and in messages that leave the time out."""
    try:
        time = None if pointer is None else find(document, pointer)
    except Absent:
        return None
    if isinstance(time, bool | list | dict):
        raise Unusable(f"time at {pointer} must be a number or a text, not {kind_of(time)}")
    known: Time = time
    return known


def _is_good(document: Any, source: FieldsSource) -> bool:
    """A quality is good if it is absent, null, or one of those that mill.toml lists; texts in any case."""
    try:
        quality = None if source.quality is None else find(document, source.quality)
    except Absent:
        return True
    return quality is None or any(_same(quality, good) for good in source.good_qualities)


def _same(quality: object, good: str | int | bool) -> bool:
    """JSON's true is not 1, although Python's is."""
    if isinstance(quality, str) and isinstance(good, str):
        return quality.casefold() == good.casefold()
    return isinstance(quality, bool) == isinstance(good, bool) and quality == good


def fields_decoder(
    source: FieldsSource, named: Mapping[str, str], places: Mapping[str, Place]
) -> Callable[[Message], Decoded]:
    """A function that decodes the messages of one topic; ``named`` is what the topic's levels say."""

    def fixed(placeholder: str, key: str | None) -> str | None:
        return named.get(placeholder) or (key if key is not None and not key.startswith("/") else None)

    return FieldsReader(
        source=source,
        machine=fixed("{machine}", source.machine),
        tag=fixed("{tag}", source.tag),
        places=places,
    )
