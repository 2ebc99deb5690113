"""From values to scans: puts what came in any order within ``reorder_s`` into source-time order, once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from collector.fact import Fact, LateValue
from collector.message import Row, Scan, Value
from collector.sheet.heartbeat import note, watched
from collector.sheet.rules import Rules
from collector.sheet.state import ClosedScan, Gathered

_NUMBERS = {"speed", "basis_weight"}
_TEXTS = {"grade", "shade", "reel"}


_PLAIN: dict[str, type] = dict.fromkeys(_NUMBERS, float) | dict.fromkeys(_TEXTS, str)
"""The type of values that a role takes as they are; of all others, truths."""

_ABSENT = cast("Value", object())


def clean(role: str, value: Value) -> Value:
    """The value as its role needs it: a number, a text or a truth; None (bad) if it is of another kind."""
    if value is None:
        return None
    if role in _NUMBERS:
        return None if isinstance(value, (bool, str)) else float(value)
    if role in _TEXTS:
        return value if isinstance(value, str) else None if isinstance(value, bool) else f"{value:.15g}"
    if isinstance(value, str):
        return None
    return value > 0 if role == "reel_witness" else bool(value)


def _roles(rules: Rules, values: Mapping[str, Value]) -> dict[str, Value]:
    """The cleaned values of the roles that a scan brings."""
    roles: dict[str, Value] = {}
    if isinstance(values, Row):
        cells = values.cells
        for role, place in rules.places(values.names):
            value = cells[place]
            roles[role] = value if type(value) is _PLAIN.get(role, bool) else clean(role, value)
        return roles
    for role, tag in rules.parts:
        value = values.get(tag, _ABSENT)
        if value is not _ABSENT:
            roles[role] = value if type(value) is _PLAIN.get(role, bool) else clean(role, value)
    return roles


def gather(rules: Rules, gathered: Gathered, scan: Scan, facts: list[Fact]) -> list[ClosedScan]:
    """Take in one decoded scan; give the scans that it closes, oldest first. Late role values become facts."""
    values, roles = scan.values, _roles(rules, scan.values)
    if scan.initial:
        for role, value in roles.items():
            if role not in gathered.heard:
                gathered.initial.setdefault(role, value)
        return []
    if roles:
        gathered.sources.add(scan.source)
        gathered.heard.update(roles)
    elif scan.source not in gathered.sources:
        return []
    if _is_late(rules, gathered, scan.at_ms):
        late = dict.fromkeys(tag for _, tag in rules.parts if tag in values)
        facts.extend(LateValue(machine=rules.machine, tag=tag, at_ms=scan.at_ms) for tag in late)
    else:
        gathered.waiting.setdefault(scan.at_ms, {}).update(roles)
        note(rules, gathered.watch, scan, roles)
        if scan.heard_before_ms is not None:
            gathered.heard_before[scan.at_ms] = scan.heard_before_ms
    heard_ms = min(scan.at_ms, scan.heard_ms)
    if gathered.newest_ms is None or heard_ms > gathered.newest_ms:
        gathered.newest_ms = heard_ms
    return _close(rules, gathered, gathered.newest_ms - rules.reorder_ms)


def flush(rules: Rules, gathered: Gathered) -> list[ClosedScan]:
    """Close everything that waits: nothing more will come (the end of a ``load``)."""
    return _close(rules, gathered, max(gathered.waiting, default=0) + 1)


def _is_late(rules: Rules, gathered: Gathered, at_ms: int) -> bool:
    if gathered.newest_ms is not None and at_ms < gathered.newest_ms - rules.reorder_ms:
        return True
    return gathered.last_closed_ms is not None and at_ms <= gathered.last_closed_ms


def _heard_before(gathered: Gathered, at_ms: int) -> int | None:
    """The last time before a scan at which the machine was heard. [ms]"""
    left_out_ms, closed_ms = gathered.heard_before.pop(at_ms, None), gathered.last_closed_ms
    if left_out_ms is None or closed_ms is None:
        return closed_ms
    return max(left_out_ms, closed_ms)


def _close(rules: Rules, gathered: Gathered, watermark_ms: int) -> list[ClosedScan]:
    closed: list[ClosedScan] = []
    for at_ms in sorted(at_ms for at_ms in gathered.waiting if at_ms < watermark_ms):
        before_ms = _heard_before(gathered, at_ms)
        silent = before_ms is not None and 0 < rules.stale_after_ms < at_ms - before_ms
        values = gathered.waiting.pop(at_ms)
        if gathered.initial:
            values = gathered.initial | values
            gathered.heard.update(gathered.initial)
            gathered.initial = {}
        scan = ClosedScan(at_ms, values, before_ms if silent else None)
        closed.extend(watched(rules, gathered.watch, scan, before_ms=gathered.last_closed_ms))
        gathered.last_closed_ms = at_ms
    return closed
