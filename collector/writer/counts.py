"""Counts what came, by machine and mill-local day of receipt."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb
import numpy as np

from collector.block import Block
from collector.message import Scan
from collector.writer.rows import insert

NO_MACHINE = ""

_COLUMNS = (
    "machine", "day", "configuration_id", "first_scan_ms", "last_scan_ms", "messages", "scans", "samples", "repeated",
    "replaced", "late", "out_of_range", "bad", "rejected",
)  # fmt: skip


class Days:
    """Mill-local days. Remembers the last one asked for: nearly every time of a batch lies in it."""

    def __init__(self, zone: ZoneInfo) -> None:
        """Days by the mill's clock."""
        self._zone = zone
        self._day = date.min
        self._starts_ms = self._ends_ms = 0

    def of(self, at_ms: int) -> date:
        """The mill-local day of an instant."""
        if not self._starts_ms <= at_ms < self._ends_ms:
            self._day = datetime.fromtimestamp(at_ms / 1000, self._zone).date()
            self._starts_ms, self._ends_ms = self.bounds(self._day)
        return self._day

    def bounds(self, day: date) -> tuple[int, int]:
        """Where a mill-local day begins and ends. [ms]"""
        return self._midnight(day), self._midnight(day + timedelta(days=1))

    def _midnight(self, day: date) -> int:
        return int(datetime(day.year, day.month, day.day, tzinfo=self._zone).timestamp() * 1000)

    def split(self, scans: Sequence[Scan]) -> Iterator[tuple[date, Sequence[Scan]]]:
        """The scans by day of receipt, in order of arrival; nearly always all of one."""
        start, day = 0, None
        for place, scan in enumerate(scans):
            if day is None or not self._starts_ms <= scan.heard_ms < self._ends_ms:
                now = self.of(scan.heard_ms)
                if day is not None and now != day:
                    yield day, scans[start:place]
                    start = place
                day = now
        if day is not None:
            yield day, scans[start:] if start else scans

    def split_block(self, block: Block) -> Iterator[tuple[date, Block]]:
        """A block by the day of its own times."""
        start = 0
        while start < len(block):
            day = self.of(int(block.at_ms[start]))
            end = int(np.searchsorted(block.at_ms, self._ends_ms))
            yield day, block if end - start == len(block) else block.some(slice(start, end))
            start = end


@dataclass(slots=True)
class Count:
    """What a batch adds for one machine and day; times in ms."""

    messages: int = 0
    scans: int = 0
    new: int = 0
    repeated: int = 0
    replaced: int = 0
    late: int = 0
    out_of_range: int = 0
    bad: int = 0
    rejected: int = 0
    first_ms: int | None = None
    last_ms: int | None = None


class Counts:
    """The counts of one batch."""

    def __init__(self) -> None:
        """Nothing counted yet."""
        self._by_key: defaultdict[tuple[str, date], Count] = defaultdict(Count)

    def of(self, machine: str, day: date) -> Count:
        """The count of a machine and day, to add to."""
        return self._by_key[machine, day]

    def of_day(self, day: date) -> Count:
        """The count of a day, for what belongs to no machine: any that is there, so that few rows are written."""
        for (_, counted), count in self._by_key.items():
            if counted == day:
                return count
        return self.of(NO_MACHINE, day)

    def all(self) -> list[Count]:
        """Every count of the batch."""
        return list(self._by_key.values())

    def add_scans(self, scans: Sequence[Scan], day: date) -> None:
        """Count scans, and the span of their source times."""
        times: defaultdict[str, list[int]] = defaultdict(list)
        for scan in scans:
            times[scan.machine].append(scan.at_ms)
        for machine, at_ms in times.items():
            self._add(self.of(machine, day), len(at_ms), min(at_ms), max(at_ms))

    def add_block(self, block: Block, day: date) -> None:
        """Count a block's moments as scans, and the span of its times."""
        owner = np.array([machine for machine, _ in block.tags])
        for machine in np.unique(owner).tolist():
            at_ms = np.unique(block.at_ms[(owner == machine)[block.tag_no]])
            if len(at_ms):
                self._add(self.of(machine, day), len(at_ms), int(at_ms[0]), int(at_ms[-1]))

    @staticmethod
    def _add(count: Count, scans: int, first_ms: int, last_ms: int) -> None:
        count.scans += scans
        count.first_ms = first_ms if count.first_ms is None else min(count.first_ms, first_ms)
        count.last_ms = last_ms if count.last_ms is None else max(count.last_ms, last_ms)

    def write(self, connection: duckdb.DuckDBPyConnection, configuration_id: int) -> None:
        """Add them to the counts in the store."""
        rows = [
            (
                machine, day, configuration_id, count.first_ms, count.last_ms, count.messages, count.scans, count.new,
                count.repeated, count.replaced, count.late, count.out_of_range, count.bad, count.rejected,
            )
            for (machine, day), count in self._by_key.items()
        ]  # fmt: skip
        insert(connection, "message_count", _COLUMNS, rows)
