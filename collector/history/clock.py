"""From times as people write them to instants: finds the format out, and knows when a clock shows an hour twice."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

DAY_MS = 86_400_000

UNIX_MS, UNIX_S = "unix-ms", "unix-s"

_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d-%b-%Y", "%d %b %Y",
    "%Y%m%d", "%d.%m.%y", "%d/%m/%y", "%m/%d/%y",
)  # fmt: skip
_TIMES = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H.%M.%S", "%H.%M")
_FRACTION = re.compile(r"(?<=:\d\d)[.,](\d{1,9})")
_OFFSET = re.compile(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)$", re.ASCII)
_WHOLE_HOURS = re.compile(r"(?<=[+-]\d\d)$", re.ASCII)
"""Behind an offset without minutes, which strptime does not know."""

_UNIX = (
    (UNIX_MS, re.compile(r"\d{13}", re.ASCII)),
    (UNIX_S, re.compile(r"\d{10}(?:[.,]\d+)?", re.ASCII)),
)
_UNIX_SHAPE = {UNIX_MS: re.compile(r"\d+", re.ASCII), UNIX_S: re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)}
_FIXED = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)
_YEAR = re.compile(r"%[YyGcx]")
_FIRST_YEAR, _LAST_YEAR = 1990, 2060


class TimeUnclear(ValueError):
    """The times can be read in no way, or in more than one: the text says what to give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeFormat:
    """How times are written.

    pattern
        In the letters of strptime, fractions of a second left out; or unix-ms, unix-s.
    is_local
        True for times without an offset: they need a time zone.
    """

    pattern: str
    is_local: bool


def format_of(texts: Sequence[str], given: str | None = None, *, may_be_date: bool = False) -> TimeFormat:
    """The one format that these times have. A few may be faulty: they are told of where they stand.

    may_be_date
        Whether days without a time of day will do, as of a clothing change.

    Raises
    ------
    TimeUnclear
        If there is none that fits half of them, or more than one that fits equally well.
    """
    if given is not None:
        if given not in _UNIX_SHAPE and not _YEAR.search(given):
            raise TimeUnclear(f'the format {given} has no year: times need one, as "%Y"')
        if not any(_fits(text, given) for text in texts):
            raise TimeUnclear(f'times such as "{texts[0]}" are not in the format {given}')
        return _time_format(given)
    candidates = {pattern for text in texts[:10] for pattern in _patterns(text, may_be_date)}
    fitting = Counter({pattern: sum(_fits(text, pattern) for text in texts) for pattern in candidates})
    most = max(fitting.values(), default=0)
    best = sorted(pattern for pattern, count in fitting.items() if count == most)
    if most * 2 < len(texts) or not most:
        raise TimeUnclear(f'times such as "{texts[0]}" cannot be read: give --time-format, as in "%d.%m.%Y %H:%M:%S"')
    if len(best) > 1:
        formats = " or ".join(f'"{pattern}"' for pattern in best)
        raise TimeUnclear(f'times such as "{texts[0]}" can be read in two ways: give --time-format {formats}')
    return _time_format(best[0])


def _time_format(pattern: str) -> TimeFormat:
    return TimeFormat(pattern=pattern, is_local="%z" not in pattern and pattern not in (UNIX_MS, UNIX_S))


def _patterns(text: str, may_be_date: bool) -> list[str]:
    if may_be_date and ":" not in text and " " not in text:
        return list(_DATES)
    if unix := [pattern for pattern, shape in _UNIX if shape.fullmatch(text)]:
        return unix
    between = "T" if "T" in text[8:12] else ", " if ", " in text else " "
    ends = ("%z", " %z") if has_offset(text) else ("",)
    return [f"{date}{between}{time}{end}" for date in _DATES for time in _TIMES for end in ends]


def _fits(text: str, pattern: str) -> bool:
    if shape := _UNIX_SHAPE.get(pattern):
        return shape.fullmatch(text) is not None
    try:
        datetime.strptime(_plain(text, pattern), pattern)
    except ValueError:
        return False
    return True


def _plain(text: str, pattern: str) -> str:
    """A time as strptime knows it: without a fraction of a second, its offset with minutes."""
    text = _FRACTION.sub("", text)
    return _WHOLE_HOURS.sub("00", text).replace("z", "Z") if pattern.endswith("%z") else text


def has_offset(text: str) -> bool:
    """Whether a time says how far its clock is from UTC."""
    return ":" in text and _OFFSET.search(text.strip()) is not None


def instant_of(text: str, form: TimeFormat, zone: tzinfo, ambiguous: str) -> int | str:
    """One time as an instant [ms since 1970]; or why not: "time", "twice" or "never" (see ``Ambiguous``)."""
    if not _fits(text, form.pattern):
        return "time"
    if form.pattern in (UNIX_MS, UNIX_S):
        return round(float(text.replace(",", ".")) * (1000 if form.pattern == UNIX_S else 1))
    fraction = _FRACTION.search(text)
    plain = _plain(text, form.pattern)
    read = datetime.strptime(plain, form.pattern)
    part_ms = int(float(f"0.{fraction[1]}") * 1000) if fraction else 0
    if read.tzinfo is not None:
        return round(read.timestamp()) * 1000 + part_ms
    earlier, later = (read.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if earlier.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != read:
        return "never"
    if earlier.utcoffset() != later.utcoffset() and ambiguous not in ("earlier", "later"):
        return "twice"
    return round((later if ambiguous == "later" else earlier).timestamp()) * 1000 + part_ms


def zone_of(name: str) -> tzinfo:
    """The time zone of that name, or of a fixed offset such as "+02:00".

    Raises
    ------
    TimeUnclear
        If there is none.
    """
    if fixed := _FIXED.fullmatch(name):
        minutes = int(fixed[2]) * 60 + int(fixed[3])
        return timezone(timedelta(minutes=minutes if fixed[1] == "+" else -minutes))
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise TimeUnclear(f'no such time zone "{name}": give an IANA name, or an offset such as "+02:00"') from None


@dataclass(frozen=True, slots=True)
class ZoneDay:
    """One local day of a clock. On most days ``before_ms`` and ``after_ms`` are equal, and there is no edge.

    day
        Days since 1970-01-01, local.
    before_ms, after_ms
        Offset from UTC before and after the clock is changed. [ms]
    edge_from_ms, edge_to_ms
        The local times that the clock shows twice or never, the second one not included. [ms since 1970, local]
    is_twice
        True for twice, False for never.
    """

    day: int
    before_ms: int
    after_ms: int
    edge_from_ms: int
    edge_to_ms: int
    is_twice: bool


@cache
def zone_days(zone: tzinfo) -> tuple[ZoneDay, ...]:
    """Every local day from 1990 to 2060, in order."""
    changes = list(_changes(zone))
    first = datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC)
    offset_ms = _offset_ms(zone, first)
    edges: dict[int, ZoneDay] = {}
    since: list[tuple[int, int]] = [(-1, offset_ms)]
    for at_ms, before_ms, after_ms in changes:
        low, high = sorted((at_ms + before_ms, at_ms + after_ms))
        for day in range(low // DAY_MS, (high - 1) // DAY_MS + 1):
            edges[day] = ZoneDay(day, before_ms, after_ms, low, high, after_ms < before_ms)
        since.append(((high - 1) // DAY_MS, after_ms))
    begin, end = _day(_FIRST_YEAR), _day(_LAST_YEAR)
    starts = [day for day, _ in since]
    days = []
    for day in range(begin, end):
        held_ms = since[bisect_left(starts, day) - 1][1]
        days.append(edges.get(day) or ZoneDay(day, held_ms, held_ms, 0, 0, False))
    return tuple(days)


def _changes(zone: tzinfo) -> Iterator[tuple[int, int, int]]:
    """Every change of the offset: when [ms], from what and to what. [ms]"""
    step = timedelta(days=7)
    at = datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC)
    while at.year < _LAST_YEAR:
        after = at + step
        if _offset_ms(zone, at) != _offset_ms(zone, after):
            low, high = at, after
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) // 2
                low, high = (middle, high) if _offset_ms(zone, middle) == _offset_ms(zone, at) else (low, middle)
            minute = int(high.timestamp() // 60) * 60_000
            yield minute, _offset_ms(zone, at), _offset_ms(zone, after)
        at = after


def _offset_ms(zone: tzinfo, at: datetime) -> int:
    offset = at.astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def _day(year: int) -> int:
    return (datetime(year, 1, 1, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days
