"""Sparkplug B payloads: golden bytes, the rules of the specification, and what no sender may bring about.

Numbers, rules and examples were read in the Eclipse Sparkplug Specification 3.0.0 (16 Nov 2022, = ISO/IEC 20237),
chapters 4, 5 and 6; the golden payloads were serialised once with the compiled schemas of three independent libraries,
which gave the same bytes.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.decode.sparkplug.values import DataType, put
from collector.decode.sparkplug.wire import FIELDS, Payload
from collector.message import Decoded, Flag, Message, Scan, Value
from tests.edges import PM2, Edge, T, bd_seq, quality, values
from tests.mills import RECEIVED_MS, reason

GOLDEN: dict[str, tuple[dict[str, Any], str]] = {
    "NBIRTH": (
        {
            "timestamp": 1486144502122,
            "seq": 0,
            "metrics": [
                {"name": "bdSeq", "timestamp": 1486144502122, "datatype": 8, "long_value": 7},
                {"name": "Node Control/Rebirth", "timestamp": 1486144502122, "datatype": 11, "boolean_value": False},
                {"name": "Break", "alias": 300, "timestamp": 1486144502122, "datatype": 11, "boolean_value": True},
                {"name": "Tension", "alias": 2, "timestamp": 1486144502122, "datatype": 9, "float_value": 1.5},
                {"name": "T", "alias": 3, "timestamp": 1486144502122, "datatype": 1, "int_value": 246},
                {"name": "G", "alias": 4, "timestamp": 1486144502122, "datatype": 12, "is_null": True},
            ],
        },
        "08eaf2f5a8a02b12120a05626453657118eaf2f5a8a02b2008580712210a144e6f646520436f6e74726f6c2f5265626972746818eaf2f5"
        "a8a02b200b700012150a05427265616b10ac0218eaf2f5a8a02b200b700112190a0754656e73696f6e100218eaf2f5a8a02b2009650000"
        "c03f12110a0154100318eaf2f5a8a02b200150f60112100a0147100418eaf2f5a8a02b200c38011800",
    ),
    "NDATA": (
        {
            "timestamp": 1486144502200,
            "seq": 1,
            "metrics": [
                {"alias": 300, "timestamp": 1486144502190, "boolean_value": False},
                {"alias": 2, "timestamp": 1486144502000, "is_historical": True, "float_value": -2.25},
            ],
        },
        "08b8f3f5a8a02b120c10ac0218aef3f5a8a02b70001210100218f0f1f5a8a02b280165000010c01801",
    ),
    "NDEATH": (
        {
            "timestamp": 1486144502122,
            "metrics": [{"name": "bdSeq", "timestamp": 1486144502122, "datatype": 8, "long_value": 7}],
        },
        "08eaf2f5a8a02b12120a05626453657118eaf2f5a8a02b20085807",
    ),
    "NCMD": (
        {
            "timestamp": 1486144502122,
            "metrics": [
                {"name": "Node Control/Rebirth", "timestamp": 1486144502122, "datatype": 11, "boolean_value": True}
            ],
        },
        "08eaf2f5a8a02b12210a144e6f646520436f6e74726f6c2f5265626972746818eaf2f5a8a02b200b7001",
    ),
}


# ------------------------------------------------------------------------------------------------ golden payloads


@pytest.mark.parametrize("name", GOLDEN)
def test_golden_payloads_are_written_byte_for_byte(name: str) -> None:
    """T13-05: see above."""
    fields, expected = GOLDEN[name]

    assert Payload(**fields).SerializeToString().hex() == expected


@pytest.mark.parametrize("name", GOLDEN)
def test_golden_payloads_are_read_to_what_they_were_made_of(name: str) -> None:
    """T13-05: see above."""
    fields, golden = GOLDEN[name]

    assert Payload.FromString(bytes.fromhex(golden)) == Payload(**fields)


def test_golden_messages_become_scans() -> None:
    """The unsigned 246 of an Int8 is 246 - 256 = -10; false and 0 are on the wire, and are values like others."""
    edge = Edge(machine="pm2")

    birth = edge.raw("NBIRTH", bytes.fromhex(GOLDEN["NBIRTH"][1]))
    data = edge.raw("NDATA", bytes.fromhex(GOLDEN["NDATA"][1]))
    death = edge.raw("NDEATH", bytes.fromhex(GOLDEN["NDEATH"][1]))

    born: dict[str, Value] = {"Break": True, "Tension": 1.5, "T": -10.0, "G": None}
    assert birth.scans == [Scan("pm2", 1486144502122, born, 2, RECEIVED_MS)]
    assert data.scans == [
        Scan("pm2", 1486144502000, {"Tension": -2.25}, 2, RECEIVED_MS, int(Flag.HISTORICAL)),
        Scan("pm2", 1486144502190, {"Break": False}, 2, RECEIVED_MS),
    ]
    flags = int(Flag.BAD_QUALITY | Flag.TIMED_ON_ARRIVAL)
    assert death.scans == [Scan("pm2", RECEIVED_MS, dict.fromkeys(born), 2, RECEIVED_MS, flags)]
    assert [*birth.rejected, *data.rejected, *death.rejected] == []


def test_a_rebirth_is_asked_for_with_the_golden_command() -> None:
    edge = Edge()
    edge.received_ms = 1486144502122

    (request,) = edge.send("DDATA", timestamp=1486144502122).requests

    assert request.topic == "spBv1.0/ellerholm/NCMD/gw1"
    assert request.payload.hex() == GOLDEN["NCMD"][1]


SCALARS = [("INT8", -10, 246), ("INT16", -1, 65535), ("INT32", -1, 4294967295), ("INT64", -1, 18446744073709551615)]


@pytest.mark.parametrize(("kind", "value", "wire"), SCALARS)
def test_negative_numbers_are_twos_complement_of_their_width(kind: str, value: int, wire: int) -> None:
    """T13-06: specification, chapter 6, unsigned fields; the width as its reference code has it."""
    payload, datatype = Payload(), DataType[kind]
    put(payload.metrics.add(name="x", datatype=datatype), datatype, value)
    metric = payload.metrics[0]
    edge = Edge().born()

    decoded = edge.send("DBIRTH", {"name": "x", "datatype": datatype, metric.WhichOneof("value"): wire})

    assert getattr(metric, metric.WhichOneof("value")) == wire
    assert values(decoded) == {"x": value}


def test_an_int8_whose_sign_was_extended_to_32_bits_is_the_same_number() -> None:
    decoded = Edge().born().send("DBIRTH", {"name": "x", "datatype": 1, "int_value": 2**32 - 10})

    assert values(decoded) == {"x": -10.0}


ARRAYS = [
    ("INT8_ARRAY", "e97b"),
    ("INT16_ARRAY", "d08a3075"),
    ("INT32_ARRAY", "fffffffffaafcb12"),
    ("INT64_ARRAY", "ce0672ac189cbac4c4ba9c18ac7206ce"),
    ("UINT8_ARRAY", "17fa"),
    ("UINT16_ARRAY", "1e0088cc"),
    ("UINT32_ARRAY", "3400000049fb55c4"),
    ("UINT64_ARRAY", "3400000000000000d99e02d1b27637e4"),
    ("FLOAT_ARRAY", "a4709d3f98aeb242"),
    ("DOUBLE_ARRAY", "d7a205685bb528408e171c6f4cf78f40"),
    ("BOOLEAN_ARRAY", "0c00000034d0"),
    ("STRING_ARRAY", "4142430068656c6c6f00"),
    ("DATETIME_ARRAY", "c7d0907524010000b8bab89781010000"),
]


@pytest.mark.parametrize(("kind", "golden"), ARRAYS)
def test_packed_arrays_are_refused_by_name_and_the_rest_is_kept(kind: str, golden: str) -> None:
    """T13-06: specification, chapter 6 (by its rule; its examples of Int8, floats and times are misprinted)."""
    array = {"name": "spectrum", "datatype": DataType[kind], "bytes_value": bytes.fromhex(golden)}

    decoded = Edge().born().send("DBIRTH", *PM2, array)

    assert set(values(decoded)) == {"reel.speed", "sheet.press", "order.grade"}
    assert reason(decoded).startswith(f'metric "spectrum" is a {kind.replace("_", " ")}: send numbers')


# ---------------------------------------------------------------------------------------- numbers of fields and types


def test_field_numbers_are_those_published() -> None:
    """T13-04: the specification's chapter 6, and the schema that its project publishes beside it."""
    metric = "name alias timestamp datatype is_historical is_transient is_null metadata properties int_value long_value"
    metric += " float_value double_value boolean_value string_value bytes_value dataset_value template_value"
    prop = "type is_null int_value long_value float_value double_value boolean_value string_value"
    published = {
        "Payload": ["timestamp", "metrics", "seq", "uuid", "body"],
        "Metric": metric.split(),
        "PropertyValue": prop.split(),
        "PropertySet": ["keys", "values"],
    }
    for message, fields in FIELDS.items():
        for field, (number, _) in fields.items():
            assert published[message][number - 1] == field


def test_data_types_have_the_published_codes() -> None:
    """T13-04: specification, chapter 6."""
    names = "Unknown Int8 Int16 Int32 Int64 UInt8 UInt16 UInt32 UInt64 Float Double Boolean String DateTime Text UUID"
    names += (
        " DataSet Bytes File Template Property_Set Property_Set_List Int8_Array Int16_Array Int32_Array Int64_Array"
    )
    names += " UInt8_Array UInt16_Array UInt32_Array UInt64_Array Float_Array Double_Array Boolean_Array String_Array"
    names += " DateTime_Array"

    assert [kind.name for kind in DataType] == names.upper().split()
    assert [kind.value for kind in DataType] == list(range(35))


@pytest.mark.parametrize(
    ("kind", "field", "raw", "value"),
    [
        (DataType.UINT8, "int_value", 250, 250.0),
        (DataType.UINT32, "int_value", 4294967295, 4294967295.0),
        (DataType.UINT32, "long_value", 4294967295, 4294967295.0),
        (DataType.UINT64, "long_value", 2**53, float(2**53)),
        (DataType.DATETIME, "long_value", T, float(T)),
        (DataType.FLOAT, "float_value", 0.5, 0.5),
        (DataType.FLOAT, "float_value", float("nan"), None),
        (DataType.DOUBLE, "double_value", float("-inf"), None),
        (DataType.BOOLEAN, "boolean_value", False, False),
        (DataType.TEXT, "string_value", "", ""),
        (DataType.UUID, "string_value", "a-b", "a-b"),
    ],
)
def test_each_data_type_is_read_from_its_field(kind: DataType, field: str, raw: Any, value: Any) -> None:
    """T13-04: specification, chapter 6, which field holds which type."""
    decoded = Edge().born().send("DBIRTH", {"name": "x", "datatype": kind, field: raw})

    assert values(decoded) == {"x": value}
    assert type(values(decoded)["x"]) is type(value)


@pytest.mark.parametrize(
    ("metric", "why"),
    [
        ({"datatype": 16, "dataset_value": b"\x08\x01"}, 'metric "x" is a DATASET: send numbers'),
        ({"datatype": 19, "template_value": b"\x0a\x01v"}, 'metric "x" is a TEMPLATE: send numbers'),
        ({"datatype": 17, "bytes_value": b"v"}, 'metric "x" is a BYTES: send numbers'),
        ({"datatype": 99, "int_value": 1}, 'metric "x" has the data type 99, which Sparkplug B does not define'),
        ({"int_value": 1}, 'metric "x" has no data type in its birth'),
        ({"datatype": 3, "string_value": "1"}, 'metric "x" has a string_value, which its data type does not use'),
        ({"datatype": 3}, 'metric "x" has neither a value nor is_null'),
        ({"datatype": 12, "string_value": "é" * 1001}, 'metric "x" is a text of 1001 characters: 1000 at most'),
    ],
)
def test_a_metric_that_cannot_be_used_is_named_with_the_reason(metric: dict[str, Any], why: str) -> None:
    decoded = Edge().born().send("DBIRTH", *PM2, {"name": "x", **metric})

    assert reason(decoded).startswith(why)
    assert len(values(decoded)) == 3


def test_a_text_that_is_not_utf_8_is_refused() -> None:
    edge = Edge().born()
    good = Payload(timestamp=T, seq=2, metrics=[{"name": "x", "datatype": 12, "string_value": "aa"}])

    decoded = edge.raw("DBIRTH", good.SerializeToString().replace(b"aa", b"\xff\xfe"))

    assert reason(decoded) == 'metric "x" is a text that is not UTF-8'


# ------------------------------------------------------------------------------------------- topics and message types


@pytest.mark.parametrize(
    ("topic", "why"),
    [
        ("spBv1.0/ellerholm/NDATA/gw1/pm2", "NDATA has no device in its topic"),
        ("spBv1.0/ellerholm/DDATA/gw1", "DDATA needs a device in its topic"),
        ("spBv1.0/ellerholm/WDATA/gw1", 'no Sparkplug message is called "WDATA"'),
        ("spBv1.0/ellerholm/DDATA/gw1/pm2/x", "topic has 6 levels: 5 at most"),
        ("spBv1.0/ellerholm/NDATA/gw9", "topic matches no [[source]]"),
        ("spBv1.0/other/NDATA/gw1", "topic matches no [[source]]"),
        ("spAv1.0/ellerholm/NDATA/gw1", "topic matches no [[source]]"),
        ("spBv1.0/STATE/scada", "topic matches no [[source]]"),
    ],
)
def test_topics_that_sparkplug_does_not_know_are_rejected(topic: str, why: str) -> None:
    """T13-01: specification, chapter 4."""
    decoded = Edge().decoder.decode(Message(received_ms=RECEIVED_MS, topic=topic, payload=b""))

    assert reason(decoded).startswith(why)


def test_every_edge_node_is_subscribed_to_with_its_devices() -> None:
    assert [topic for topic in Edge().decoder.subscriptions if topic.startswith("spB")] == [
        "spBv1.0/ellerholm/+/gw1/#",
        "spBv1.0/ellerholm/+/gw2/#",
    ]


@pytest.mark.parametrize("kind", ["NCMD", "DCMD"])
def test_commands_are_for_the_edge_node(kind: str) -> None:
    assert Edge().send(kind, bd_seq(1)) == Decoded(ours=True)


def test_a_device_that_is_no_machine_is_rejected() -> None:
    edge = Edge()
    edge.send("NBIRTH", bd_seq(0))

    assert reason(edge.send("DBIRTH", *PM2, device="pm9")) == 'unknown machine "pm9": mill.toml names pm2'
    assert reason(edge.send("DDATA", *PM2, device="pm9")) == 'unknown machine "pm9": mill.toml names pm2'


def test_an_edge_nodes_own_metrics_need_a_machine_and_are_told_of_once_a_birth() -> None:
    edge = Edge()

    birth = edge.send("NBIRTH", bd_seq(0), {"name": "cabinet.temperature", "alias": 9, "datatype": 10})
    data = edge.send("NDATA", {"alias": 9, "double_value": 31.0})

    assert reason(birth) == (
        'edge node gw1 has 1 metrics of its own, which are left out: to keep them, give its [[source]] machine = "…"'
    )
    assert data == Decoded()


def test_a_payload_wrapped_in_another_is_refused() -> None:
    edge = Edge().born()

    decoded = edge.send("DDATA", uuid="GZIP", body=b"\x1f\x8b")

    assert reason(decoded).startswith("has a body in the place of metrics")


# --------------------------------------------------------------------------------------------- times, quality, nulls


def test_metrics_are_scans_by_their_own_times_oldest_first() -> None:
    edge = Edge().born()

    decoded = edge.send(
        "DDATA",
        {"alias": 2, "timestamp": T + 20, "boolean_value": False},
        {"alias": 1, "timestamp": T + 10, "double_value": 1.0},
        {"alias": 1, "timestamp": T + 20, "double_value": 2.0},
    )

    assert [(scan.at_ms, scan.values) for scan in decoded.scans] == [
        (T + 10, {"reel.speed": 1.0}),
        (T + 20, {"sheet.press": False, "reel.speed": 2.0}),
    ]


def test_a_metric_without_a_time_has_that_of_its_payload_and_without_that_of_arrival() -> None:
    edge = Edge().born()

    own = edge.send("DDATA", {"alias": 1, "double_value": 1.0}, timestamp=T + 7)
    none = edge.send("DDATA", {"alias": 1, "double_value": 1.0}, timestamp=0)

    assert [(scan.at_ms, scan.flags) for scan in own.scans] == [(T + 7, 0)]
    assert [(scan.at_ms, scan.flags) for scan in none.scans] == [(RECEIVED_MS, int(Flag.TIMED_ON_ARRIVAL))]


def test_values_of_an_impossible_time_are_rejected_and_the_others_kept() -> None:
    edge = Edge().born()

    decoded = edge.send(
        "DDATA", {"alias": 1, "timestamp": 1, "double_value": 1.0}, {"alias": 2, "timestamp": T, "boolean_value": True}
    )

    assert values(decoded) == {"sheet.press": True}
    assert reason(decoded) == 'time is before 1990: set the sender\'s clock, or send Unix milliseconds ("reel.speed")'


def test_historical_values_are_flagged_and_in_order_of_time() -> None:
    """T13-03: specification, chapter 6."""
    edge = Edge().born()

    decoded = edge.send(
        "DDATA",
        {"alias": 1, "timestamp": T + 9, "double_value": 3.0},
        {"alias": 1, "timestamp": T + 5, "double_value": 1.0, "is_historical": True},
        {"alias": 1, "timestamp": T + 7, "double_value": 2.0, "is_historical": True},
    )

    assert [(scan.at_ms, scan.flags) for scan in decoded.scans] == [(T + 5, 16), (T + 7, 16), (T + 9, 0)]


@pytest.mark.parametrize(("code", "expected"), [(192, 5.0), (0, None), (500, None)])
def test_only_good_quality_keeps_its_value(code: int, expected: float | None) -> None:
    """T13-03: specification, chapter 6: 0 bad, 192 good, 500 stale."""
    decoded = Edge().born().send("DDATA", {"alias": 1, "double_value": 5.0, "properties": quality(code)})

    assert values(decoded) == {"reel.speed": expected}


def test_properties_that_say_nothing_of_quality_change_nothing() -> None:
    properties = {"keys": ["engUnit"], "values": [{"type": 12, "string_value": "m/min"}]}

    decoded = Edge().born().send("DDATA", {"alias": 1, "double_value": 5.0, "properties": properties})

    assert values(decoded) == {"reel.speed": 5.0}


def test_null_is_a_bad_value() -> None:
    """T13-03: specification, chapter 6."""
    decoded = Edge().born().send("DDATA", {"alias": 1, "is_null": True})

    assert values(decoded) == {"reel.speed": None}


def test_transient_values_are_not_kept() -> None:
    """T13-03: specification, chapter 6."""
    decoded = Edge().born().send("DDATA", {"alias": 1, "double_value": 5.0, "is_transient": True})

    assert decoded == Decoded()


def test_a_message_without_metrics_says_that_the_device_lives() -> None:
    assert Edge().born().send("DDATA").scans == [Scan("pm2", T, {}, 2, RECEIVED_MS)]


# ------------------------------------------------------------------------------------------------------------ anything

KINDS = ["NBIRTH", "DBIRTH", "NDATA", "DDATA", "NDEATH", "DDEATH", "NCMD", "DCMD"]


@given(st.lists(st.tuples(st.sampled_from(KINDS), st.binary(max_size=80)), max_size=6))
def test_any_bytes_are_decoded_or_rejected(messages: list[tuple[str, bytes]]) -> None:
    edge = Edge(machine="pm2").born()

    for kind, data in messages:
        edge.raw(kind, data)

    assert edge.send("NBIRTH", bd_seq(1)).rejected == []


METRICS = st.fixed_dictionaries(
    {},
    optional={
        "name": st.sampled_from(["", "bdSeq", "reel.speed", "x", "Node Control/Rebirth", "\x00", "y" * 201]),
        "alias": st.integers(0, 4) | st.just(2**64 - 1),
        "timestamp": st.sampled_from([0, 1, T, T + 1, RECEIVED_MS + 301_000, 2**64 - 1]),
        "datatype": st.integers(0, 36),
        "is_historical": st.booleans(),
        "is_transient": st.booleans(),
        "is_null": st.booleans(),
        "properties": st.sampled_from([quality(0), quality(192), {"keys": ["Quality"]}, {}]),
    },
)
VALUES = st.one_of(
    st.fixed_dictionaries({"int_value": st.integers(0, 2**32 - 1)}),
    st.fixed_dictionaries({"long_value": st.integers(0, 2**64 - 1)}),
    st.fixed_dictionaries({"float_value": st.floats(width=32)}),
    st.fixed_dictionaries({"double_value": st.floats()}),
    st.fixed_dictionaries({"boolean_value": st.booleans()}),
    st.fixed_dictionaries({"string_value": st.text(max_size=3)}),
    st.fixed_dictionaries({"bytes_value": st.binary(max_size=3)}),
    st.just({}),
)
PAYLOADS = st.builds(
    lambda metrics, timestamp, seq: Payload(
        metrics=[metric | value for metric, value in metrics], timestamp=timestamp, seq=seq
    ),
    st.lists(st.tuples(METRICS, VALUES), max_size=4),
    st.sampled_from([0, T, 2**64 - 1]),
    st.none() | st.integers(0, 300),
)


@given(st.lists(st.tuples(st.sampled_from(KINDS), PAYLOADS), max_size=8))
def test_any_payloads_give_sound_scans_or_reasons(messages: list[tuple[str, Any]]) -> None:
    edge = Edge(machine="pm2").born()

    for kind, payload in messages:
        decoded = edge.raw(kind, payload.SerializeToString())
        times = [scan.at_ms for scan in decoded.scans]
        assert times == sorted(times)
        assert all(at_ms <= RECEIVED_MS + 300_001 for at_ms in times)
        assert len(decoded.rejected) <= 1
        for value in (value for scan in decoded.scans for value in scan.values.values()):
            assert value is None or isinstance(value, bool | str) or value == value


@given(st.lists(st.tuples(st.sampled_from(KINDS), PAYLOADS), max_size=6))
def test_any_state_can_be_kept_and_gone_on_from(messages: list[tuple[str, Any]]) -> None:
    edge = Edge(machine="pm2").born()
    for kind, payload in messages:
        edge.raw(kind, payload.SerializeToString())

    again = Edge(machine="pm2", states=edge.decoder.states())

    assert again.send("NBIRTH", bd_seq(1)).rejected == []
