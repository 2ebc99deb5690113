"""The only place that decides what a break is. Pure: no clock, thread, file, socket or print; time comes with scans.

The rules are written out in ``collector/TRACKING.md``. Flow: scan → ``gather`` (time order, gaps) → ``steady``
(debounce, quality) → ``walk`` (sheet lost, threaded, back) → facts. Everything undecided is in the ``Sheet``.
"""

from __future__ import annotations

from collections.abc import Iterable

from collector.fact import Fact, Produced, State
from collector.message import Scan
from collector.sheet import making
from collector.sheet.gather import flush as flush_gathered
from collector.sheet.gather import gather
from collector.sheet.rules import TRANSITIONS, Detector, Event, Phase, Rules
from collector.sheet.state import ClosedScan, Sheet, UnreadableState, fresh, pack, unpack
from collector.sheet.steady import known_until, steady
from collector.sheet.walk import walk

__all__ = [
    "TRANSITIONS",
    "Detector",
    "Event",
    "Phase",
    "Rules",
    "Sheet",
    "UnreadableState",
    "advance",
    "flush",
    "fresh",
    "heard_last",
    "outlook",
    "pack",
    "step",
    "under_way",
    "unpack",
]


def step(rules: Rules, sheet: Sheet, scan: Scan) -> tuple[Sheet, list[Fact]]:
    """The state and the facts after one more scan; the state given is left as it is."""
    after = unpack(pack(sheet), detectors=len(rules.detectors))
    return after, advance(rules, after, [scan])


def advance(rules: Rules, sheet: Sheet, scans: Iterable[Scan]) -> list[Fact]:
    """Take many scans in order of arrival into ``sheet`` itself; give the facts, the same however scans are batched."""
    facts: list[Fact] = []
    for scan in scans:
        for closed in gather(rules, sheet.gathered, scan, facts):
            _settle(rules, sheet, closed, facts)
    return facts


def flush(rules: Rules, sheet: Sheet) -> list[Fact]:
    """Nothing more will come (the end of a ``load``): empty the reorder buffer. What is undecided stays so."""
    facts: list[Fact] = []
    for closed in flush_gathered(rules, sheet.gathered):
        _settle(rules, sheet, closed, facts)
    return facts


def _settle(rules: Rules, sheet: Sheet, closed: ClosedScan, facts: list[Fact]) -> None:
    sheet.steadied.undecided.append(closed)
    sheet.ahead.extend(steady(rules, sheet.steadied, facts))
    sheet.known_until_ms = known_until(sheet.steadied, closed.at_ms)
    walk(rules, sheet, facts)


def heard_last(sheet: Sheet) -> int:
    """The source that was heard with the newest scan, as far as sources are watched; else any that brings roles."""
    watch = sheet.gathered.watch
    waiting = ((at_ms, source) for at_ms, sources in watch.voices.items() for source in sources)
    heard = [*((at_ms, source) for source, at_ms in watch.heard_ms.items()), *waiting]
    return max(heard)[1] if heard else min(sheet.gathered.sources, default=0)


def under_way(rules: Rules, sheet: Sheet) -> Produced | None:
    """What has been made on the reel since the last cut and is not in a fact yet; None if nothing."""
    return making.under_way(rules, sheet.making, sheet.values)


def outlook(rules: Rules, sheet: Sheet, now_ms: int) -> tuple[State, list[Fact]]:
    """The provisional state at ``now_ms`` and the facts that would lead to it: for showing live, never for rows."""
    guess = unpack(pack(sheet), detectors=len(rules.detectors))  # A hundred times as fast as a deep copy.
    facts: list[Fact] = []
    for closed in flush_gathered(rules, guess.gathered):
        _settle(rules, guess, closed, facts)
    last_ms = guess.gathered.last_closed_ms
    if last_ms is None or (0 < rules.stale_after_ms < now_ms - last_ms):
        return State.NO_DATA, facts
    walk(rules, guess, facts, hasty=True)
    return guess.state or State.NO_DATA, facts
