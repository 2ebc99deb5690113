"""A file of history as a table that SQL can read, and in plain words. Text files and Parquet files alike."""

from __future__ import annotations

import csv
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path

import duckdb

from collector.history.clock import UNIX_MS, UNIX_S, TimeFormat, TimeUnclear, format_of
from collector.history.columns import Columns, ColumnsUnclear, columns_of
from collector.history.fault import HistoryFault
from collector.history.layout import DELIMITERS, SAMPLE_LINES, Layout, layout_of, opened
from collector.history.options import HistoryOptions
from collector.history.signs import Signs
from collector.history.units import split_name, units_row

_LOCAL_TYPES = ("TIMESTAMP", "TIMESTAMP_S", "TIMESTAMP_MS", "TIMESTAMP_NS")
_WHOLE_TYPES = ("BIGINT", "UBIGINT", "INTEGER", "HUGEINT")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One file.

    table
        SQL: its rows, as the columns c0, c1 … as texts, in the columns' places. $record stands for an expression that
        is called record; $rejects and $scans for the names of tables of rows that are broken.
    record
        SQL: the number of a row, from 1, for $record. Counting keeps a text file from being read by several threads,
        so that it is done only where a fault must be placed.
    clock
        SQL: the time of such a row in milliseconds since 1970, local or UTC; null where it cannot be read.
    layout
        Of a text file; None of a Parquet file.
    units
        What is said of the units of a wide file's columns, and in which line.
    """

    path: Path
    columns: Columns
    time: TimeFormat
    table: str
    record: str
    clock: str
    signs: Signs = field(default_factory=Signs)
    layout: Layout | None = None
    units: Mapping[int, tuple[str, int | None]] = field(default_factory=dict)

    def words(self) -> Iterator[str]:
        """What was understood, a line each."""
        if self.layout is not None:
            named = "none" if self.layout.names_line is None else f"line {self.layout.names_line}"
            cut = DELIMITERS.get(self.layout.delimiter, self.layout.delimiter)
            yield f"text, {self.layout.encoding}; columns cut by {cut}, {self.signs.in_words()}"
            yield f"names: {named}; data from line {self.layout.first_line}"
        else:
            yield "Parquet"
        form = f"one row a value ({self.columns.names[self.columns.tag]})" if self.columns.tag is not None else ""
        yield f"form: {form or f'one column a tag ({len(self.columns.tags)} tags)'}"
        yield f"time: {self.columns.time_name()}, as {self.time.pattern}"

    def known_by(self, is_known: Callable[[str], bool]) -> Source:
        """The same, with a unit in brackets behind a column's name taken as such where the rest is a known tag."""
        names = list(self.columns.names)
        units = dict(self._row_of_units())
        for place in self.columns.tags:
            bare, unit = split_name(names[place])
            if unit is not None and not is_known(names[place]) and is_known(bare):
                names[place], units[place] = bare, (unit, self.layout.names_line if self.layout else None)
        return replace(self, columns=replace(self.columns, names=tuple(names)), units=units)

    def _row_of_units(self) -> Iterator[tuple[int, tuple[str, int | None]]]:
        layout = self.layout
        if layout is None or layout.names_line is None or (row := units_row(layout.below_names)) is None:
            return
        line = layout.first_line - len(layout.below_names) + row
        yield from ((place, (layout.below_names[row][place], line)) for place in self.columns.tags)

    def broken_rows(self, most: int) -> list[tuple[int, int]]:
        """Lines and widths of the first rows that have too few or too many columns. ``lines`` says why not SQL."""
        if self.layout is None:
            return []
        with opened(self.path, self.layout.encoding) as file:
            skipped = sum(1 for _ in islice(file, self.layout.first_line - 1))
            reader = csv.reader(file, delimiter=self.layout.delimiter)
            rows = ((reader.line_num + skipped, len(row)) for row in reader)
            return list(islice((row for row in rows if row[1] not in (0, len(self.columns.names))), most))

    def lines(self, records: Collection[int]) -> dict[int, int]:
        """The lines of some rows, by their numbers. A text in quotes may go over several lines, so they are counted."""
        if self.layout is None:
            return {record: record for record in records}
        with opened(self.path, self.layout.encoding) as file:
            skipped = sum(1 for _ in islice(file, self.layout.first_line - 1))
            reader = csv.reader(file, delimiter=self.layout.delimiter)
            rows = (reader.line_num + skipped for row in reader if len(row) == len(self.columns.names))
            numbered = islice(enumerate(rows, start=1), max(records, default=0))
            return {record: line for record, line in numbered if record in records}


def source_of(path: Path, options: HistoryOptions) -> Source:
    """What kind of file it is and how it is laid out. Raises HistoryFault where that cannot be told."""
    if not path.is_file():
        raise HistoryFault(path, "no such file")
    return _parquet(path, options) if path.suffix.lower() == ".parquet" else _text(path, options)


def literal(text: str) -> str:
    """A text inside SQL."""
    return "'" + text.replace("'", "''") + "'"


def _file(path: Path) -> str:
    """A path inside SQL, its wildcards made plain."""
    return literal("".join(f"[{sign}]" if sign in "*?[" else sign for sign in str(path)))


def _text(path: Path, options: HistoryOptions) -> Source:
    layout = layout_of(path, options)
    columns = ", ".join(f"'c{place}': 'VARCHAR'" for place in range(len(layout.columns.names)))
    table = (
        "SELECT $record AS record, * FROM read_csv("  # noqa: S608 - names of ours
        f"{_file(path)}, auto_detect = false, header = false, skip = {layout.first_line - 1}, columns = {{{columns}}}, "
        f"delim = {literal(layout.delimiter)}, quote = '\"', escape = '\"', encoding = {literal(layout.encoding)}, "
        "store_rejects = true, rejects_table = $rejects, rejects_scan = $scans, rejects_limit = 10)"
    )
    return Source(
        path=path,
        columns=layout.columns,
        time=layout.time,
        table=table,
        record="row_number() OVER ()",
        clock=_clock(layout.time, time_of(layout.columns)),
        signs=layout.signs,
        layout=layout,
    )


def time_of(columns: Columns) -> str:
    """SQL: the time of a row as it stands there."""
    if len(columns.time) == 1:
        return f"trim(CAST(c{columns.time[0]} AS VARCHAR))"
    return f"concat_ws(' ', {', '.join(f'trim(CAST(c{place} AS VARCHAR))' for place in columns.time)})"


def _clock(time: TimeFormat, text: str) -> str:
    """The cheap readings first: of ten million times a general one takes as long as all the rest of the load."""
    if time.pattern == UNIX_MS:
        return f"TRY_CAST({text} AS BIGINT)"
    if time.pattern == UNIX_S:
        return f"CAST(TRY_CAST(replace({text}, ',', '.') AS DECIMAL(18, 3)) * 1000 AS BIGINT)"
    pointed = rf"regexp_replace({text}, '(:[0-9]{{2}})[.,]([0-9]{{1,6}})[0-9]*', '\1.\2')"
    patterns = [time.pattern, time.pattern.replace("%S", "%S.%f")] if "%S" in time.pattern else [time.pattern]
    readings = []
    if time.pattern.endswith("%z"):
        plain = time.pattern.removesuffix("%z")
        readings.append(_reading(text, f"{plain}Z"))
        local = f"try_strptime(left({text}, -6), {literal(plain)})"
        readings.append(f"epoch_ms({local} - TRY_CAST(substr({text}, -6) AS INTERVAL))")
        pointed = f"regexp_replace({pointed}, '[Zz]$', '+00:00')"
    else:
        readings.append(_reading(text, time.pattern))
    # One reading with a list of patterns, not two: what stands in two places is worked out for every row.
    readings.append(_reading(pointed, *patterns))
    return f"coalesce({', '.join(readings)})"


def _reading(text: str, *patterns: str) -> str:
    return f"epoch_ms(try_strptime({text}, [{', '.join(literal(pattern) for pattern in patterns)}]))"


def _parquet(path: Path, options: HistoryOptions) -> Source:
    file = _file(path)
    try:
        with duckdb.connect() as connection:
            described = connection.execute(f"DESCRIBE SELECT * FROM read_parquet({file})").fetchall()  # noqa: S608
            names, types = [row[0] for row in described], [row[1] for row in described]
            columns = columns_of(names, time=options.time_column)
            time_types = [types[place] for place in columns.time]
            texts: Iterable[str] = ()
            if time_types == ["VARCHAR"]:
                quoted = _quoted(names[columns.time[0]])
                query = f"SELECT {quoted} FROM read_parquet({file}) WHERE {quoted} IS NOT NULL LIMIT {SAMPLE_LINES}"  # noqa: S608
                texts = [row[0].strip() for row in connection.execute(query).fetchall()]
            time, clock = _typed_clock(time_types, columns, list(texts), options)
    except duckdb.Error as error:
        raise HistoryFault(path, f"cannot be read ({str(error).splitlines()[0]})") from error
    except (ColumnsUnclear, TimeUnclear) as error:
        raise HistoryFault(path, str(error)) from None
    typed = [
        f"{_quoted(name)} AS c{place}" if place in columns.time else f"CAST({_quoted(name)} AS VARCHAR) AS c{place}"
        for place, name in enumerate(names)
    ]
    rows = f"read_parquet({file}, file_row_number = true)"
    table = f"SELECT $record AS record, {', '.join(typed)} FROM {rows}"  # noqa: S608
    record = "file_row_number + 1"
    return Source(path=path, columns=columns, time=time, table=table, record=record, clock=clock)


def _typed_clock(
    types: list[str], columns: Columns, texts: list[str], options: HistoryOptions
) -> tuple[TimeFormat, str]:
    """The clock of a Parquet file, by the type of its time column."""
    column = f"c{columns.time[0]}"
    match types:
        case ["TIMESTAMP WITH TIME ZONE"]:
            return TimeFormat(pattern="instants", is_local=False), f"epoch_ms({column})"
        case [kind] if kind in _LOCAL_TYPES:
            return TimeFormat(pattern="local times", is_local=True), f"epoch_ms(CAST({column} AS TIMESTAMP))"
        case [kind] if kind in _WHOLE_TYPES:
            time = TimeFormat(pattern=options.time_format or UNIX_MS, is_local=False)
            return time, _clock(time, f"CAST({column} AS VARCHAR)")
        case ["VARCHAR"] if texts:
            time = format_of(texts, options.time_format)
            return time, _clock(time, time_of(columns))
    raise TimeUnclear(
        f"column {columns.time_name()} is {' + '.join(types)}: it must hold times, as a timestamp or text"
    )


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
