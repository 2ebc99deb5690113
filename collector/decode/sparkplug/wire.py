"""Sparkplug B payloads as protobuf messages: descriptors of our own, built from the published field numbers.

Source of the numbers: Eclipse Sparkplug Specification 3.0.0 (ISO/IEC 20237), chapter 6. Fields that are not needed here
(meta data, templates, nested property sets) are left out: a parser passes over fields that it does not know.
"""

from __future__ import annotations

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

from collector.decode.unusable import Unusable

NAMESPACE = "spBv1.0"
"""First level of every topic of Sparkplug B."""

_PACKAGE = "breakhorn.sparkplug"

FIELDS: dict[str, dict[str, tuple[int, str]]] = {
    "Payload": {
        "timestamp": (1, "uint64"),
        "metrics": (2, "repeated Metric"),
        "seq": (3, "uint64"),
        "uuid": (4, "string"),
        "body": (5, "bytes"),
    },
    "Metric": {
        "name": (1, "string"),
        "alias": (2, "uint64"),
        "timestamp": (3, "uint64"),
        "datatype": (4, "uint32"),
        "is_historical": (5, "bool"),
        "is_transient": (6, "bool"),
        "is_null": (7, "bool"),
        "properties": (9, "PropertySet"),
        "int_value": (10, "uint32"),
        "long_value": (11, "uint64"),
        "float_value": (12, "float"),
        "double_value": (13, "double"),
        "boolean_value": (14, "bool"),
        "string_value": (15, "string"),
        "bytes_value": (16, "bytes"),
        "dataset_value": (17, "bytes"),
        "template_value": (18, "bytes"),
    },
    "PropertyValue": {
        "type": (1, "uint32"),
        "is_null": (2, "bool"),
        "int_value": (3, "uint32"),
        "long_value": (4, "uint64"),
        "float_value": (5, "float"),
        "double_value": (6, "double"),
        "boolean_value": (7, "bool"),
        "string_value": (8, "string"),
    },
    "PropertySet": {
        "keys": (1, "repeated string"),
        "values": (2, "repeated PropertyValue"),
    },
}
"""Number and type of each field. A DataSet and a Template are messages too, on the wire the same as bytes: they are
refused unopened. The fields called ``…_value`` exclude each other (a oneof)."""


def _build() -> Any:
    """The class of payloads, from a pool of its own: other software may have loaded the same names."""
    file = descriptor_pb2.FileDescriptorProto(name="breakhorn/sparkplug", package=_PACKAGE, syntax="proto2")
    for message, fields in FIELDS.items():
        described = file.message_type.add(name=message)
        for name, (number, kind) in fields.items():
            _add_field(described, name, number, kind)
        if any(name.endswith("_value") for name in fields):
            described.oneof_decl.add(name="value")
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


def _add_field(described: Any, name: str, number: int, kind: str) -> None:
    repeated, _, kind = kind.rpartition(" ")
    field = described.field.add(name=name, number=number)
    field.label = field.LABEL_REPEATED if repeated else field.LABEL_OPTIONAL
    if kind in FIELDS:
        field.type, field.type_name = field.TYPE_MESSAGE, f".{_PACKAGE}.{kind}"
    else:
        field.type = getattr(field, f"TYPE_{kind.upper()}")
    if name.endswith("_value"):
        field.oneof_index = 0


Payload: Any = _build()
"""The class of a whole payload; ``payload.metrics.add()`` makes a metric."""


def parse(data: bytes) -> Any:
    """The payload in these bytes.

    Raises
    ------
    Unusable
        For bytes that are none.
    """
    try:
        return Payload.FromString(data)
    except DecodeError:
        raise Unusable("payload is not Sparkplug B: it is cut short, or is something else") from None
