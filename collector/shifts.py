"""Which crew had which shift when: the mill's rota laid on the calendar, days of 23 and 25 hours included."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from collector.settings import Shifts

_MS = timedelta(milliseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRow:
    """One shift. It belongs to the local day on which it starts.

    started_ms, ended_ms
        From the start until just before the end, which is the start of the next shift. [ms]
    """

    shift_date: date
    shift: str
    crew: str
    started_ms: int
    ended_ms: int


def shift_rows(shifts: Shifts, zone: ZoneInfo, from_ms: int, to_ms: int) -> list[ShiftRow]:
    """The shifts that touch the time from ``from_ms`` to ``to_ms``, whole ones, without overlap.

    Without gap too, but for shifts that an override takes off. The pattern goes on beneath overrides: after them each
    crew has the shifts that it would have had. A start that the clocks skip in spring falls on the moment at which they
    are put forward; one that comes twice in autumn counts the first time. Before ``anchor`` the pattern runs backwards.
    """
    first_day = datetime.fromtimestamp(from_ms / 1000, zone).date() - timedelta(days=2)
    last_day = datetime.fromtimestamp(to_ms / 1000, zone).date() + timedelta(days=2)
    rows = [
        ShiftRow(shift_date=day, shift=shift, crew=crew, started_ms=started_ms, ended_ms=ended_ms)
        for (day, shift, crew, started_ms), (*_, ended_ms) in pairwise(_starts(shifts, zone, first_day, last_day))
        if started_ms < ended_ms and crew is not None
    ]
    return [row for row in rows if row.ended_ms > from_ms and row.started_ms <= to_ms]


def _starts(shifts: Shifts, zone: ZoneInfo, first: date, last: date) -> Iterator[tuple[date, str, str | None, int]]:
    """Day, name, crew and start of every shift in turn; crew None where an override takes it off."""
    for ordinal in range(first.toordinal(), last.toordinal() + 1):
        day = date.fromordinal(ordinal)
        rota = shifts.rota_on(day)
        for number, (start, name) in enumerate(zip(rota.starts, rota.names, strict=True)):
            turn = (day - rota.anchor).days * len(rota.starts) + number
            crew = _crew(shifts, day, name, rota.pattern[turn % len(rota.pattern)])
            yield day, name, crew, _instant_ms(day, start, zone)


def _crew(shifts: Shifts, day: date, shift: str, by_pattern: str) -> str | None:
    for override in shifts.overrides:
        if override.holds(day, shift):
            return None if override.off else override.crew
    return by_pattern


def _instant_ms(day: date, start: time, zone: ZoneInfo) -> int:
    """When a clock on the wall first shows this time or, if it never does, a later one. [ms]"""
    shown = datetime.combine(day, start, zone)
    instant = shown.astimezone(UTC)
    if instant.astimezone(zone).replace(tzinfo=None) != shown.replace(tzinfo=None):
        instant = _put_forward(shown, zone)
    return (instant - _EPOCH) // _MS


def _put_forward(skipped: datetime, zone: ZoneInfo) -> datetime:
    """The moment at which the clocks were put forward over a time that they therefore never showed.

    Read with the offset before the change a skipped time lies after that moment, with the one after it before.
    """
    before = skipped.replace(fold=1).astimezone(UTC)
    after = skipped.replace(fold=0).astimezone(UTC)
    old_offset = before.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) / 2
        if middle.astimezone(zone).utcoffset() == old_offset:
            before = middle
        else:
            after = middle
    return after.replace(microsecond=0)
