"""Holds what files of history say until all of it is understood, and gives it back in order of time.

On disk, in a database of its own that goes with the load: files may be larger than memory, sorted by tag, and overlap.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import numpy as np

from collector.block import Block, TagKey
from collector.decode.instant import EARLIEST_MS
from collector.decode.place import LONGEST_TAG
from collector.decode.value import LONGEST_TEXT
from collector.history.clock import ZoneDay, zone_days, zone_of
from collector.history.fault import HistoryFault
from collector.history.options import Ambiguous, HistoryOptions
from collector.history.source import Source, literal, source_of, time_of
from collector.history.wording import broken_row, fault_text, rejected_text, wrong_width
from collector.message import Flag, Rejected, Scan, Value
from collector.settings import Mill
from collector.store.schema import sql_text

FILE_SOURCE = -1
"""The source of scans that came from a file: like a ``[[source]]`` of its own, which carries role tags."""

MOST_FAULTS = 10
"""So many faults are told of one file; the others are likely to be the same."""

BAD_WORDS = ("", "null", "nan", "inf", "-inf", "bad", "n/a", "#n/a", "no data", "none", "-")
"""What historians write, in any case, for a value that they do not have. (common practice)"""

_AHEAD_MS = 86_400_000
_MEMORY = "512MB"
_BLOCK = 20_000
BLOCK_ROWS = 250_000
"""Samples given back, and committed, together; about."""

_OF_WIDTH = ("MISSING COLUMNS", "TOO MANY COLUMNS")
_TEXT_ROLES = {"grade", "shade", "reel"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What one file holds. Times are None of a file without a value."""

    values: int
    first_ms: int | None
    last_ms: int | None
    tags: tuple[tuple[str, str], ...]


class Spool:
    """A load's own database, gone when it is left."""

    def __init__(self, mill: Mill, options: HistoryOptions, *, now_ms: int) -> None:
        """Nothing is taken yet. Raises TimeUnclear for a time zone that does not exist."""
        self.zone_name = options.time_zone or mill.time_zone
        zone = zone_of(self.zone_name)
        self._options, self._mill, self._now_ms = options, mill, now_ms
        self._folder = tempfile.TemporaryDirectory(prefix="breakhorn-")
        self._connection = duckdb.connect(
            Path(self._folder.name) / "spool.duckdb",
            config={"memory_limit": _MEMORY, "temp_directory": f"{self._folder.name}/sorting"},
        )
        self._connection.execute("SET TimeZone = 'UTC'")
        self._connection.execute("BEGIN")
        self._connection.execute(sql_text("history/spool.sql"))
        self._sources: list[Source] = []
        self._tell_of_clock(zone_days(zone))
        self._tell_of_mill()
        self._connection.execute("COMMIT")

    def _tell_of_clock(self, days: Sequence[ZoneDay]) -> None:
        names = ("day", "before_ms", "after_ms", "edge_from_ms", "edge_to_ms", "is_twice")
        columns = {name: np.array([getattr(day, name) for day in days]) for name in names}
        self._connection.register("some_day", columns)
        self._connection.execute("INSERT INTO zone_day SELECT * FROM some_day")
        self._connection.unregister("some_day")

    def _tell_of_mill(self) -> None:
        for machine in self._mill.machines:
            self._connection.execute("INSERT INTO known_machine VALUES (?)", [machine.id])
            numbers = {tag.name for tag in machine.tags if {tag.unit, tag.low, tag.high} != {None}}
            numbers |= {tag for role, tag in machine.signals.items() if role not in _TEXT_ROLES}
            numbers |= {detector.tag for detector in machine.sheet_detectors}
            numbers -= {tag for role, tag in machine.signals.items() if role in _TEXT_ROLES}
            for tag in sorted(numbers):
                self._connection.execute("INSERT INTO number_tag VALUES (?, ?)", [machine.id, machine.name_sent(tag)])

    def __enter__(self) -> Self:
        """The spool itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take everything away."""
        self._connection.close()
        self._folder.cleanup()

    def take(self, path: Path) -> int:
        """Take in a whole file; give the number by which the spool knows it.

        Raises
        ------
        HistoryFault
            If its layout cannot be told, or it cannot be read to its end.
        """
        source = source_of(path, self._options)
        number = len(self._sources)
        self._sources.append(source)
        statement = sql_text("history/take.sql").format(
            file=number,
            cells=self._cells(source, number),
            is_local=source.time.is_local,
            ambiguous=self._options.ambiguous or "",
            decimal=source.decimal,
            bad_words=", ".join(literal(word) for word in BAD_WORDS),
            earliest_ms=EARLIEST_MS,
            latest_ms=self._now_ms + _AHEAD_MS,
            longest_tag=LONGEST_TAG,
            longest_text=LONGEST_TEXT,
        )
        try:
            self._connection.execute(statement)
        except duckdb.Error as error:
            raise HistoryFault(path, f"cannot be read to its end ({str(error).splitlines()[0]})") from error
        return number

    def source(self, number: int) -> Source:
        """What was understood of a file."""
        return self._sources[number]

    def _cells(self, source: Source, number: int) -> str:
        """SQL: the cells of a file as texts, one row each."""
        columns = source.columns
        table = source.table.replace("$rejects", literal(f"reject_{number}")).replace(
            "$scans", literal(f"scan_{number}")
        )
        machine = literal(self._machine(source)) if columns.machine is None else f"trim(c{columns.machine})"
        quality = "NULL::VARCHAR" if columns.quality is None else f"trim(c{columns.quality})"
        shared = f"{time_of(columns)} AS time_text, {machine} AS machine, {quality} AS quality"
        shared += f", {source.clock} AS clock_ms"
        if columns.tag is not None:
            tag, value = f"trim(c{columns.tag})", f"c{columns.value}"
            return f"SELECT record, {columns.value} AS place, {shared}, {tag} AS tag, {value} AS value FROM ({table})"  # noqa: S608
        cells = ", ".join(f"c{place}" for place in columns.tags)
        names = ", ".join(literal(name) for name in columns.names)
        place = "CAST(substr(cell_name, 2) AS INTEGER)"
        wide = f"SELECT record, {shared}, {cells} FROM ({table})"  # noqa: S608 - names of ours
        return (
            f"SELECT record, {place} AS place, time_text, machine, quality, clock_ms, "  # noqa: S608
            f"[{names}][{place} + 1] AS tag, value FROM (UNPIVOT ({wide}) ON {cells} INTO NAME cell_name VALUE value)"
        )

    def _machine(self, source: Source) -> str:
        machines = [machine.id for machine in self._mill.machines]
        if self._options.machine is not None and self._options.machine not in machines:
            raise HistoryFault(source.path, f"no machine has the id {self._options.machine}: {', '.join(machines)}")
        if self._options.machine is None and len(machines) > 1:
            raise HistoryFault(source.path, f"names no machine: give --machine, one of {', '.join(machines)}")
        return self._options.machine or machines[0]

    def faults(self, number: int) -> tuple[list[HistoryFault], int]:
        """The first faults of a file, and how many there are more."""
        source = self._sources[number]
        broken = self._broken_rows(number)
        rows = [row for row in self._found(number) if not self._is_rejected(row[2])]
        lines = source.lines({row[0] for row in rows[:MOST_FAULTS]})
        faults = broken + [
            fault_text(source, lines.get(record), place, fault, shown, tag, zone=self.zone_name, mill=self._mill)
            for record, place, fault, shown, tag in rows[:MOST_FAULTS]
        ]
        return faults[:MOST_FAULTS], len(broken) + len(rows) - min(MOST_FAULTS, len(faults))

    def rejected(self, number: int) -> list[Rejected]:
        """What a person chose to reject of a file: local times that the clock shows twice or never."""
        source = self._sources[number]
        rows = [row for row in self._found(number) if self._is_rejected(row[2])]
        lines = source.lines({row[0] for row in rows})
        return [
            Rejected(
                received_ms=self._now_ms,
                topic=f"{source.path}:{lines.get(record, record)}",
                reason=rejected_text(fault, self.zone_name),
                payload=str(shown).encode(),
            )
            for record, _, fault, shown, _ in rows
        ]

    def _is_rejected(self, fault: str) -> bool:
        return self._options.ambiguous is Ambiguous.REJECT and fault in ("twice", "never")

    def _found(self, number: int) -> list[tuple[int, int, str, str | None, str | None]]:
        rows = self._connection.execute(f"{sql_text('history/faults.sql')} LIMIT 10000", [number]).fetchall()
        return [(row[0], row[1], row[2], row[3], row[4]) for row in rows]

    def _broken_rows(self, number: int) -> list[HistoryFault]:
        """Rows that are none: too few or too many columns, quotes that do not end."""
        source = self._sources[number]
        if source.layout is None:
            return []
        query = f"SELECT line, error_type, error_message FROM reject_{number} ORDER BY line"  # noqa: S608
        rows = self._connection.execute(query).fetchall()
        if any(kind in _OF_WIDTH for _, kind, _ in rows):
            return [wrong_width(source, line, found) for line, found in source.broken_rows(MOST_FAULTS)]
        return [broken_row(source, line, kind, message) for line, kind, message in rows]

    def span(self, number: int) -> Span:
        """What a file holds, as far as it can be taken."""
        row = self._connection.execute(
            "SELECT count(*), min(at_ms), max(at_ms) FROM spool WHERE file = ? AND fault IS NULL", [number]
        ).fetchone()
        tags = self._connection.execute(
            "SELECT DISTINCT machine, tag FROM spool WHERE file = ? AND fault IS NULL ORDER BY ALL", [number]
        ).fetchall()
        count, first_ms, last_ms = row or (0, None, None)
        return Span(values=count, first_ms=first_ms, last_ms=last_ms, tags=tuple(tags))

    def blocks(self, *, rows: int = BLOCK_ROWS) -> Iterator[Block]:
        """All that was taken in, in order of time, in blocks of about so many rows; no time stands in two of them."""
        self._connection.execute(sql_text("history/in_order.sql"))
        found = self._connection.execute("SELECT machine, tag FROM tag_no ORDER BY tag_no").fetchall()
        tags = tuple((machine, tag) for machine, tag in found)
        start, count = 0, self._count("in_order")
        while start < count:
            columns = self._connection.execute(sql_text("history/block.sql"), [start, start + rows]).fetchnumpy()
            block = _block(tags, columns)
            end = len(block)
            if start + end < count and block.at_ms[0] != block.at_ms[-1]:
                end = int(np.searchsorted(block.at_ms, block.at_ms[-1]))
            yield block.some(slice(0, end)).without_doubles()
            start += end

    def _count(self, table: str) -> int:
        row = self._connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - names of ours
        return int(row[0]) if row else 0

    def first_scans(self, number: int) -> list[Scan]:
        """The scans of the first three times of a file."""
        return list(_scans(self._connection.execute(sql_text("history/first_rows.sql"), {"file": number})))


def _block(tags: tuple[TagKey, ...], columns: dict[str, Any]) -> Block:
    texts = columns["text"]
    return Block(
        source=FILE_SOURCE,
        tags=tags,
        tag_no=np.asarray(columns["tag_no"], np.int32),
        at_ms=np.asarray(columns["at_ms"], np.int64),
        kinds=np.asarray(columns["kind"], np.uint8),
        numbers=np.ma.filled(np.ma.asarray(columns["number"], np.float64), np.nan),
        texts=np.ma.filled(np.ma.asarray(texts, np.object_), None) if np.ma.isMaskedArray(texts) else texts,
    )


def _scans(result: duckdb.DuckDBPyConnection) -> Iterator[Scan]:
    current: Scan | None = None
    values: dict[str, Value] = {}
    while rows := result.fetchmany(_BLOCK):
        for at_ms, machine, tag, kind, number, text in rows:
            if current is None or current.at_ms != at_ms or current.machine != machine:
                if current is not None:
                    yield current
                values = {}
                current = Scan(machine, at_ms, values, FILE_SOURCE, at_ms, int(Flag.HISTORICAL))
            values[tag] = _value(kind, number, text)
    if current is not None:
        yield current


def _value(kind: int, number: float | None, text: str | None) -> Value:
    if kind == 2:
        return number == 1
    return text if kind == 3 else number
