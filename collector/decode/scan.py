"""The format ``scan``: the values of several tags at one time, ``{"ts": …, "values": {…}}``, or a list of such."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec

from collector.decode.parts import Shape, convert_or_reason, decode_parts
from collector.decode.place import Place, Time, misname
from collector.decode.unusable import Unusable, several, shown
from collector.decode.value import JsonValue, value_fault
from collector.message import Decoded, Message, Scan, Value


class _Part(msgspec.Struct, gc=False):
    """One scan as it is sent. A null value means bad: the writer flags it, the tracker goes on with the one before."""

    values: dict[str, JsonValue]
    ts: Time = None


def scan_decoder(place: Place) -> Callable[[Message], Decoded]:
    """A function that decodes the messages of one topic."""
    return partial(decode_parts, shape=_SHAPE, use=partial(_use, place))


def _use(place: Place, part: _Part, message: Message, decoded: Decoded) -> None:
    at_ms, flags, initial = place.moment(part.ts, message)
    values: dict[str, Value] = part.values
    misnamed = [] if place.tags.known.issuperset(values) else [name for name in values if not place.tags.is_good(name)]
    if misnamed:
        values = {name: value for name, value in values.items() if name not in misnamed}
    decoded.scans.append(Scan(place.machine, at_ms, values, place.source, message.received_ms, flags, initial))
    if misnamed:
        raise Unusable(several([misname(name) for name in misnamed]))


def _salvage(raw: Any) -> tuple[_Part | None, str]:
    """The good values of a scan that holds some of a wrong type; the others are named in the reason."""
    values = raw.get("values") if isinstance(raw, dict) else None
    if not isinstance(values, dict):
        return convert_or_reason(_Part, raw)
    good = {tag: value for tag, value in values.items() if value_fault(value) is None}
    bad = [f"value of {shown(tag)} {value_fault(value)}" for tag, value in values.items() if tag not in good]
    part, reason = convert_or_reason(_Part, raw | {"values": good})
    return part, reason or several(bad)


_SHAPE: Shape[_Part] = Shape(msgspec.json.Decoder(_Part | list[_Part]), _salvage)
