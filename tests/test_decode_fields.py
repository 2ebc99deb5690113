"""The fields format: any JSON, read by JSON Pointers."""

from __future__ import annotations

from typing import Any

import pytest

from collector.decode import Decoder
from collector.decode.fields import Absent, find
from collector.message import Decoded, Flag, Scan, Value
from tests import mills
from tests.mills import SENT_MS, message, reason

DECODER = Decoder(mills.readable_mill())
SOURCE = 2

RFC_6901_DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901_DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901_section_5(pointer: str, value: object) -> None:
    assert find(RFC_6901_DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/bar", "/bar", "/a~1b/c"])
def test_a_pointer_to_nothing_finds_nothing(pointer: str) -> None:
    with pytest.raises(Absent):
        find(RFC_6901_DOCUMENT, pointer)


def test_a_tilde_is_unescaped_last() -> None:
    """RFC 6901, section 4: "~01" becomes "~1", never "/"."""
    assert find({"~1": 1, "/": 2}, "/~01") == 1


def decode(body: dict[str, Any] | bytes, **changes: Any) -> Decoded:
    if isinstance(body, dict):
        body = {"asset": "pm2", "name": "reel.speed", "timestamp": SENT_MS, "value": 812} | body
    return DECODER.decode(message(body, "gateway/out", **changes))


def scan(value: float | None, at_ms: int = SENT_MS, flags: int = 0) -> Scan:
    return Scan("pm2", at_ms, {"reel.speed": value}, SOURCE, mills.RECEIVED_MS, flags)


def test_the_value_is_found_where_mill_toml_says() -> None:
    decoded = decode({"quality": "GOOD"})

    assert decoded == Decoded(scans=[scan(812.0)])
    assert isinstance(decoded.scans[0].values["reel.speed"], float)


@pytest.mark.parametrize("value", ["C80", "812", None, True, 812.5])
def test_a_text_a_truth_a_null_and_a_fraction_stay_what_they_are(value: Value) -> None:
    (one,) = decode({"value": value}).scans

    found = one.values["reel.speed"]
    assert (found, type(found)) == (value, type(value))


@pytest.mark.parametrize("quality", ["Bad", 0, True, 192.5, []])
def test_a_quality_that_is_not_listed_leaves_a_flagged_null(quality: object) -> None:
    assert decode({"quality": quality}) == Decoded(scans=[scan(None, flags=Flag.BAD_QUALITY)])


@pytest.mark.parametrize(("listed", "sent"), [("true", 1), ("1", True), ("0", False)])
def test_a_truth_is_no_number_where_qualities_are_listed(listed: str, sent: object) -> None:
    mill = mills.readable_mill(('quality = "/quality"', f'quality = "/quality"\ngood_qualities = [{listed}]'))
    body = {"asset": "pm2", "name": "reel.speed", "timestamp": SENT_MS, "value": 812, "quality": sent}

    decoded = Decoder(mill).decode(message(body, "gateway/out"))

    assert decoded.scans == [scan(None, flags=Flag.BAD_QUALITY)]


def test_a_message_without_the_time_is_timed_on_arrival() -> None:
    assert decode({"timestamp": None}).scans == [scan(812.0, mills.RECEIVED_MS, Flag.TIMED_ON_ARRIVAL)]


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"asset": "pm9"}, 'unknown machine "pm9"'),
        ({"asset": 4.5}, "machine at /asset must be a text, not a number"),
        ({"name": ""}, "is empty"),
        ({"name": None}, "tag at /name must be a text, not null"),
        ({"timestamp": True}, "time at /timestamp must be a number or a text"),
        ({"timestamp": "2026-03-01T02:03:04"}, "has no offset"),
        ({"value": {}}, "not an object"),
    ],
)
def test_what_is_found_but_cannot_be_used_is_rejected_with_the_reason(changed: dict[str, Any], expected: str) -> None:
    assert expected in reason(decode(changed))


@pytest.mark.parametrize(
    ("payload", "expected"),
    [(b"[]", "has no machine at /asset"), (b"{", "is not JSON"), (b'{"asset": "pm2", "name": "x"}', "has no value at")],
)
def test_what_is_not_there_is_rejected_with_the_place(payload: bytes, expected: str) -> None:
    assert expected in reason(decode(payload))


def test_topic_and_keys_may_name_what_the_message_does_not() -> None:
    mill = mills.readable_mill(
        ('topic = "gateway/out"', 'topic = "gateway/{tag}"'),
        ('machine = "/asset"\ntag = "/name"', 'machine = "pm2"'),
        ('value = "/value"', 'value = ""'),
        ('time = "/timestamp"\n', ""),
        ('quality = "/quality"', ""),
    )

    decoded = Decoder(mill).decode(message(b"812", "gateway/reel.speed"))

    assert decoded.scans == [scan(812.0, mills.RECEIVED_MS, Flag.TIMED_ON_ARRIVAL)]
