"""What people write for a time (``yesterday``, ``2026-03-01 06:00``, ``last night``) as instants, or why it is none."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from analysis.history import ShiftSpan

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_LOCAL = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2}(?::\d{2})?)")
_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})")
_DAYS_AGO = {"today": 0, "yesterday": 1}
_FORMS = "a date (2026-03-01), a time (2026-03-01 06:00), today or yesterday"


class NoSuchTime(ValueError):
    """What was written is not one moment; the message says what to write instead."""


class NothingThen(Exception):
    """What was written is clear, but nothing is known of that time; the message says of which there are data."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """From one instant up to, not including, another; never empty. [ms since 1970-01-01 UTC]"""

    from_ms: int
    to_ms: int
    name: str = ""
    """What people call it, where it has a name (``night shift of 2026-03-01, crew B``)."""

    def __post_init__(self) -> None:
        """Refuse an empty or backward period."""
        if self.to_ms <= self.from_ms:
            raise NoSuchTime("the period ends before it begins; swap --from and --to")

    @property
    def length_ms(self) -> int:
        """How long it is. [ms]"""
        return self.to_ms - self.from_ms

    def clipped_ms(self, started_ms: int, ended_ms: int) -> int:
        """How much of a stretch lies inside. [ms]"""
        return max(0, min(ended_ms, self.to_ms) - max(started_ms, self.from_ms))

    def holds(self, at_ms: int) -> bool:
        """Whether an instant lies inside."""
        return self.from_ms <= at_ms < self.to_ms


def local(at_ms: int, zone: ZoneInfo) -> datetime:
    """Mill-local time of an instant."""
    return datetime.fromtimestamp(at_ms / 1000, zone)


def say(at_ms: int, zone: ZoneInfo) -> str:
    """An instant for people, mill-local to the minute; with the offset where that local time occurs twice."""
    when = local(at_ms, zone)
    twice = when.utcoffset() != when.replace(fold=1 - when.fold).utcoffset()
    return when.strftime("%Y-%m-%d %H:%M") + (f" ({_offset(when)})" if twice else "")


def say_period(period: Period, zone: ZoneInfo) -> str:
    """A period for people, mill-local."""
    return f"{say(period.from_ms, zone)} to {say(period.to_ms, zone)}"


def day_start_ms(day: date, zone: ZoneInfo) -> int:
    """First moment of a mill-local day. [ms]

    Where clocks skip midnight this is the moment of the jump; where they repeat it, the first of the two.
    """
    return _ms(datetime.combine(day, time(), zone))


def instant_ms(text: str, zone: ZoneInfo, *, now_ms: int, end: bool = False) -> int:
    """The instant that was written. [ms]

    now_ms
        What ``today`` refers to: the newest data, so that a figure never depends on the wall clock. [ms]
    end
        True for the end of a period: a date then stands for the end of that day, so that ``--to 2026-03-07``
        includes the 7th.

    Raises
    ------
    NoSuchTime
        For anything that is not one moment, with what to write instead: also for a local time that clocks skip or
        repeat when daylight saving begins or ends.
    """
    word = text.strip()
    if word == "now":
        return now_ms
    if (day := _day(word, local(now_ms, zone).date())) is not None:
        return day_start_ms(day + timedelta(days=1) if end else day, zone)
    if _OFFSET.fullmatch(word):
        return _ms(_iso(word))
    if _LOCAL.fullmatch(word):
        return _ms(_one_moment(_iso(word), zone))
    raise NoSuchTime(f"cannot read the time {text!r}; write {_FORMS}")


def period_of(from_text: str | None, to_text: str | None, zone: ZoneInfo, *, first_ms: int, now_ms: int) -> Period:
    """The period between two written times; without them it begins with the first data and ends with the newest."""
    from_ms = first_ms if from_text is None else instant_ms(from_text, zone, now_ms=now_ms)
    to_ms = now_ms if to_text is None else instant_ms(to_text, zone, now_ms=now_ms, end=True)
    if from_text is None and to_ms <= from_ms:
        raise NothingThen(f"nothing is known up to {say(to_ms, zone)}; the data begin at {say(from_ms, zone)}")
    if from_ms >= now_ms:
        raise NothingThen(f"nothing is known from {say(from_ms, zone)} on; the newest data are of {say(now_ms, zone)}")
    return Period(from_ms=from_ms, to_ms=to_ms)


def until_horizon(period: Period, horizon_ms: int) -> Period:
    """The part of a period of which something can be known: figures end at the newest data."""
    if period.to_ms <= horizon_ms:
        return period
    if period.from_ms >= horizon_ms:
        raise NothingThen(f"the {period.name or 'period'} begins after the newest data")
    return Period(from_ms=period.from_ms, to_ms=horizon_ms, name=period.name)


def shift_of(text: str, shifts: Sequence[ShiftSpan], zone: ZoneInfo, *, now_ms: int) -> ShiftSpan:
    """The shift that was written: ``last``, ``current``, ``last night`` or ``2026-03-01 night``.

    ``last`` is the newest that has ended at ``now_ms``; ``night`` stands for any shift name of the mill.
    """
    if not shifts:
        raise NothingThen("the store holds no shifts; give mill.toml a [shifts] table, or use --from and --to")
    word, _, rest = text.strip().partition(" ")
    names = sorted({s.shift for s in shifts})
    name = rest.strip()
    if name and name not in names:
        raise NoSuchTime(f"there is no shift {name!r}; this mill has {', '.join(names)}")
    if word == "current" and not name:
        found = [s for s in shifts if s.started_ms <= now_ms < s.ended_ms]
    elif word == "last":
        found = [s for s in shifts if s.ended_ms <= now_ms and name in ("", s.shift)]
    elif name and (day := _day(word, local(now_ms, zone).date())) is not None:
        found = [s for s in shifts if s.shift_date == day and s.shift == name and s.started_ms < now_ms]
    else:
        raise NoSuchTime(
            f"cannot read the shift {text!r}; write last, current, 'last {names[0]}' or '2026-03-01 {names[0]}'"
        )
    if not found:
        begun = max((s for s in shifts if s.started_ms < now_ms), key=lambda s: s.started_ms, default=None)
        other = "" if begun is None else f"; the newest is '{begun.shift_date} {begun.shift}', or write current"
        raise NothingThen(f"no shift {text!r} up to the newest data of {say(now_ms, zone)}{other}")
    return max(found, key=lambda s: s.started_ms)


def shift_period(shift: ShiftSpan) -> Period:
    """The period of one shift, with its name."""
    name = f"{shift.shift} shift of {shift.shift_date}, crew {shift.crew}"
    return Period(from_ms=shift.started_ms, to_ms=shift.ended_ms, name=name)


def _ms(when: datetime) -> int:
    return (when.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def _day(word: str, today: date) -> date | None:
    if word in _DAYS_AGO:
        return today - timedelta(days=_DAYS_AGO[word])
    return _iso(word).date() if _DATE.fullmatch(word) else None


def _iso(word: str) -> datetime:
    try:
        found = datetime.fromisoformat(word)
    except ValueError as error:
        raise NoSuchTime(f"cannot read the time {word!r}: {error}; write {_FORMS}") from error
    if found.year in (MINYEAR, MAXYEAR):
        # The same moment elsewhere, or the day after, may lie beyond the calendar.
        raise NoSuchTime(f"cannot read the time {word!r}: no mill has such a year; write {_FORMS}")
    return found


def _one_moment(naive: datetime, zone: ZoneInfo) -> datetime:
    first, second = naive.replace(tzinfo=zone), naive.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    there_and_back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    stamp = naive.strftime("%Y-%m-%dT%H:%M")
    if there_and_back == naive:
        raise NoSuchTime(
            f"{naive:%H:%M} occurs twice on {naive:%Y-%m-%d} in {zone.key}, as clocks go back; "
            f"write {stamp}{_offset(first)} or {stamp}{_offset(second)}"
        )
    raise NoSuchTime(
        f"{naive:%H:%M} does not occur on {naive:%Y-%m-%d} in {zone.key}, as clocks go forward; "
        f"write {there_and_back:%Y-%m-%dT%H:%M}"
    )


def _offset(when: datetime) -> str:
    text = when.strftime("%z")
    return f"{text[:3]}:{text[3:5]}"
