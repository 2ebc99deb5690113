"""Stretches of a day in which the sheet runs and nothing happens: room for mishaps that must not touch a loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from replay_data.simulator.record import DayRecord

if TYPE_CHECKING:
    from numpy.random import Generator

BEFORE_MS, AFTER_MS = 300_000, 300_000
APART_MS = 180_000
TRIES = 30


@dataclass(slots=True)
class Calm:
    """What is left of the day's calm. ``busy``: moments at which some signal changed. [ms]"""

    rng: Generator
    stretches: list[tuple[int, int]]
    busy: list[int]

    @classmethod
    def of(cls, rng: Generator, day: DayRecord, back_ms: int, end_ms: int) -> Calm:
        """The calm of a day until ``end_ms``; ``back_ms``: end of the downtime before its first one. [ms]"""
        stretches, from_ms = [], max(day.frame.start_ms + AFTER_MS, back_ms + AFTER_MS)
        end_ms = min(end_ms, day.frame.end_ms) - BEFORE_MS
        for down in day.downtimes:
            stretches.append((from_ms, min(end_ms, down.started_ms - BEFORE_MS)))
            from_ms = down.back_ms + AFTER_MS
        stretches.append((from_ms, end_ms))
        return cls(rng, [(a, b) for a, b in stretches if a < b], [change.at_ms for change in day.changes])

    def left(self, least_ms: int) -> list[tuple[int, int]]:
        """The stretches that last at least so long."""
        return [(a, b) for a, b in self.stretches if b - a >= least_ms]

    def take(self, lasts_ms: int, *, without_change: bool = False) -> int | None:
        """A moment from which it stays calm for ``lasts_ms``, kept apart from what is taken later; None if none is."""
        for _ in range(TRIES):
            roomy = self.left(lasts_ms + 2 * APART_MS)
            if not roomy:
                return None
            a, b = roomy[int(self.rng.integers(len(roomy)))]
            from_ms = int(self.rng.integers(a + APART_MS, b - APART_MS - lasts_ms + 1))
            to_ms = from_ms + lasts_ms
            if without_change and any(from_ms - 15_000 <= ms <= to_ms + 15_000 for ms in self.busy):
                continue
            self.stretches.remove((a, b))
            self.stretches += [(a, from_ms - APART_MS), (to_ms + APART_MS, b)]
            self.stretches.sort()
            return from_ms
        return None
