"""The value format: one tag's value."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from collector.decode import Decoder
from collector.message import Decoded, Flag, Scan
from tests import mills
from tests.mills import SENT_MS, message, reason

DECODER = Decoder(mills.readable_mill())


def decode(payload: bytes | str | object, tag: str = "reel.speed", **more: Any) -> Decoded:
    return DECODER.decode(message(payload, f"ellerholm/pm2/tag/{tag}", **more))


def scan(value: object, at_ms: int = SENT_MS, **more: Any) -> Scan:
    return replace(Scan("pm2", at_ms, {"reel.speed": value}, 1, mills.RECEIVED_MS), **more)  # type: ignore[dict-item]


@pytest.mark.parametrize(
    ("payload", "value"), [(b"812.4", 812.4), (b"812", 812.0), (b"true", True), (b'"C80"', "C80"), (b"null", None)]
)
def test_a_bare_scalar_is_a_value_timed_on_arrival(payload: bytes, value: object) -> None:
    assert decode(payload) == Decoded(scans=[scan(value, mills.RECEIVED_MS, flags=Flag.TIMED_ON_ARRIVAL)])


def test_a_value_with_its_time() -> None:
    assert decode({"ts": SENT_MS, "value": 812.4}) == Decoded(scans=[scan(812.4)])


def test_a_list_of_values_of_one_tag() -> None:
    decoded = decode([{"ts": SENT_MS, "value": 1}, {"ts": SENT_MS + 1, "value": 2}])

    assert decoded.scans == [scan(1.0), scan(2.0, SENT_MS + 1)]


@pytest.mark.parametrize("quality", ["good", "Good", "GOOD", 192, 192.0, None])
def test_a_good_or_unstated_quality_leaves_the_value(quality: object) -> None:
    assert decode({"ts": SENT_MS, "value": 812.4, "quality": quality}).scans == [scan(812.4)]


@pytest.mark.parametrize("quality", ["bad", "uncertain", "", 0, 64, 193, True, [], {}])
def test_any_other_quality_leaves_a_flagged_null(quality: object) -> None:
    decoded = decode({"ts": SENT_MS, "value": 812.4, "quality": quality})

    assert decoded == Decoded(scans=[scan(None, flags=Flag.BAD_QUALITY)])


def test_a_null_is_a_bad_value_whatever_its_quality() -> None:
    assert decode({"ts": SENT_MS, "value": None, "quality": "good"}).scans == [scan(None)]


def test_a_retained_bare_scalar_only_sets_the_initial_state() -> None:
    (one,) = decode(b"812.4", retained=True).scans

    assert one.initial


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"C80", "is not JSON"),
        (b"NaN", "send null for a bad value"),
        (b'{"ts": 1772330584500}', 'has no "value"'),
        (b'{"value": [1]}', "must be a number, true, false, a text or null, not a list"),
        (b'{"value": 1, "ts": []}', '"ts" must be a number or a text or null, not a list'),
        (b'"' + b"x" * 1001 + b'"', "is a text of 1001 characters: 1000 at most"),
        (b"1" + b"0" * 400, "is a number out of range"),
        (b"[1, 2]", "element 0: must be an object, not a number"),
    ],
)
def test_what_is_no_value_is_rejected_with_the_reason(payload: bytes, expected: str) -> None:
    decoded = decode(payload)

    assert decoded.scans == []
    assert expected in decoded.rejected[0].reason


def test_the_good_values_of_a_list_are_kept() -> None:
    decoded = decode([{"ts": SENT_MS, "value": 1}, {"ts": SENT_MS}, {"ts": SENT_MS, "value": {}}])

    assert decoded.scans == [scan(1.0)]
    assert [one.reason.partition(":")[0] for one in decoded.rejected] == ["element 1", "element 2"]


def test_a_topic_whose_tag_cannot_be_called_so_is_rejected() -> None:
    assert reason(decode(b"1", "x" * 201)).endswith("is too long")
    assert reason(decode(b"1", "")) == 'tag name "" is empty'


def test_a_topic_may_leave_the_tag_to_mill_toml() -> None:
    mill = mills.readable_mill(
        ('"ellerholm/{machine}/tag/{tag}"', '"gateway/speed"\nmachine = "pm2"\ntag = "reel.speed"')
    )

    decoded = Decoder(mill).decode(message({"ts": SENT_MS, "value": 812.4}, "gateway/speed"))

    assert decoded.scans == [scan(812.4)]
