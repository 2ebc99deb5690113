"""The scan format, and what holds for the messages of every format."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from collector.decode import Decoder
from collector.decode.parts import MOST_REJECTED
from collector.decode.place import TagNames
from collector.message import Decoded, Flag, Row, Scan
from tests import mills
from tests.mills import SENT_MS, message, reason

DECODER = Decoder(mills.readable_mill())


def decode(payload: bytes | str | object, topic: str = "ellerholm/pm2/scan", **more: Any) -> Decoded:
    return DECODER.decode(message(payload, topic, **more))


def scan(values: dict[str, Any], at_ms: int = SENT_MS, **more: Any) -> Scan:
    return replace(Scan("pm2", at_ms, values, 0, mills.RECEIVED_MS), **more)


def test_the_example_of_the_design() -> None:
    payload = (
        '{"ts": "2026-03-01T02:03:04.500Z", "values": {"reel.speed": 812.4, "sheet.press": true, "order.grade": "C80"}}'
    )

    assert decode(payload) == Decoded(
        scans=[scan({"reel.speed": 812.4, "sheet.press": True, "order.grade": "C80"})],
    )


def test_a_list_of_scans_keeps_its_order() -> None:
    payload = [{"ts": SENT_MS + 1000, "values": {"a": 1}}, {"ts": SENT_MS, "values": {"a": 2}}]

    decoded = decode(payload)

    assert decoded.scans == [scan({"a": 1.0}, SENT_MS + 1000), scan({"a": 2.0})]
    assert decoded.rejected == []


def test_a_null_is_a_bad_value() -> None:
    assert decode({"ts": SENT_MS, "values": {"a": None}}).scans == [scan({"a": None})]


def test_whole_numbers_become_numbers_and_truths_stay_truths() -> None:
    (one,) = decode({"ts": SENT_MS, "values": {"a": 7, "b": True, "c": 10**30}}).scans

    assert [type(value) for value in one.values.values()] == [float, bool, float]


def test_a_scan_without_values_of_its_tags_is_a_heartbeat() -> None:
    assert decode({"ts": SENT_MS, "values": {}}).scans == [scan({})]


@pytest.mark.parametrize("payload", [{"values": {"a": 1}}, {"ts": None, "values": {"a": 1}}])
def test_a_scan_without_a_time_is_timed_on_arrival_and_flagged(payload: object) -> None:
    assert decode(payload).scans == [scan({"a": 1.0}, mills.RECEIVED_MS, flags=Flag.TIMED_ON_ARRIVAL)]


def test_a_replayed_scan_without_a_time_has_the_recorded_one_and_the_same_flag() -> None:
    decoded = decode({"values": {"a": 1}}, stamped_ms=SENT_MS)

    assert decoded.scans == [scan({"a": 1.0}, flags=Flag.TIMED_ON_ARRIVAL)]


def test_a_retained_scan_without_a_time_only_sets_the_initial_state() -> None:
    untimed = decode({"values": {"a": 1}}, retained=True)
    timed = decode({"ts": SENT_MS, "values": {"a": 1}}, retained=True)

    assert [one.initial for one in untimed.scans + timed.scans] == [True, False]


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"", "payload is empty"),
        (b"reel.speed", "is not JSON"),
        (b'{"values": {"a": NaN}}', "send null for a bad value"),
        (b'{"values": {"a": -Infinity}}', "send null for a bad value"),
        (b'{"values": {"a": 1e999}}', "number out of range"),
        (b'{"values": {"a": "\xff"}}', "is not UTF-8"),
        (b'{"values": {}, "more": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "nested too deeply"),
        (b"812.4", "must be an object, not a number"),
        (b"{}", 'has no "values"'),
        (b'{"values": [1]}', '"values" must be an object, not a list'),
        (b'{"ts": true, "values": {}}', '"ts" must be a number or a text or null, not true or false'),
        (b'{"ts": "2026-03-01T02:03:04", "values": {}}', "has no offset"),
        (b'{"ts": 0, "values": {}}', "before 1990"),
        (b'{"ts": 1772330891000, "values": {}}', "301 s ahead of receipt"),
    ],
)
def test_what_cannot_be_used_is_rejected_whole_with_the_reason(payload: bytes, expected: str) -> None:
    decoded = decode(payload)

    assert expected in reason(decoded)
    assert decoded.scans == []
    assert decoded.rejected[0].payload == payload
    assert (decoded.rejected[0].topic, decoded.rejected[0].received_ms) == ("ellerholm/pm2/scan", mills.RECEIVED_MS)


def test_the_good_part_of_a_list_is_kept_and_the_rest_named_by_its_index() -> None:
    payload = [
        {"ts": SENT_MS, "values": {"a": 1}},
        {"ts": 5, "values": {"a": 2}},
        7,
        {"ts": SENT_MS, "values": {"a": 4}},
    ]

    decoded = decode(payload)

    assert [one.values["a"] for one in decoded.scans] == [1, 4]
    assert [one.reason.partition(":")[0] for one in decoded.rejected] == ["element 1", "element 2"]
    assert [json.loads(one.payload) for one in decoded.rejected] == [payload[1], 7]


def test_the_good_values_of_a_scan_are_kept_and_the_others_named() -> None:
    decoded = decode({"ts": SENT_MS, "values": {"a": 1, "b": [2], "c": {"d": 3}, "e": "x" * 1001, "f": True}})

    assert decoded.scans == [scan({"a": 1.0, "f": True})]
    assert 'value of "b" must be a number, true, false, a text or null, not a list' in reason(decoded)
    assert 'value of "e" is a text of 1001 characters: 1000 at most' in reason(decoded)


def test_a_scan_in_disorder_names_only_its_first_bad_values() -> None:
    decoded = decode({"ts": SENT_MS, "values": {f"t{number}": [] for number in range(50)}})

    assert reason(decoded).endswith("; and 47 more")


@pytest.mark.parametrize(
    ("name", "expected"),
    [("", "is empty"), ("x" * 201, "is too long"), ("a\nb", "control character"), ("a\x85", "control character")],
)
def test_a_value_whose_tag_cannot_be_called_so_is_rejected_alone(name: str, expected: str) -> None:
    decoded = decode({"ts": SENT_MS, "values": {"a": 1, name: 2}})

    assert decoded.scans == [scan({"a": 1.0})]
    assert expected in reason(decoded)
    assert "\n" not in reason(decoded)


def test_a_tag_of_200_characters_is_taken() -> None:
    assert decode({"ts": SENT_MS, "values": {"å" * 200: 2}}).rejected == []


def test_a_sender_in_disorder_does_not_flood_the_store() -> None:
    decoded = decode([{"ts": 1, "values": {}}] * 1000)

    assert len(decoded.rejected) == MOST_REJECTED + 1
    assert decoded.rejected[-1].reason == "980 more elements like those before"


def test_an_unknown_machine_is_rejected_with_the_known_ones() -> None:
    assert reason(decode({"values": {}}, "ellerholm/pm9/scan")) == 'unknown machine "pm9": mill.toml names pm2'


def test_a_topic_of_no_source_is_rejected() -> None:
    assert reason(decode({"values": {}}, "ellerholm/pm2/scans")) == "topic matches no [[source]]"


@pytest.mark.parametrize(
    "topic",
    [
        "ellerholm/pm2/runnability/state",
        "ellerholm/pm2/runnability/break",
        "ellerholm/pm2/runnability",
        "ellerholm/pm2/note/receipt",
        "ellerholm/collector/health",
        "ellerholm/collector/scan",
    ],
)
def test_the_collectors_own_messages_coming_back_are_nothing(topic: str) -> None:
    assert decode(b"anything", topic) == Decoded(ours=True)


def test_the_decoder_subscribes_to_every_source_and_to_what_people_say() -> None:
    assert DECODER.subscriptions == (
        "ellerholm/+/scan",
        "ellerholm/+/tag/+",
        "gateway/out",
        "ellerholm/+/note",
        "ellerholm/+/clothing",
        "ellerholm/+/lab",
        "ellerholm/+/order",
    )


def test_a_scan_carries_the_index_of_its_source_in_the_file() -> None:
    mill = mills.readable_mill(
        ('topic = "ellerholm/{machine}/scan"', 'topic = "x"\nmachine = "pm2"'),
        ('tag/{tag}"\nformat = "value"', 'all"\nformat = "scan"'),
    )

    (one,) = Decoder(mill).decode(message({"values": {}}, "ellerholm/pm2/all")).scans

    assert one.source == 1


TOPICS = (
    "ellerholm/pm2/scan",
    "ellerholm/pm2/tag/reel.speed",
    "gateway/out",
    "ellerholm/pm2/note",
    "ellerholm/pm2/clothing",
    "ellerholm/pm2/lab",
    "ellerholm/pm2/order",
)
KEYS = ["ts", "values", "value", "quality", "note_id", "kind", "withdraws", "downtime", "started", "position"]
KEYS += ["installed", "test", "sampled", "order_id", "grade", "asset", "name", "timestamp"]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just("2026-03-01T02:03:04Z"),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.text(max_size=3) | st.sampled_from(KEYS),
            inner,
            max_size=5,
        )
    ),
    max_leaves=12,
)


@given(st.sampled_from(TOPICS) | st.text(max_size=30), st.binary(max_size=60), st.booleans())
@example("ellerholm/pm2/scan", b"[" * 990 + b"]" * 990, False)
@example("ellerholm/pm2/tag/reel.speed", b"9" * 5000, False)
def test_any_bytes_decode_or_are_rejected(topic: str, payload: bytes, retained: bool) -> None:
    decoded = decode(payload, topic, retained=retained)

    assert all(one.reason and "\n" not in one.reason for one in decoded.rejected)


@given(st.sampled_from(TOPICS), JSON)
def test_any_json_decodes_or_is_rejected(topic: str, body: Any) -> None:
    decoded = decode(json.dumps(body), topic)

    assert decoded.scans or decoded.context or decoded.rejected or body == []
    assert all(type(value) in (float, bool, str, type(None)) for one in decoded.scans for value in one.values.values())


@given(
    st.lists(
        st.dictionaries(
            st.text(min_size=1, max_size=8).filter(lambda name: name.isprintable()),
            st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
            max_size=4,
        ),
        min_size=1,
        max_size=5,
    ),
    st.data(),
)
def test_a_bad_element_changes_nothing_of_the_good_ones(values: list[dict[str, Any]], data: st.DataObject) -> None:
    """The fast way for whole messages and the slow way for spoilt ones agree."""
    good = [{"ts": SENT_MS + index, "values": one} for index, one in enumerate(values)]
    spoilt: list[object] = list(good)
    spoilt.insert(
        data.draw(st.integers(0, len(good))), data.draw(st.sampled_from([7, None, {"values": 3}, {"ts": []}]))
    )

    assert decode(spoilt).scans == decode(good).scans
    assert len(decode(spoilt).rejected) == 1


TAGS = ["reel.speed", "a", "b", "order.grade", "c", "sheet.press"]


def learnt() -> Decoder:
    """A decoder that has seen scans of ``TAGS`` often enough to know them."""
    decoder = Decoder(mills.readable_mill())
    for _ in range(5):
        decoder.decode(message(json.dumps({"ts": SENT_MS, "values": dict.fromkeys(TAGS, 1)}), "ellerholm/pm2/scan"))
    return decoder


def test_scans_of_tags_that_are_known_become_rows_that_say_the_same() -> None:
    values = {"c": None, "a": 2, "order.grade": "C80", "b": 3.5, "sheet.press": True, "reel.speed": 812.4}

    (one,) = learnt().decode(message(json.dumps({"ts": SENT_MS, "values": values}), "ellerholm/pm2/scan")).scans

    assert isinstance(one.values, Row)
    assert one == scan(values)
    assert [type(one.values[tag]) for tag in TAGS] == [float, float, float, str, type(None), bool]


_scalar = st.one_of(
    st.none(), st.booleans(), st.floats(allow_nan=False), st.integers(), st.text(max_size=5), st.just("x" * 1001)
)
_known = st.fixed_dictionaries(dict.fromkeys(TAGS, _scalar))
_values = st.one_of(
    _known, _known, _known, st.dictionaries(st.sampled_from([*TAGS, "d", "\x00", "é"]), st.one_of(_scalar, st.just([])))
)
_part = st.one_of(
    st.builds(lambda values, ts: {"ts": ts, "values": values}, _values, st.sampled_from([SENT_MS, None, "yesterday"])),
    st.builds(lambda values: {"values": values, "more": 1}, _values),
    _scalar,
)


@given(st.lists(st.one_of(_part, _part, st.lists(_part, max_size=3)), max_size=8))
@example([{"values": dict.fromkeys(TAGS, 1)}] * 3 + [{"values": {"d": 1}}] * 4 + [{"values": dict.fromkeys(TAGS, 2)}])
def test_what_a_decoder_remembers_changes_nothing(payloads: list[object]) -> None:
    remembering = learnt()
    for payload in payloads:
        one = message(json.dumps(payload), "ellerholm/pm2/scan")

        assert remembering.decode(one) == Decoder(mills.readable_mill()).decode(one)


@pytest.mark.parametrize(
    "payload",
    [
        '{"ts": %d, "values": {"a": 1, "a": 2, "b": 3, "c": 4, "reel.speed": 5, "order.grade": 6, "sheet.press": 7}}',
        '{"ts": %d, "values": {"\\u0061": 1, "b": 3, "c": 4, "reel.speed": 5, "order.grade": 6, "sheet.press": 7}}',
        '{"ts": %d, "ts": 5, "values": {"a": 1, "b": 3, "c": 4, "reel.speed": 5, "order.grade": 6, "sheet.press": 7}}',
        '{"ts": %d, "values": {"a": 1e999, "b": 3, "c": 4, "reel.speed": 5, "order.grade": 6, "sheet.press": 7}}',
        '{"ts": %d, "values": {"a": NaN, "b": 3, "c": 4, "reel.speed": 5, "order.grade": 6, "sheet.press": 7}}',
    ],
)
def test_oddly_written_scans_are_read_as_if_nothing_were_remembered(payload: str) -> None:
    one = message(payload % SENT_MS, "ellerholm/pm2/scan")

    assert learnt().decode(one) == Decoder(mills.readable_mill()).decode(one)


def test_a_source_time_may_be_ahead_of_its_receipt_by_max_ahead_s() -> None:
    told = [
        Decoder(mills.readable_mill()).decode(message({"ts": mills.RECEIVED_MS + ahead_ms, "values": {"a": 1}}))
        for ahead_ms in (300_000, 300_001)
    ]

    assert [(len(one.scans), len(one.rejected)) for one in told] == [(1, 0), (0, 1)]


def test_a_topic_that_changes_its_tags_again_and_again_is_understood_all_the_same() -> None:
    decoder = Decoder(mills.readable_mill())

    for number in range(200):
        values = {f"tag{number // 7}.{place}": float(number) for place in range(5)}
        decoded = decoder.decode(message(json.dumps({"ts": SENT_MS, "values": values}), "ellerholm/pm2/scan"))

        assert decoded == Decoded(scans=[scan(values)])


_NAME = st.text(st.one_of(st.characters(codec="utf-8"), st.sampled_from('"\\/.')), max_size=6)


@given(st.lists(_NAME, min_size=4, max_size=6, unique=True))
@example(["\\\\historian\\FI-101", "a", "b", "c"])
@example(['roll "3"', "a", "b", "c"])
def test_whatever_tags_are_called_their_scans_are_understood_time_and_again(names: list[str]) -> None:
    decoder = Decoder(mills.readable_mill())
    one = message(json.dumps({"ts": SENT_MS, "values": dict.fromkeys(names, 1)}), "ellerholm/pm2/scan")

    for _ in range(5):
        assert decoder.decode(one) == Decoder(mills.readable_mill()).decode(one)


def test_only_so_many_names_are_remembered_as_rows() -> None:
    names = TagNames()

    kept = [names.row(tuple(f"{number}.{place}" for place in range(30_000))) for number in range(4)]

    assert [one is not None for one in kept] == [True, True, True, False]
    kept.clear()
    assert names.row(("a",)) is not None
