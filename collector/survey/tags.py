"""What each tag did while it was listened to. One small record a tag, whatever it sends."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from collector.message import Scan, Value

MOST_TEXTS = 12
MOST_EDGES = 400
"""Changes of a tag of two values that are remembered with their time."""

MOST_TAGS = 50_000


@dataclass(slots=True)
class TagRecord:
    """One tag of one machine.

    texts
        The first texts that it had.
    edges
        For a tag that is true or false (or 1 and 0): when it became what. [ms]
    most_ahead_ms
        Greatest of source time less receipt: how far the sender's clock is ahead, its least delay included. [ms]
    until_ms
        Newest source time of the whole machine: what a tag said last holds until then. [ms]
    """

    machine: str
    name: str
    source: int
    heard: int = 0
    bad: int = 0
    numbers: int = 0
    truths: int = 0
    low: float = math.inf
    high: float = -math.inf
    total: float = 0.0
    changes: int = 0
    texts: dict[str, int] = field(default_factory=dict)
    edges: list[tuple[int, bool]] = field(default_factory=list)
    last: Value = None
    first_ms: int = 0
    last_ms: int = 0
    until_ms: int = 0
    most_ahead_ms: int | None = None

    def hear(self, value: Value, at_ms: int, ahead_ms: int | None) -> None:
        """Take in one value."""
        if not self.heard:
            self.first_ms = at_ms
        self.heard += 1
        self.last_ms = max(self.last_ms, at_ms)
        if ahead_ms is not None:
            self.most_ahead_ms = ahead_ms if self.most_ahead_ms is None else max(self.most_ahead_ms, ahead_ms)
        if value is None:
            self.bad += 1
            return
        self._value(value, at_ms)
        if self.last is not None and value != self.last:
            self.changes += 1
        self.last = value

    def _value(self, value: float | bool | str, at_ms: int) -> None:
        if isinstance(value, str):
            if value in self.texts or len(self.texts) < MOST_TEXTS:
                self.texts[value] = self.texts.get(value, 0) + 1
            return
        self.numbers += 1
        self.truths += isinstance(value, bool)
        self.low, self.high = min(self.low, value), max(self.high, value)
        self.total += value
        if value in (0, 1) and value != self.last and len(self.edges) < MOST_EDGES:
            self.edges.append((at_ms, bool(value)))

    @property
    def is_truth(self) -> bool:
        """Whether it is a truth, or a number that was never anything but 0 and 1."""
        return self.numbers > 0 and not self.texts and (self.truths == self.numbers or self._is_bit)

    @property
    def _is_bit(self) -> bool:
        return self.low >= 0 and self.high <= 1 and self.changes + 1 == len(self.edges)

    @property
    def is_number(self) -> bool:
        """Whether it is a number that may have any value."""
        return self.numbers > 0 and not self.texts and not self.is_truth

    @property
    def is_text(self) -> bool:
        """Whether it is a text."""
        return bool(self.texts) and not self.numbers

    @property
    def mean(self) -> float:
        """Mean of its numbers."""
        return self.total / self.numbers if self.numbers else math.nan

    @property
    def share_true(self) -> float:
        """Of a truth, how much of the time it was true; it holds until the next. 0 to 1"""
        ends_ms = [at_ms for at_ms, _ in self.edges[1:]] + [max(self.until_ms, self.last_ms)]
        spans = [(end_ms - at_ms, value) for (at_ms, value), end_ms in zip(self.edges, ends_ms, strict=True)]
        whole_ms = sum(span_ms for span_ms, _ in spans)
        return sum(span_ms for span_ms, value in spans if value) / whole_ms if whole_ms else self.mean

    @property
    def every_s(self) -> float | None:
        """Mean time between its values; None for fewer than two. [s]"""
        return (self.last_ms - self.first_ms) / 1000 / (self.heard - 1) if self.heard > 1 else None

    def changed(self) -> Iterator[tuple[int, bool, float]]:
        """When a truth became what, and how long it stayed so: for ever, the last time. [ms]"""
        times = [float(at_ms) for at_ms, _ in self.edges[1:]]
        stays = [after - at for at, after in zip(times, [*times[1:], math.inf], strict=True)] if times else []
        return ((at_ms, value, stay) for (at_ms, value), stay in zip(self.edges[1:], stays, strict=True))

    def flickers(self, shorter_than_ms: int) -> int:
        """How often a truth changed and changed back within less than that."""
        return sum(stay < shorter_than_ms for _, _, stay in self.changed())


class Tags:
    """All tags that were heard."""

    def __init__(self) -> None:
        """None heard yet."""
        self.heard: dict[tuple[str, str], TagRecord] = {}
        self.left_out = 0

    def take(self, scan: Scan) -> None:
        """Hear one scan."""
        ahead_ms = None if scan.flags else scan.at_ms - scan.heard_ms
        for name, value in scan.values.items():
            record = self.heard.get((scan.machine, name))
            if record is None:
                if len(self.heard) >= MOST_TAGS:
                    self.left_out += 1
                    continue
                record = self.heard[scan.machine, name] = TagRecord(scan.machine, name, scan.source)
            record.hear(value, scan.at_ms, ahead_ms)

    def of(self, machine: str) -> list[TagRecord]:
        """The tags of one machine, by name."""
        records = sorted((one for one in self.heard.values() if one.machine == machine), key=lambda one: one.name)
        until_ms = max((record.last_ms for record in records), default=0)
        for record in records:
            record.until_ms = until_ms
        return records
