"""Source times: RFC 3339 with an offset, or Unix milliseconds."""

from __future__ import annotations

from calendar import timegm
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.decode.instant import EARLIEST_MS, instant_ms, plausible
from collector.decode.unusable import Unusable


def utc_ms(*parts: int, ms: int = 0) -> int:
    """By the standard library's calendar arithmetic, which shares nothing with the code under test."""
    return timegm((*parts, 0, 0, 0)) * 1000 + ms


@pytest.mark.parametrize(
    ("text", "expected_ms"),
    [
        ("1985-04-12T23:20:50.52Z", utc_ms(1985, 4, 12, 23, 20, 50, ms=520)),
        ("1996-12-19T16:39:57-08:00", utc_ms(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", utc_ms(1991, 1, 1, 0, 0, 0)),
        ("1990-12-31T15:59:60-08:00", utc_ms(1991, 1, 1, 0, 0, 0)),
        ("1937-01-01T12:00:27.87+00:20", utc_ms(1937, 1, 1, 11, 40, 27, ms=870)),
    ],
)
def test_the_examples_of_rfc_3339_section_5_8(text: str, expected_ms: int) -> None:
    """Texts and meaning are the RFC's, from memory. Unix time has no leap seconds: 23:59:60 counts as 00:00:00."""
    assert instant_ms(text) == expected_ms


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("2026-03-01T02:03:04.5Z", 500),
        ("2026-03-01t02:03:04.5z", 500),
        ("2026-03-01 02:03:04.500Z", 500),
        ("2026-03-01T04:03:04.500+02:00", 500),
        ("2026-03-01T02:03:04.123456789Z", 123),
        ("2026-03-01T02:03:04.999999999Z", 999),
        ("2026-03-01T02:03:04-00:00", 0),
    ],
)
def test_fractions_are_cut_off_at_the_millisecond_and_offsets_are_taken_off(text: str, ms: int) -> None:
    assert instant_ms(text) == utc_ms(2026, 3, 1, 2, 3, 4, ms=ms)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-03-01T02:03:04", "has no offset"),
        ("2026-03-01 02:03", "has no offset"),
        ("2026-03-01", "is not RFC 3339"),
        ("20260301T020304Z", "is not RFC 3339"),
        ("2026-03-01T02:03Z", "is not RFC 3339"),
        ("2026-03-01T02:03:04,5Z", "is not RFC 3339"),
        ("2026-03-01T02:03:04+0200", "is not RFC 3339"),
        ("2026-03-01T24:00:00Z", "is not RFC 3339"),
        ("2026-03-01T02:03:04+24:00", "is not RFC 3339"),
        ("2026-03-01T02:03:61Z", "is not RFC 3339"),
        ("２０２６-03-01T02:03:04Z", "is not RFC 3339"),
        ("2026-02-29T02:03:04Z", "does not exist"),
        ("0000-01-01T00:00:00Z", "does not exist"),
        ("2026-03-01T12:00:60Z", "does not exist"),
        ("1772330584500", "without quotes"),
        ("", "is not RFC 3339"),
        ("yesterday", "is not RFC 3339"),
    ],
)
def test_any_other_text_is_refused_with_what_to_send(text: str, reason: str) -> None:
    with pytest.raises(Unusable, match=reason):
        instant_ms(text)


def test_unix_milliseconds_are_taken_as_they_are_and_cut_off() -> None:
    assert instant_ms(1_772_330_584_500) == 1_772_330_584_500
    assert instant_ms(1_772_330_584_500.9) == 1_772_330_584_500


@given(
    st.datetimes(min_value=datetime(1, 1, 2), max_value=datetime(9999, 12, 30)),
    st.integers(-23 * 60 - 59, 23 * 60 + 59),
)
def test_every_moment_is_read_back(moment: datetime, offset_min: int) -> None:
    text = moment.replace(tzinfo=timezone(timedelta(minutes=offset_min))).isoformat()

    read = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=instant_ms(text))

    assert read == datetime.fromisoformat(text) - timedelta(microseconds=moment.microsecond % 1000)


@given(st.text() | st.from_regex(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d*)?(Z|[+-]\d\d:\d\d)?", fullmatch=True))
def test_any_text_is_a_time_or_refused(text: str) -> None:
    try:
        read = instant_ms(text)
    except Unusable as error:
        reason = str(error)
        assert "\n" not in reason
    else:
        assert isinstance(read, int)


def test_a_time_may_be_ahead_of_receipt_by_as_much_as_the_mill_allows() -> None:
    assert plausible(EARLIEST_MS + 300_000, received_ms=EARLIEST_MS, max_ahead_ms=300_000) == EARLIEST_MS + 300_000

    with pytest.raises(Unusable, match="300 s ahead of receipt"):
        plausible(EARLIEST_MS + 300_001, received_ms=EARLIEST_MS, max_ahead_ms=300_000)


def test_a_time_before_1990_is_refused() -> None:
    with pytest.raises(Unusable, match="before 1990"):
        plausible(EARLIEST_MS - 1, received_ms=EARLIEST_MS, max_ahead_ms=0)


def test_unix_seconds_are_recognised_and_named() -> None:
    with pytest.raises(Unusable, match="looks like Unix seconds"):
        plausible(1_772_330_584, received_ms=1_772_330_590_000, max_ahead_ms=300_000)
