"""The format ``scan``: the values of several tags at one time, ``{"ts": …, "values": {…}}``, or a list of such."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from collector.decode.parts import NOT_DECODABLE, Shape, convert_or_reason, decode_parts
from collector.decode.place import Place, Time, misname
from collector.decode.unusable import Unusable, several, shown
from collector.decode.value import JsonValue, value_fault
from collector.message import Decoded, Message, Names, Row, Scan, Value


class ScanPart(msgspec.Struct, gc=False):
    """The values of some tags at one time. Without any value it says that the source lives."""

    values: Annotated[dict[str, JsonValue], Meta(description="By tag: number, true or false, text, or null for bad.")]
    ts: Annotated[Time, Meta(description="Source time; without one it is timed on arrival and flagged.")] = None


def scan_decoder(place: Place) -> Callable[[Message], Decoded]:
    """A function that decodes the messages of one topic."""
    return _Topic(place).decode


_ALIKE_FIRST, _ALIKE_AT_MOST, _MISSES = 3, 10_000, 3
_ROW = range(4, 2_001)
"""So many tags are worth a decoder of their own."""


class _Topic:
    """Remembers which tags the scans of a topic hold: as long as they are the same, in any order, they become rows.

    msgspec finds the fields of a record that it knows in half the time that it needs for a dictionary. Whatever does
    not fit is decoded as if nothing had been remembered; so a row says exactly what the dictionary would have said.
    """

    def __init__(self, place: Place) -> None:
        self._place = place
        self._one_by_one = partial(decode_parts, shape=_SHAPE, use=partial(_use, place))
        self._tags: tuple[str, ...] = ()
        self._alike, self._enough, self._missed = 0, _ALIKE_FIRST, 0
        self._names = Names(())
        self._rows: Callable[[bytes], Any] | None = None

    def decode(self, message: Message) -> Decoded:
        """All that a message holds."""
        if self._rows is not None:
            decoded = self._as_rows(message, self._rows)
            if decoded is not None:
                self._missed = 0
                return decoded
            self._miss()
        decoded = self._one_by_one(message)
        if self._rows is None:
            self._learn(decoded)
        return decoded

    def _as_rows(self, message: Message, rows: Callable[[bytes], Any]) -> Decoded | None:
        """All of it as rows; None if anything in it is not as it was before."""
        try:
            body = rows(message.payload)
            parts = body if type(body) is list else (body,)
            scans = [self._scan(part, message) for part in parts]
        except (*NOT_DECODABLE, Unusable):
            return None
        return Decoded(scans=scans) if scans else None

    def _scan(self, part: Any, message: Message) -> Scan:
        place = self._place
        at_ms, flags, initial = place.moment(part.ts, message)
        row = Row(self._names, msgspec.structs.astuple(part.values))
        return Scan(place.machine, at_ms, row, place.source, message.received_ms, flags, initial)

    def _miss(self) -> None:
        """Forget what scans looked like once they look otherwise; it takes longer to believe in the next likeness."""
        self._missed += 1
        if self._missed >= _MISSES:
            self._rows, self._names, self._tags, self._alike = None, Names(()), (), 0
            self._enough = min(2 * self._enough, _ALIKE_AT_MOST)

    def _learn(self, decoded: Decoded) -> None:
        for scan in decoded.scans:
            tags = tuple(scan.values)
            self._alike = self._alike + 1 if tags == self._tags else 1
            self._tags = tags
        if decoded.rejected:
            self._alike = 0
        elif self._alike >= self._enough and len(self._tags) in _ROW:
            names = self._place.tags.row(self._tags) if _can_be_fields(self._tags) else None
            if names is not None:
                self._names, self._rows, self._missed = names, _row_decoder(self._tags), 0


def _can_be_fields(tags: tuple[str, ...]) -> bool:
    """Whether msgspec takes names as those of fields: it refuses what JSON would have to escape."""
    together = "".join(tags)
    return '"' not in together and "\\" not in together


def _row_decoder(tags: tuple[str, ...]) -> Callable[[bytes], Any]:
    """Decodes a scan, or a list of them, that holds these tags and no others."""
    fields = [f"tag{number}" for number in range(len(tags))]
    values = msgspec.defstruct(
        "Values",
        [(field, JsonValue) for field in fields],
        rename=dict(zip(fields, tags, strict=True)),
        forbid_unknown_fields=True,
        gc=False,
    )
    part = msgspec.defstruct("Part", [("values", values), ("ts", Time, None)], gc=False)
    return msgspec.json.Decoder(part | list[part]).decode  # type: ignore[valid-type]


def _use(place: Place, part: ScanPart, message: Message, decoded: Decoded) -> None:
    at_ms, flags, initial = place.moment(part.ts, message)
    values: dict[str, Value] = part.values
    misnamed = [] if place.tags.known.issuperset(values) else [name for name in values if not place.tags.is_good(name)]
    if misnamed:
        values = {name: value for name, value in values.items() if name not in misnamed}
    decoded.scans.append(Scan(place.machine, at_ms, values, place.source, message.received_ms, flags, initial))
    if misnamed:
        raise Unusable(several([misname(name) for name in misnamed]))


def _salvage(raw: Any) -> tuple[ScanPart | None, str]:
    """The good values of a scan that holds some of a wrong type; the others are named in the reason."""
    values = raw.get("values") if isinstance(raw, dict) else None
    if not isinstance(values, dict):
        return convert_or_reason(ScanPart, raw)
    good = {tag: value for tag, value in values.items() if value_fault(value) is None}
    bad = [f"value of {shown(tag)} {value_fault(value)}" for tag, value in values.items() if tag not in good]
    part, reason = convert_or_reason(ScanPart, raw | {"values": good})
    return part, reason or several(bad)


_SHAPE: Shape[ScanPart] = Shape(msgspec.json.Decoder(ScanPart | list[ScanPart]), _salvage)
