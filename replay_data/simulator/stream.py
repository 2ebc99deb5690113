"""Days of messages from the demo mill, with the truth beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from replay_data.simulator.gateway import Sent
from replay_data.simulator.line import Line
from replay_data.simulator.mishaps import PLANS, forced
from replay_data.simulator.rota import ZONE
from replay_data.simulator.truth import TruthRow, TruthWriter
from replay_data.simulator.upkeep import DAY_MS, HOUR_MS

DEFAULT_START = datetime(2026, 2, 2, tzinfo=ZONE)
"""A Monday; sixty days from here cross the change to summer time."""


@dataclass(frozen=True, slots=True)
class Day:
    """Twenty-four hours of the mill.

    date
        The mill's date at their middle.
    messages
        Receipt [ms since 1970-01-01 UTC, never falling], topic, payload.
    truth
        What truly happened: rows of several tables, each with its ``table``.
    """

    date: date
    messages: list[Sent]
    truth: list[TruthRow]


def simulate(
    *,
    days: int,
    seed: int,
    start: datetime | None = None,
    machines: Iterable[str] = ("pm2",),
    mishaps: bool = True,
) -> Iterator[Day]:
    """Simulate the mill day by day.

    days
        How many; the first ones are the same however many follow, but for the break that is open at the end.
    seed
        Same arguments, same bytes. Every machine has its own history.
    start
        Time-zone aware; default 2026-02-02 at the mill's midnight.
    mishaps
        Whether messages get lost, late or broken, eyes blind, notes orphaned, and the machine trips.
    """
    begin = DEFAULT_START if start is None else start
    start_ms = round(begin.astimezone(UTC).timestamp() * 1000)
    lines = [
        Line.of(
            name,
            seed=seed,
            start_ms=start_ms,
            end_ms=start_ms + days * DAY_MS,
            forced=forced(name, seed=seed, start_ms=start_ms, days=days) if mishaps else [],
            plans=PLANS if mishaps else None,
        )
        for name in machines
    ]
    latest_ms = 0
    for number in range(days):
        parts = [line.day() for line in lines]
        messages = sorted((sent for sent_today, _ in parts for sent in sent_today), key=lambda sent: sent[0])
        ordered = []
        for received_ms, topic, payload in messages:
            latest_ms = max(latest_ms, received_ms)
            ordered.append((latest_ms, topic, payload))
        middle_ms = start_ms + number * DAY_MS + 12 * HOUR_MS
        local = datetime.fromtimestamp(middle_ms / 1000, ZONE).date()
        yield Day(local, ordered, [row for _, rows in parts for row in rows])


def write_truth(path: Path, days: Iterable[Day | list[TruthRow]]) -> None:
    """Write the truth of some days as JSON Lines, compressed if the name ends in ``.gz``."""
    with TruthWriter(path) as truth:
        for day in days:
            truth.write(day.truth if isinstance(day, Day) else day)
