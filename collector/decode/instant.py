"""Source times as whole milliseconds: RFC 3339 with an offset, or Unix milliseconds. Nothing else is guessed at."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from collector.decode.unusable import Unusable, shown

EARLIEST_MS = 631_152_000_000
"""1990-01-01 UTC. No mill's history that anybody loads is older; a time before its clock was never set. [ms]"""

_SMALLER_UNIT = 10**15
"""Milliseconds reach this in the year 33658."""

_RFC3339 = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ](?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d{1,20})?"
    r"(?:[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)",
    re.ASCII,
)
_WITHOUT_OFFSET = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_DAY_MS = 86_400_000
_SECOND = slice(17, 19)


def instant_ms(value: float | str) -> int:
    """The moment that a message's time means; fractions of a millisecond are cut off. [ms since 1970-01-01 UTC]

    A leap second (``23:59:60Z``) is the first second of the next day, as in Unix time.

    Raises
    ------
    Unusable
        For a text that is not RFC 3339 with an offset.
    """
    if not isinstance(value, str):
        return int(value // 1)
    if not _RFC3339.fullmatch(value):
        raise Unusable(_why_not(value))
    if value[_SECOND] == "60":
        return _leap_second_ms(value)
    try:
        return (datetime.fromisoformat(value.upper()) - _EPOCH) // _MS
    except (ValueError, OverflowError):
        raise Unusable(f"time {shown(value)} does not exist") from None


def _leap_second_ms(value: str) -> int:
    """Leap seconds are put in at the end of a UTC day only."""
    before_ms = instant_ms(f"{value[: _SECOND.start]}59{value[_SECOND.stop :]}")
    if before_ms // 1000 * 1000 % _DAY_MS != _DAY_MS - 1000:
        raise Unusable(f"time {shown(value)} does not exist")
    return before_ms + 1000


def _why_not(value: str) -> str:
    if _WITHOUT_OFFSET.fullmatch(value):
        return f'time {shown(value)} has no offset: send it in UTC with a Z, or with an offset such as "+02:00"'
    if re.fullmatch(r"\d+", value, re.ASCII):
        return f"time {shown(value)} is a text: send Unix milliseconds as a number, without quotes"
    return f'time {shown(value)} is not RFC 3339: send "2026-03-01T02:03:04.500Z", or Unix milliseconds as a number'


def plausible(at_ms: int, *, received_ms: int, max_ahead_ms: int) -> int:
    """The same time, if a machine could have sent it at that time of receipt. [ms]

    Raises
    ------
    Unusable
        For a time before 1990, or further ahead of receipt than ``max_ahead_ms``.
    """
    if EARLIEST_MS <= at_ms <= received_ms + max_ahead_ms:
        return at_ms
    if at_ms >= _SMALLER_UNIT:
        raise Unusable("time is not in Unix milliseconds: send these, not micro- or nanoseconds")
    if at_ms > received_ms + max_ahead_ms:
        ahead_s = (at_ms - received_ms) / 1000
        raise Unusable(
            f"time is {ahead_s:,.0f} s ahead of receipt (max_ahead_s {max_ahead_ms / 1000:g}): set the clock"
        )
    if EARLIEST_MS <= at_ms * 1000 <= received_ms + max_ahead_ms:
        raise Unusable(f"time {at_ms} looks like Unix seconds: send milliseconds")
    raise Unusable("time is before 1990: set the sender's clock, or send Unix milliseconds")
