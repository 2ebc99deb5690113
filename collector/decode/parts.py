"""Takes a message apart: one JSON object or a list of them, of which the good ones are used and the others rejected."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import msgspec

from collector.decode.unusable import Unusable, plain_words
from collector.message import Decoded, Message, Rejected

T = TypeVar("T")

Use = Callable[[T, Message, Decoded], None]
"""Adds a part of the message to the result, or raises ``Unusable``; what it has added before stays."""

MOST_REJECTED = 20
"""One message leaves at most so many rejected parts: a sender in disorder must not flood the store."""

NOT_DECODABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""Everything that msgspec raises for bytes that it cannot decode."""


@dataclass(frozen=True, slots=True)
class Shape(Generic[T]):
    """What the parts of a message look like.

    decoder
        Gives one part, or a list of parts, and raises where a single one does not fit.
    salvage
        Gets a part that does not fit as plain JSON values; gives what can be used of it, if anything, and the
        reason why the rest cannot.
    """

    decoder: msgspec.json.Decoder[Any]
    salvage: Callable[[Any], tuple[T | None, str]]


def convert_or_reason(kind: type[T], raw: Any) -> tuple[T | None, str]:
    """Plain JSON values as a value of a type, or the reason why they are none."""
    try:
        return msgspec.convert(raw, kind), ""
    except msgspec.ValidationError as error:
        return None, plain_words(str(error))


def decode_parts(message: Message, shape: Shape[T], use: Use[T]) -> Decoded:
    """Hands each good part of a message to ``use``, which adds it to the result or raises ``Unusable``."""
    decoded = Decoded()
    try:
        body = shape.decoder.decode(message.payload)
    except msgspec.ValidationError:
        return _salvaged(message, shape, use)
    except NOT_DECODABLE as error:
        return Decoded(rejected=[rejected(message, not_json(message.payload, error))])
    if type(body) is not list:
        _use(body, message, None, use, decoded)
        return decoded
    if not body:
        return Decoded(rejected=[rejected(message, "payload is an empty list")])
    for index, part in enumerate(body):
        _use(part, message, index, use, decoded)
    return _shortened(message, decoded)


def rejected(message: Message, reason: str, payload: bytes | None = None) -> Rejected:
    """A message, or with ``payload`` a part of it, put aside with its reason."""
    return Rejected(
        received_ms=message.received_ms,
        topic=message.topic,
        reason=reason,
        payload=message.payload if payload is None else payload,
    )


def not_json(payload: bytes, error: Exception) -> str:
    """Why bytes are not JSON, and what to send instead."""
    if not payload.strip():
        return "payload is empty"
    if isinstance(error, RecursionError):
        return "payload is nested too deeply"
    if isinstance(error, UnicodeDecodeError):
        return "payload is not UTF-8"
    if isinstance(error, msgspec.ValidationError):
        return "payload holds a number out of range"
    if b"NaN" in payload or b"Infinity" in payload:
        return "payload is not JSON: NaN and Infinity are none, send null for a bad value"
    return f"payload is not JSON ({str(error).removeprefix('JSON is malformed: ')})"


def _use(part: T, message: Message, index: int | None, use: Use[T], decoded: Decoded) -> None:
    try:
        use(part, message, decoded)
    except Unusable as error:
        decoded.rejected.append(_rejected_part(message, index, str(error), part))


def _salvaged(message: Message, shape: Shape[T], use: Use[T]) -> Decoded:
    """The slow way, for a message with a part of the wrong type: part by part."""
    decoded = Decoded()
    try:
        for index, raw in _numbered(msgspec.json.decode(message.payload)):
            part, reason = shape.salvage(raw)
            if reason:
                decoded.rejected.append(_rejected_part(message, index, reason, raw))
            if part is not None:
                _use(part, message, index, use, decoded)
    except NOT_DECODABLE as error:
        return Decoded(rejected=[rejected(message, not_json(message.payload, error))])
    return _shortened(message, decoded)


def _numbered(body: Any) -> Iterator[tuple[int | None, Any]]:
    if isinstance(body, list):
        yield from enumerate(body)
    else:
        yield None, body


def _rejected_part(message: Message, index: int | None, reason: str, part: object) -> Rejected:
    """With an index, from 0 as in JSON, the part stands for itself; without one the whole message is kept."""
    if index is None:
        return rejected(message, reason)
    return rejected(message, f"element {index}: {reason}", msgspec.json.encode(part))


def _shortened(message: Message, decoded: Decoded) -> Decoded:
    surplus = len(decoded.rejected) - MOST_REJECTED
    if surplus > 0:
        decoded.rejected[MOST_REJECTED:] = [rejected(message, f"{surplus} more elements like those before", b"")]
    return decoded
