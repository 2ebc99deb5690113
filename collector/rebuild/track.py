"""Lets the tracker see all stored scans of a machine once more, in order of time, and gathers what it finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from collector import sheet
from collector.fact import Produced
from collector.message import Scan
from collector.rebuild.rules_then import Period
from collector.rebuild.samples import days_of, late_values, scans_of_day, sources_of, span_of
from collector.sheet import Rules, Sheet
from collector.store import Store
from collector.writer.counts import Days
from collector.writer.fact_rows import FactRows


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a rebuild has read."""

    machine: str
    days: int
    of_days: int
    scans: int

    def __str__(self) -> str:
        """In a few words."""
        return f"{self.machine}: day {self.days} of {self.of_days}, {self.scans} scans"


@dataclass(slots=True, kw_only=True)
class Found:
    """What the tracker finds in all of a machine's samples.

    rows
        Its rows, by table.
    state, under_way
        The tracker's state after the last of them, and what has been made since its last row.
    scans, late
        How many scans were read, and role values that had come late.
    first_ms, last_ms
        Source times that were read; None without samples.
    """

    rows: FactRows = field(default_factory=FactRows)
    state: bytes = b""
    under_way: Produced | None = None
    scans: int = 0
    late: int = 0
    first_ms: int | None = None
    last_ms: int | None = None


def track(
    store: Store, periods: list[Period], days: Days, *, left: Sheet | None, tell: Callable[[Progress], None]
) -> Found:
    """Track a machine from its oldest sample to its newest.

    periods
        The rules and when they hold, oldest first.
    left
        The tracker's state as the collector left it, if it can be read: it says how far the scans were in order.
    """
    rules, found = periods[-1].rules, Found()
    roles = frozenset(tag for _, tag in rules.parts)
    sources, span = sources_of(store, rules.machine, roles), span_of(store, rules.machine)
    walker = _Walker(periods, found, days)
    if span is not None:
        found.first_ms, found.last_ms = span.first_us // 1000, span.last_us // 1000
        heard_ms = _heard_until(left, found.last_ms)
        every = days_of(span)
        for number, day in enumerate(every, start=1):
            found.late += late_values(store, sources, day)
            for scan in scans_of_day(store, rules, sources, day, heard_at_most_ms=heard_ms):
                walker.take(scan)
            tell(Progress(machine=rules.machine, days=number, of_days=len(every), scans=found.scans))
    walker.end(left)
    return found


def _heard_until(left: Sheet | None, last_ms: int) -> int:
    if left is None or left.gathered.newest_ms is None:
        return last_ms
    return left.gathered.newest_ms


class _Walker:
    """The tracker at work, by the rules of each time."""

    def __init__(self, periods: list[Period], found: Found, days: Days) -> None:
        self._to_come = periods[1:]
        self._rules: Rules = periods[0].rules
        self._sheet = sheet.fresh(len(self._rules.detectors))
        self._found, self._days = found, days

    def take(self, scan: Scan) -> None:
        found = self._found
        found.scans += 1
        while self._to_come and scan.at_ms >= self._to_come[0].from_ms:
            self._rules = self._to_come.pop(0).rules
        facts = sheet.advance(self._rules, self._sheet, (scan,))
        if facts:
            found.rows.take(facts, self._days.of)

    def end(self, left: Sheet | None) -> None:
        """Leave the state as the collector would have: what waited for order then waits now."""
        if self._to_come:
            self._rules = self._to_come[-1].rules
        rules, state, found = self._rules, self._sheet, self._found
        if left is not None:
            heard_ms = left.gathered.newest_ms
            newest_ms = state.gathered.newest_ms
            state.gathered.sources |= left.gathered.sources
            if heard_ms is not None and newest_ms is not None and newest_ms < heard_ms:
                source = sheet.heard_last(left)
                last = Scan(rules.machine, heard_ms, {}, source, heard_ms)
                found.rows.take(sheet.advance(rules, state, (last,)), self._days.of)
            if not left.gathered.waiting:
                found.rows.take(sheet.flush(rules, state), self._days.of)
        found.state = sheet.pack(state)
        found.under_way = sheet.under_way(rules, state)
