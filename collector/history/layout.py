"""How a file of history is laid out: found from its first lines, or said by a person. Reads no more than those."""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import IO, Protocol, TextIO, cast

import zstandard

from collector.history.clock import TimeFormat, TimeUnclear, format_of
from collector.history.columns import Columns, ColumnsUnclear, columns_of
from collector.history.fault import HistoryFault
from collector.history.options import HistoryOptions
from collector.history.signs import Signs, SignsUnclear, signs_of

SAMPLE_LINES = 300
DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar"}
ENCODINGS = ("utf-8", "utf-16", "latin-1")

_LOW_FIRST, _HIGH_FIRST = b"\xff\xfe", b"\xfe\xff"
_ZIP = b"PK\x03\x04"
_UNREADABLE = (OSError, EOFError, zlib.error, zstandard.ZstdError)
_LONGEST_LINE = 1 << 20
_SAYS_DELIMITER = re.compile(r'"?sep=(.)"?\s*')
"""What some spreadsheets write into the first line, for themselves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a text file is laid out.

    names_line
        The line with the columns' names, from 1; None if there is none.
    first_line
        The first line with data, from 1.
    below_names
        What stands between the names and the data, such as units, a row each.
    """

    path: Path
    encoding: str
    delimiter: str
    signs: Signs
    names_line: int | None
    first_line: int
    below_names: tuple[tuple[str, ...], ...]
    columns: Columns
    time: TimeFormat


@contextmanager
def opened(path: Path, encoding: str) -> Iterator[TextIO]:
    """The text of a file, unpacked.

    Raises
    ------
    HistoryFault
        Wherever the reading comes to what is not in this encoding, or cannot be read.
    """
    name = path.name.lower()
    codec = "utf-8-sig" if encoding == "utf-8" else encoding
    try:
        if encoding == "utf-16":
            with _unpacked(path) as start:
                codec = encoding if start.read(2) == _LOW_FIRST else "utf-16-le"
        if name.endswith(".gz"):
            with gzip.open(path, "rt", encoding=codec, newline="") as file:
                yield file
        elif name.endswith(".zst"):
            with zstandard.open(path, "rt", encoding=codec, newline="") as file:
                yield file
        else:
            with path.open(encoding=codec, newline="") as file:
                yield file
    except UnicodeDecodeError:
        other = " or ".join(name for name in reversed(ENCODINGS) if name != encoding)
        reason = f"is not {encoding}: give --encoding {other}"
        raise HistoryFault(path, reason, line=_undecodable_line(path, encoding)) from None
    except _UNREADABLE as error:
        raise HistoryFault(path, f"cannot be read ({error})") from None


class ColumnsOf(Protocol):
    """Tells what columns are, by their names."""

    def __call__(self, names: Sequence[str], *, time: str | None = None) -> Columns:
        """Raises ColumnsUnclear where that cannot be told."""


def layout_of(
    path: Path, options: HistoryOptions, *, columns_of: ColumnsOf = columns_of, may_be_date: bool = False
) -> Layout:
    """How a text file is laid out.

    columns_of
        Of another kind of table than machine values.
    may_be_date
        Whether days without a time of day will do.

    Raises
    ------
    HistoryFault
        Where that cannot be told: it says what to give.
    """
    encoding = options.encoding or _encoding(path)
    lines = _sample(path, encoding)
    said = _SAYS_DELIMITER.fullmatch(lines[0][1])
    if said:
        lines = lines[1:] or lines
    delimiter = options.delimiter or (said[1] if said else _delimiter(path, lines))
    rows = _rows(lines, delimiter)
    width = Counter(len(row) for _, row in rows[len(rows) // 2 :]).most_common(1)[0][0]
    full = [(line, row) for line, row in rows if len(row) == width]
    names_line, names, data = _names(path, full, options)
    data = [(line, row) for line, row in data if row != names]
    try:
        columns = columns_of(names, time=options.time_column)
        first = _first_of_data(data, columns, options, may_be_date)
        texts = [text for _, row in data[first:] if (text := time_text(row, columns))]
        if not texts:
            raise HistoryFault(path, "has no line of data")
        time = format_of(texts, options.time_format, may_be_date=may_be_date)
    except ColumnsUnclear as error:
        raise HistoryFault(path, str(error), line=names_line) from None
    except TimeUnclear as error:
        raise HistoryFault(path, str(error), line=data[first][0], column=columns.time_name()) from None
    return Layout(
        path=path,
        encoding=encoding,
        delimiter=delimiter,
        signs=_signs(path, data[first:], columns, options),
        names_line=names_line,
        first_line=data[first][0],
        below_names=tuple(tuple(cell.strip() for cell in row) for _, row in data[:first]),
        columns=columns,
        time=time,
    )


def _signs(path: Path, data: Sequence[tuple[int, Sequence[str]]], columns: Columns, options: HistoryOptions) -> Signs:
    places = columns.tags if columns.value is None else (columns.value,)
    try:
        cells = (row[place] for _, row in data for place in places)
        return signs_of(cells, decimal=options.decimal, thousands=options.thousands)
    except SignsUnclear as unclear:
        found = ((line, place) for line, row in data for place in places if row[place].strip() == unclear.cell)
        line, place = next(found, (None, None))
        name = None if place is None else columns.names[place]
        raise HistoryFault(path, str(unclear), line=line, column=name) from None


def rows_from(file: TextIO, layout: Layout, path: Path) -> Iterator[tuple[int, list[str]]]:
    """The rows of an opened file from its first line of data on, with the line on which each ends.

    Raises
    ------
    HistoryFault
        For a cell that is longer than any cell of a table.
    """
    lines = _lines(file)
    skipped = sum(1 for _ in islice(lines, layout.first_line - 1))
    reader = csv.reader(lines, delimiter=layout.delimiter)
    try:
        yield from ((reader.line_num + skipped, row) for row in reader if row)
    except csv.Error as error:
        raise HistoryFault(
            path, f"cannot be read on ({error}): is it a table?", line=reader.line_num + skipped
        ) from None


def _lines(file: TextIO) -> Iterator[str]:
    """Line by line, one that is too long in pieces: a small packed file may hold one without end."""
    while line := file.readline(_LONGEST_LINE + 1):
        yield line


def time_text(row: Sequence[str], columns: Columns) -> str:
    """The time of a row as it stands there; date and time of day joined by a space."""
    return " ".join(row[place].strip() for place in columns.time)


def _encoding(path: Path) -> str:
    try:
        with _unpacked(path) as file:
            start = file.read(4)
    except _UNREADABLE as error:
        raise HistoryFault(path, f"cannot be read ({error})") from None
    if start == _ZIP:
        raise HistoryFault(path, "is a workbook or another zip archive: save its sheet as CSV, or unpack it")
    if start.startswith(_HIGH_FIRST):
        raise HistoryFault(path, "is UTF-16 with the high byte first, which cannot be read: save it as UTF-8")
    return "utf-16" if start.startswith(_LOW_FIRST) or start[1::2] == b"\0\0" else "utf-8"


@contextmanager
def _unpacked(path: Path) -> Iterator[IO[bytes]]:
    """The bytes of a file, unpacked."""
    name = path.name.lower()
    if name.endswith(".gz"):
        with gzip.open(path, "rb") as packed:
            yield cast("IO[bytes]", packed)
    elif name.endswith(".zst"):
        with zstandard.open(path, "rb") as stream:
            yield cast("IO[bytes]", stream)
    else:
        with path.open("rb") as plain:
            yield plain


def _undecodable_line(path: Path, encoding: str) -> int | None:
    """The first line that is not in this encoding, where lines can be told without it."""
    if encoding != "utf-8":
        return None
    with _unpacked(path) as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode()
            except UnicodeDecodeError:
                return number
    return None


def _sample(path: Path, encoding: str) -> list[tuple[int, str]]:
    """The first lines that are not empty, with their numbers."""
    lines = []
    with opened(path, encoding) as file:
        for number, line in enumerate(islice(_lines(file), SAMPLE_LINES), start=1):
            if len(line) > _LONGEST_LINE:
                raise HistoryFault(path, "has a line of more than a million characters: is it a table?", line=number)
            if line.strip():
                lines.append((number, line))
    if not lines:
        raise HistoryFault(path, "is empty")
    return lines


def _delimiter(path: Path, lines: Sequence[tuple[int, str]]) -> str:
    """That which cuts most lines into the same number of columns. A comma may be a decimal one, so it comes last."""
    shares: dict[str, float] = {}
    for delimiter in (";", "\t", "|", ","):
        rows = _rows(lines, delimiter)
        width, count = Counter(len(row) for _, row in rows[len(rows) // 2 :]).most_common(1)[0]
        if width > 1:
            shares[delimiter] = count + sum(len(row) == width for _, row in rows)
    if not shares:
        known = ", ".join(DELIMITERS.values())
        raise HistoryFault(path, f"has one column only: give --delimiter, if it is none of {known}")
    return max(shares, key=lambda delimiter: shares[delimiter])


def _rows(lines: Sequence[tuple[int, str]], delimiter: str) -> list[tuple[int, list[str]]]:
    """The lines cut into columns. A text in quotes that goes on over a line's end is no sample of anything."""
    reader = csv.reader((line for _, line in lines), delimiter=delimiter)
    rows: list[tuple[int, list[str]]] = []
    with suppress(csv.Error):
        rows.extend((lines[reader.line_num - 1][0], row) for row in reader)
    return rows


def _names(
    path: Path, full: list[tuple[int, list[str]]], options: HistoryOptions
) -> tuple[int | None, Sequence[str], list[tuple[int, list[str]]]]:
    """The line of the names, the names, and the rows that may be data."""
    if options.names:
        if len(options.names) != len(full[0][1]):
            raise HistoryFault(path, f"has {len(full[0][1])} columns, and --names gives {len(options.names)}")
        return None, options.names, full
    for place, (line, row) in enumerate(full):
        if line == options.names_line or (options.names_line is None and _could_be_names(row)):
            return line, row, full[place + 1 :]
        if options.names_line is None:
            break
    raise HistoryFault(path, 'has no line of names: give --names-line, or the names, as in --names "ts,tag,value"')


def _could_be_names(row: Sequence[str]) -> bool:
    """Names are no numbers, and hardly any of them is empty."""
    words = [cell.strip() for cell in row if cell.strip()]
    numbers = [word for word in words if word.replace(",", ".").replace(".", "", 1).isdecimal()]
    return len(words) * 2 > len(row) and not numbers


def _first_of_data(
    data: list[tuple[int, list[str]]], columns: Columns, options: HistoryOptions, may_be_date: bool
) -> int:
    """Rows between the names and the data (units, descriptions) have no time."""
    for place, (_, row) in enumerate(data[:10]):
        try:
            format_of([time_text(row, columns)], options.time_format, may_be_date=may_be_date)
        except TimeUnclear as unclear:
            if "two ways" in str(unclear):
                return place
            continue
        return place
    return 0
