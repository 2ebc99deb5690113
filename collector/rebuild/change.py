"""What differs between two readings of a machine's downtimes, and which new one answers to which old one. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

Row = Mapping[str, object]

NEAREST_MS = 10 * 60_000
"""A downtime without overlap is taken for one that starts no further away than this."""

FOREVER = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One downtime: its id and its time, ``ended_ms`` in the far future while it is open. [ms]"""

    downtime_id: str
    started_ms: int
    ended_ms: int

    def overlap_ms(self, other: Span) -> int:
        """How long both last together."""
        return min(self.ended_ms, other.ended_ms) - max(self.started_ms, other.started_ms)


@dataclass(slots=True, kw_only=True)
class Change:
    """How the downtimes differ, by their ids.

    moved
        Earlier id to the id that it has now.
    changed
        Same id, but something else differs: each such column with its value before and after.
    added, removed
        New ones that answer to no earlier one, and earlier ones to which none answers.
    merged
        New id to the earlier ones that it covers, where they are several; split: the other way round.
    """

    moved: dict[str, str] = field(default_factory=dict)
    changed: dict[str, dict[str, tuple[object, object]]] = field(default_factory=dict)
    added: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    merged: dict[str, list[str]] = field(default_factory=dict)
    split: dict[str, list[str]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Whether anything differs."""
        return any((self.moved, self.changed, self.added, self.removed))


def compare(before: Sequence[Row], after: Sequence[Row]) -> Change:
    """Compare the downtimes of one machine before and after a rebuild, each in order of time."""
    old, new = {str(row["downtime_id"]): row for row in before}, {str(row["downtime_id"]): row for row in after}
    old_spans, new_spans = spans(before), spans(after)
    kept = {name: differences(old[name], new[name]) for name in old if name in new}
    change = Change(changed={name: found for name, found in kept.items() if found})
    overlapping = overlaps(old_spans, new_spans)
    for span in old_spans:
        if span.downtime_id not in new:
            answer = _answer(span, overlapping[span.downtime_id], new_spans)
            if answer is None:
                change.removed.append(span.downtime_id)
            else:
                change.moved[span.downtime_id] = answer
    taken = {*old, *change.moved.values()}
    change.added = [span.downtime_id for span in new_spans if span.downtime_id not in taken]
    change.split = {name: [one.downtime_id for one in many] for name, many in overlapping.items() if len(many) > 1}
    backwards = overlaps(new_spans, old_spans)
    change.merged = {name: [one.downtime_id for one in many] for name, many in backwards.items() if len(many) > 1}
    return change


def differences(before: Row, after: Row) -> dict[str, tuple[object, object]]:
    """The columns in which two rows differ, with both values."""
    return {name: (before[name], after[name]) for name in before if before[name] != after[name]}


def spans(rows: Iterable[Row]) -> list[Span]:
    """The time of each downtime, in order."""
    found = []
    for row in rows:
        started, ended = row["started_at"], row.get("ended_at")
        if not isinstance(started, int):
            raise TypeError(f"a downtime without a start: {row}")
        end = ended if isinstance(ended, int) else FOREVER
        found.append(Span(downtime_id=str(row["downtime_id"]), started_ms=started, ended_ms=end))
    return sorted(found, key=lambda span: span.started_ms)


def overlaps(some: Sequence[Span], others: Sequence[Span]) -> dict[str, list[Span]]:
    """Of each downtime those of the other reading that share time with it. Within a reading none overlap."""
    found: dict[str, list[Span]] = {}
    first = 0
    for span in some:
        while first < len(others) and others[first].ended_ms <= span.started_ms:
            first += 1
        last = first
        while last < len(others) and others[last].started_ms < span.ended_ms:
            last += 1
        found[span.downtime_id] = list(others[first:last])
    return found


def _answer(span: Span, overlapping: Sequence[Span], others: Sequence[Span]) -> str | None:
    """The largest overlap; else the nearest start within ten minutes; else none."""
    if overlapping:
        return max(overlapping, key=span.overlap_ms).downtime_id
    return nearest(span.started_ms, others)


def nearest(started_ms: int, others: Sequence[Span]) -> str | None:
    """The downtime that starts nearest to a time, ten minutes from it at most."""
    near = min(others, key=lambda other: abs(other.started_ms - started_ms), default=None)
    if near is None or abs(near.started_ms - started_ms) > NEAREST_MS:
        return None
    return near.downtime_id


def aliases_after(aliases: Mapping[str, str], moved: Mapping[str, str], now: Iterable[str]) -> dict[str, str]:
    """All earlier ids of a machine with what they are now. An id that is in use again is nobody's earlier one.

    An alias of a downtime that is gone stays as it is: should it come back, its notes are with it again.
    """
    present = set(now)
    every = {old: moved.get(name, name) for old, name in aliases.items()} | dict(moved)
    return {old: name for old, name in every.items() if old not in present}
