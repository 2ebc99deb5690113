"""What the value of a metric means, by its data type: read from the wire, and written to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import IntEnum
from math import isfinite
from typing import Any

from collector.decode.unusable import Unusable
from collector.decode.value import GOOD_OPC_QUALITY, LONGEST_TEXT
from collector.message import Value

QUALITY = "Quality"
"""Key of the property that says how good a value is: 0 bad, 192 good, 500 stale; without it a value is good."""

BAD = 0


class DataType(IntEnum):
    """The codes of the data types (Sparkplug Specification 3.0.0, chapter 6)."""

    UNKNOWN = 0
    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13
    TEXT = 14
    UUID = 15
    DATASET = 16
    BYTES = 17
    FILE = 18
    TEMPLATE = 19
    PROPERTY_SET = 20
    PROPERTY_SET_LIST = 21
    INT8_ARRAY = 22
    INT16_ARRAY = 23
    INT32_ARRAY = 24
    INT64_ARRAY = 25
    UINT8_ARRAY = 26
    UINT16_ARRAY = 27
    UINT32_ARRAY = 28
    UINT64_ARRAY = 29
    FLOAT_ARRAY = 30
    DOUBLE_ARRAY = 31
    BOOLEAN_ARRAY = 32
    STRING_ARRAY = 33
    DATETIME_ARRAY = 34


Reader = Callable[[Any], Value]
Readers = Mapping[str, Reader]
"""What a value means by the field that holds it, the likely one first. Any other field does not fit the data type."""

BITS = {
    DataType.INT8: 8,
    DataType.INT16: 16,
    DataType.INT32: 32,
    DataType.INT64: 64,
    DataType.UINT8: 8,
    DataType.UINT16: 16,
    DataType.UINT32: 32,
    DataType.UINT64: 64,
    DataType.DATETIME: 64,
}
SIGNED = frozenset({DataType.INT8, DataType.INT16, DataType.INT32, DataType.INT64})


def signed(raw: int, bits: int) -> int:
    """A negative number from its two's complement. What a sender extended the sign to is cut off first."""
    sign = 1 << (bits - 1)
    return ((raw & ((sign << 1) - 1)) ^ sign) - sign


def unsigned(number: int, bits: int) -> int:
    """Two's complement of the declared width, as it goes on the wire."""
    return number & ((1 << bits) - 1)


def _whole(kind: DataType) -> Reader:
    bits = BITS[kind]
    if kind in SIGNED:
        return lambda raw: float(signed(raw, bits))
    return lambda raw: float(unsigned(raw, bits))


def _number(raw: float) -> Value:
    """NaN and infinities are allowed on the wire: they are how a sender says that it does not know."""
    return raw if isfinite(raw) else None


def _text(raw: str | bytes) -> Value:
    if isinstance(raw, bytes):
        raise Unusable("is a text that is not UTF-8")
    if len(raw) > LONGEST_TEXT:
        raise Unusable(f"is a text of {len(raw)} characters: {LONGEST_TEXT} at most")
    return raw


def _truth(raw: bool) -> Value:
    return raw


def _readers() -> dict[int, Readers]:
    readers: dict[int, Readers] = {DataType.BOOLEAN: {"boolean_value": _truth}}
    # Some senders put 32 unsigned bits into the long field, and floats into the double one: nothing is lost by that.
    for kind, bits in BITS.items():
        fields = ("long_value", "int_value") if bits == 64 else ("int_value", "long_value")
        readers[kind] = dict.fromkeys(fields, _whole(kind))
    readers[DataType.FLOAT] = {"float_value": _number, "double_value": _number}
    readers[DataType.DOUBLE] = {"double_value": _number, "float_value": _number}
    for kind in (DataType.STRING, DataType.TEXT, DataType.UUID):
        readers[kind] = {"string_value": _text}
    return readers


READERS: dict[int, Readers] = _readers()
"""By data type. What is missing here is not stored."""


def refusal(datatype: int) -> str:
    """Why values of a data type are not stored."""
    try:
        kind = DataType(datatype)
    except ValueError:
        return f"has the data type {datatype}, which Sparkplug B does not define"
    if kind == DataType.UNKNOWN:
        return "has no data type in its birth"
    return f"is a {kind.name.replace('_', ' ')}: send numbers, truths and texts as metrics of their own"


def value_of(metric: Any, likely: str, readers: Readers) -> Value:
    """The value of a metric; None if it is null, or of any quality but good.

    likely
        The field that holds it as a rule: asking which one does takes thrice as long.

    Raises
    ------
    Unusable
        If its field does not fit its data type, or it has none.
    """
    if metric.is_null or (metric.HasField("properties") and not _is_good(metric.properties)):
        return None
    if raw := getattr(metric, likely):
        return readers[likely](raw)
    field = metric.WhichOneof("value")
    reader = readers.get(field)
    if reader is not None:
        return reader(getattr(metric, field))
    if field is None:
        raise Unusable("has neither a value nor is_null")
    raise Unusable(f"has a {field}, which its data type does not use")


def _is_good(properties: Any) -> bool:
    for key, value in zip(properties.keys, properties.values, strict=False):
        if key == QUALITY:
            return GOOD_OPC_QUALITY in (value.int_value, value.long_value)
    return True


def put(metric: Any, kind: DataType, value: Value) -> None:
    """Write a value into a metric, or that there is none. The kind must be the one that fits: see ``kind_for``."""
    if value is None:
        metric.is_null = True
        metric.properties.keys.append(QUALITY)
        metric.properties.values.add(type=DataType.INT32, int_value=BAD)
    elif kind == DataType.BOOLEAN:
        metric.boolean_value = bool(value)
    elif kind == DataType.STRING:
        metric.string_value = str(value)
    elif kind in BITS:
        field = "long_value" if BITS[kind] == 64 else "int_value"
        setattr(metric, field, unsigned(int(value), BITS[kind]))
    else:
        setattr(metric, "float_value" if kind == DataType.FLOAT else "double_value", float(value))


def kind_for(value: float | bool | str) -> DataType:
    """The data type in which a value of ours is sent."""
    if isinstance(value, bool):
        return DataType.BOOLEAN
    return DataType.STRING if isinstance(value, str) else DataType.DOUBLE
