"""The format ``value``: one tag's value, ``{"ts": …, "value": …, "quality": …}``, a list of such, or a bare scalar."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, UnsetType

from collector.decode.parts import Shape, convert_or_reason, decode_parts
from collector.decode.place import Place, Time
from collector.decode.unusable import Unusable, kind_of
from collector.message import Decoded, Flag, Message, Scan, Value

LONGEST_TEXT = 1000
"""Texts are grades, shades, reel numbers, remarks. Anything longer is some other message gone astray."""

GOOD_OPC_QUALITY = 192
"""The number that OPC servers give a good value."""

JsonValue = float | bool | Annotated[str, Meta(max_length=LONGEST_TEXT)] | None


class ValuePart(msgspec.Struct, gc=False):
    """The value of the tag that the topic names. A bare number, truth or text is one without a time of its own."""

    value: Annotated[JsonValue | UnsetType, Meta(description="Number, true or false, text, or null for bad.")] = UNSET
    ts: Annotated[Time, Meta(description="Source time; without one it is timed on arrival and flagged.")] = None
    quality: Annotated[Any, Meta(description='Good if missing, null, "good" or 192; all else is kept as bad.')] = None


def value_decoder(place: Place, tag: str) -> Callable[[Message], Decoded]:
    """A function that decodes the messages of one topic."""
    return partial(decode_parts, shape=_SHAPE, use=partial(_use, place, tag))


def is_good(quality: object) -> bool:
    """Whether a quality says that the value may be used: missing, null, "good" in any case, or 192.

    All others ("bad", "uncertain", OPC numbers other than 192) are bad: the sample is kept as null, flagged.
    """
    if isinstance(quality, str):
        return quality.lower() == "good"
    return quality is None or (quality == GOOD_OPC_QUALITY and not isinstance(quality, bool))


def value_fault(value: object) -> str | None:
    """Why a JSON value is no value of a tag, or None if it is one."""
    if isinstance(value, list | dict):
        return f"must be a number, true, false, a text or null, not {kind_of(value)}"
    if isinstance(value, str) and len(value) > LONGEST_TEXT:
        return f"is a text of {len(value)} characters: {LONGEST_TEXT} at most"
    if isinstance(value, int) and abs(value) > _LARGEST:
        return "is a number out of range"
    return None


_LARGEST = 10**308


def _use(
    place: Place, tag: str, part: ValuePart | float | bool | str | None, message: Message, decoded: Decoded
) -> None:
    value: Value
    if not isinstance(part, ValuePart):
        value, time, good = part, None, True
    elif part.value is UNSET:
        raise Unusable('has no "value"')
    else:
        value, time, good = part.value, part.ts, is_good(part.quality)
    at_ms, flags, initial = place.moment(time, message)
    if not good:
        value, flags = None, flags | Flag.BAD_QUALITY
    decoded.scans.append(
        Scan(place.machine, at_ms, {tag: value}, place.source, message.received_ms, int(flags), initial)
    )


def _salvage(raw: Any) -> tuple[ValuePart | None, str]:
    value = raw.get("value") if isinstance(raw, dict) else raw
    if not isinstance(raw, list) and (fault := value_fault(value)):
        return None, f"value {fault}"
    return convert_or_reason(ValuePart, raw)


_SHAPE: Shape[Any] = Shape(msgspec.json.Decoder(ValuePart | list[ValuePart] | JsonValue), _salvage)
