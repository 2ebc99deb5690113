"""Holds what files of history say until all of it is understood, and gives it back in order of time.

On disk, in a database of its own that goes with the load: files may be larger than memory, sorted by tag, and overlap.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import numpy as np

from collector.block import Block, TagKey
from collector.decode.instant import EARLIEST_MS
from collector.decode.place import LONGEST_TAG
from collector.decode.value import LONGEST_TEXT
from collector.history.bad import BAD_WORDS
from collector.history.cells import CLOCK, INSTANT, IS_TWICE, key_list, pointed, word_list
from collector.history.clock import zone_days, zone_of
from collector.history.fault import HistoryFault
from collector.history.known import known_tags
from collector.history.options import Ambiguous, HistoryOptions
from collector.history.source import Source, literal, source_of, time_of
from collector.history.span import Span, TagSpan
from collector.history.units import differ
from collector.history.wording import absurd_values, broken_row, fault_text, rejected_text, wrong_unit, wrong_width
from collector.message import Flag, Rejected, Scan, Value
from collector.scratch import scratch
from collector.settings import Mill
from collector.store.schema import sql_text

FILE_SOURCE = -1
"""The source of scans that came from a file: like a ``[[source]]`` of its own, which carries role tags."""

MOST_FAULTS = 10
"""So many faults are told of one file; the others are likely to be the same."""

_AHEAD_MS = 86_400_000
_MEMORY = "512MB"
_BLOCK = 20_000
BLOCK_ROWS = 250_000
"""Samples given back, and committed, together; about."""

_OF_WIDTH = ("MISSING COLUMNS", "TOO MANY COLUMNS")
_ENOUGH, _ABSURD_SHARE = 20, 0.9
"""So many values, and so great a share of them absurd, tell of another unit; a standing machine's zeros aside."""

_CONTROL = r"[\x00-\x1f\x7f-\x9f]"


class Spool:
    """A load's own database, gone when it is left."""

    def __init__(self, mill: Mill, options: HistoryOptions, *, now_ms: int) -> None:
        """Nothing is taken yet. Raises TimeUnclear for a time zone that does not exist."""
        self.zone_name = options.time_zone or mill.time_zone
        zone = zone_of(self.zone_name)
        self._options, self._mill, self._now_ms = options, mill, now_ms
        self._known = known_tags(mill)
        self._folder = scratch("load")
        self._connection = duckdb.connect(
            Path(self._folder.name) / "spool.duckdb",
            config={"memory_limit": _MEMORY, "temp_directory": f"{self._folder.name}/sorting"},
        )
        self._connection.execute(
            "SET TimeZone = 'UTC'; SET enable_progress_bar = true; SET enable_progress_bar_print = false; "
            "SET progress_bar_time = 0"
        )
        self._connection.execute("BEGIN")
        self._connection.execute(sql_text("history/spool.sql"))
        self._sources: list[Source] = []
        self.reading = ""
        self._zone, self._first_day = zone, 0
        self._connection.execute("COMMIT")

    def _tell_of_clock(self) -> None:
        """Needed for the first file with local times."""
        days = zone_days(self._zone)
        if self._first_day == days[0].day:
            return
        self._first_day = days[0].day
        names = ("day", "before_ms", "after_ms", "edge_from_ms", "edge_to_ms", "is_twice")
        columns = {name: np.array([getattr(day, name) for day in days]) for name in names}
        self._connection.register("some_day", columns)
        for name in names[1:]:
            query = f"SET VARIABLE {name} = (SELECT list({name} ORDER BY day) FROM some_day)"  # noqa: S608
            self._connection.execute(query)
        self._connection.unregister("some_day")

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
        self.reading = path.name
        names = {name for _, name in self._known}
        source = source_of(path, self._options).known_by(names.__contains__)
        if source.time.is_local:
            self._tell_of_clock()
        number = len(self._sources)
        self._sources.append(source)
        statement = sql_text("history/take.sql").format(
            file=number,
            cells=self._cells(number, placed=False),
            true_words=word_list(("true", *self._options.true)),
        )
        try:
            self._connection.execute(statement)
            self._connection.execute(sql_text("history/bad_tags.sql"), {"file": number, "control": _CONTROL})
        except duckdb.Error as error:
            raise HistoryFault(path, f"cannot be read to its end ({str(error).splitlines()[0]})") from error
        return number

    def share_read(self) -> float | None:
        """How much of the file that is being taken is read; None while that is not known. From another thread."""
        percent = self._connection.query_progress()
        return None if percent < 0 else min(percent / 100, 1.0)

    @property
    def count(self) -> int:
        """Values that were taken in so far."""
        return self._count("spool")

    def source(self, number: int) -> Source:
        """What was understood of a file."""
        return self._sources[number]

    def _cells(self, number: int, *, placed: bool) -> str:
        """SQL: the cells of a file and what is wrong with each; ``placed``: with the rows' numbers."""
        source = self._sources[number]
        is_local, options = source.time.is_local, self._options
        return sql_text("history/cells.sql").format(
            cells=self._rows(source, number, placed=placed),
            clock=CLOCK.format(first_day=self._first_day) if is_local else "",
            instant=INSTANT.format(ambiguous=options.ambiguous or "") if is_local else "clock_ms",
            is_outside="before_ms IS NULL" if is_local else "FALSE",
            is_twice=IS_TWICE if is_local else "FALSE",
            pointed=pointed(source.signs),
            bad_words=word_list((*BAD_WORDS, *options.bad)),
            truth_words=word_list(("true", "false", *options.true, *options.false)),
            **self._limits(),
        )

    def _limits(self) -> dict[str, object]:
        """What a cell must keep to, as the SQL files name it."""
        return {
            "earliest_ms": EARLIEST_MS,
            "latest_ms": self._now_ms + _AHEAD_MS,
            "machines": ", ".join(literal(machine.id) for machine in self._mill.machines),
            "number_tags": key_list(key for key, tag in self._known.items() if tag.is_number),
            "longest_tag": LONGEST_TAG,
            "longest_text": LONGEST_TEXT,
        }

    def _rows(self, source: Source, number: int, *, placed: bool) -> str:
        """SQL: the cells of a file as texts, one row each."""
        columns = source.columns
        table = (
            source.table.replace("$record", source.record if placed else "NULL")
            .replace("$rejects", literal(f"reject_{number}{'_placed' * placed}"))
            .replace("$scans", literal(f"scan_{number}{'_placed' * placed}"))
        )
        machine = literal(self._machine(source)) if columns.machine is None else f"trim(c{columns.machine})"
        quality = "NULL::VARCHAR" if columns.quality is None else f"trim(c{columns.quality})"
        shared = f"{time_of(columns)} AS time_text, {machine} AS machine, {quality} AS quality"
        shared += f", {source.clock} AS clock_ms"
        if columns.tag is not None:
            tag, value = f"trim(c{columns.tag})", f"c{columns.value}"
            there = f"NOT (c{columns.time[0]} IS NULL AND c{columns.tag} IS NULL AND {value} IS NULL)"
            cells = f"SELECT record, {columns.value} AS place, {shared}, {tag} AS tag, {value} AS value"
            return f"{cells} FROM ({table}) WHERE {there}{self._unlike_names(source)}"
        cells = ", ".join(f"c{place}" for place in columns.tags)
        names = ", ".join(literal(name) for name in columns.names)
        place = "CAST(substr(cell_name, 2) AS INTEGER)"
        wide = f"SELECT record, {shared}, {cells} FROM ({table}) WHERE TRUE{self._unlike_names(source)}"  # noqa: S608
        return (
            f"SELECT record, {place} AS place, time_text, machine, quality, clock_ms, "  # noqa: S608
            f"[{names}][{place} + 1] AS tag, value FROM (UNPIVOT ({wide}) ON {cells} INTO NAME cell_name VALUE value)"
        )

    @staticmethod
    def _unlike_names(source: Source) -> str:
        """SQL: leaves out the names where they come again, as where exports were put one behind the other."""
        if source.layout is None or source.layout.names_line is None:
            return ""
        place = source.columns.time[0]
        return f" AND c{place} IS DISTINCT FROM {literal(source.columns.names[place])}"

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
        broken = [*self._wrong_units(number), *self._broken_rows(number)]
        rows = [row for row in self._found(number) if not self._is_rejected(row[2])]
        lines = source.lines({row[0] for row in rows[:MOST_FAULTS]})
        faults = broken + [
            fault_text(
                source,
                lines.get(record),
                place,
                fault,
                shown,
                self._known.get(key),
                key[1],
                zone=self.zone_name,
                mill=self._mill,
                decimal=self._options.decimal_word(),
            )
            for record, place, fault, shown, key in rows[:MOST_FAULTS]
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

    def _found(self, number: int) -> list[tuple[int, int, str, str | None, TagKey]]:
        """Record, column, kind of fault, what stands there, machine and tag. The file is read again if it has any."""
        query = "SELECT count(*) FROM spool WHERE file = ? AND faulty"
        row = self._connection.execute(query, [number]).fetchone()
        if row is None or not row[0]:
            return []
        cells = self._cells(number, placed=True)
        statement = sql_text("history/faults.sql").format(cells=cells, control=_CONTROL, **self._limits())
        rows = self._connection.execute(statement).fetchall()
        return [(row[0], row[1], row[2], row[3], (row[5], row[4])) for row in rows]

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
        rows = self._connection.execute(sql_text("history/tags.sql"), [number]).fetchall()
        bad = self._connection.execute(sql_text("history/bad.sql"), [number]).fetchall()
        names = ("machine", "tag", "values", "bad", "texts", "first_ms", "last_ms", "lowest", "highest")
        tags = tuple(TagSpan(**dict(zip(names, row, strict=True))) for row in rows)
        return Span(tags=tags, bad=tuple((word, count) for word, count in bad))

    def _wrong_units(self, number: int) -> Iterator[HistoryFault]:
        """Columns whose unit, or whose values, cannot be those of mill.toml."""
        source = self._sources[number]
        if self._options.any_unit:
            return
        for place, (unit, line) in source.units.items():
            known = self._known.get((self._machine(source), source.columns.names[place]))
            if known is not None and differ(unit, known.unit):
                yield wrong_unit(source, line, place, unit, str(known.unit))
        for tag in self.span(number).tags:
            known = self._known.get((tag.machine, tag.tag))
            limits = None if known is None else known.absurd_beyond()
            if limits is None or ((tag.lowest or 0) >= limits[0] and (tag.highest or 0) <= limits[1]):
                continue
            query = sql_text("history/absurd.sql").format(cells=self._cells(number, placed=True))
            asked = {"machine": tag.machine, "tag": tag.tag, "low": limits[0], "high": limits[1]}
            row = self._connection.execute(query, asked).fetchone()
            if known is not None and row is not None and row[0] >= _ENOUGH and row[1] > _ABSURD_SHARE * row[0]:
                line = source.lines({row[2]}).get(row[2])
                yield absurd_values(source, line, row[3], tag.tag, row[4], row[1], row[0], known)

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
