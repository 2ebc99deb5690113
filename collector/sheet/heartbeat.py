"""A source that is silent for longer than it may be: the values it brought turn bad, until it is heard again.

Only a mill that says how often a source sends (``heartbeat_s``) lets its silence be told from having nothing to say.
Scans come here closed, in order of time; what is added is nulls and values, for all rules that follow to judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from collector.message import Scan, Value
from collector.sheet.rules import Rules
from collector.sheet.state import ClosedScan, Watch


def note(rules: Rules, watch: Watch, scan: Scan, roles: Iterable[str]) -> None:
    """Remember of a scan that waits who was heard with it, and with which roles."""
    if rules.heartbeats:
        watch.voices.setdefault(scan.at_ms, set()).add(scan.source)
        watch.brought.setdefault(scan.at_ms, {}).update(dict.fromkeys(roles, scan.source))


def watched(rules: Rules, watch: Watch, scan: ClosedScan, *, before_ms: int | None) -> list[ClosedScan]:
    """The next closed scan with the values that turn bad, or hold again, at its time; before it, those of silences.

    before_ms
        Time of the closed scan before it; None if it is the first. [ms]
    """
    if not rules.heartbeats:
        return [_unwatched(watch, scan)]
    heard, brought = watch.voices.pop(scan.at_ms, set()), watch.brought.pop(scan.at_ms, {})
    bad: dict[int, dict[str, Value]] = {}
    for source, from_ms in _fell_silent(rules, watch, scan, heard, before_ms):
        watch.silent.add(source)
        bad.setdefault(from_ms, {}).update(dict.fromkeys(_roles_of({source}, watch)))
    back = watch.silent & heard | watch.silent - rules.heartbeats.keys()
    values = bad.pop(scan.at_ms, {}) | {role: watch.last[role] for role in _roles_of(back, watch)} | scan.values
    watch.silent -= back
    watch.owner |= brought
    watch.last |= {role: scan.values[role] for role in brought}
    watch.heard_ms |= dict.fromkeys(heard, scan.at_ms)
    return [*(ClosedScan(at_ms, bad[at_ms]) for at_ms in sorted(bad)), ClosedScan(scan.at_ms, values, scan.after_gap)]


def _fell_silent(
    rules: Rules, watch: Watch, scan: ClosedScan, heard: set[int], before_ms: int | None
) -> Iterator[tuple[int, int]]:
    """Sources whose time has run out by a scan, and from when on their values are bad: never from within a gap. [ms]"""
    for source, beat_ms in rules.heartbeats.items():
        if source in watch.silent or source not in watch.heard_ms:
            continue
        due_ms = watch.heard_ms[source] + beat_ms
        if due_ms > scan.at_ms:
            continue
        if scan.after_gap is not None or before_ms is None or due_ms <= before_ms:
            due_ms = scan.at_ms
        if due_ms < scan.at_ms or source not in heard:
            yield source, due_ms


def _roles_of(sources: set[int], watch: Watch) -> list[str]:
    return [role for role, owner in watch.owner.items() if owner in sources]


def _unwatched(watch: Watch, scan: ClosedScan) -> ClosedScan:
    """The scan for a mill that says of no source how often it sends: what a silence had made bad before holds again."""
    if not (watch.owner or watch.heard_ms or watch.voices):
        return scan
    values = {role: watch.last[role] for role in _roles_of(watch.silent, watch)} | scan.values
    for remembered in (watch.voices, watch.brought, watch.heard_ms, watch.owner, watch.last, watch.silent):
        remembered.clear()
    return ClosedScan(scan.at_ms, values, scan.after_gap)
