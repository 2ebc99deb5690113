"""Any one SELECT over the published store, in the format asked for; nothing but a SELECT gets through."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import re
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import duckdb

if TYPE_CHECKING:
    import polars as pl

FETCH = 10_000
"""Rows held at a time on their way out."""
Progress = Callable[[float], None] | None
"""Is told the share that is done; None: nobody looks."""
T = TypeVar("T")
_LOOK_S = 0.1
_NO_ARROW = re.compile(r"INTERVAL|UNION|BIGNUM|BIT\b|TIME WITH TIME ZONE")
"""Types, also within lists and structs, for which polars has none; a text stands for them."""
_MOST_PLACES = 6
_SMALL, _GREAT = 1e-4, 1e15
"""Beyond these a fraction is told whole: with six places too little would be left of it, or Python writes a power."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Refused(Exception):
    """The query may not run, failed, or took too much; the message says which, and what to do."""


class Format(StrEnum):
    """What a query's rows come as."""

    TABLE = "table"
    JSON = "json"
    JSONL = "jsonl"
    CSV = "csv"
    PARQUET = "parquet"
    ARROW = "arrow"
    XLSX = "xlsx"


BINARY = (Format.PARQUET, Format.ARROW, Format.XLSX)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Column names and, in batches, the rows of a query."""

    columns: tuple[str, ...]
    batches: Iterator[list[tuple[Any, ...]]]


def only_select(sql: str) -> str:
    """The statement, if it is one and a SELECT (also WITH, FROM, VALUES, DESCRIBE, SHOW, SUMMARIZE), or explains one.

    A read-only store does not make other statements harmless: COPY writes files wherever files may be read, and hides
    well in EXPLAIN ANALYZE, PREPARE or a PIVOT. So what EXPLAIN explains is looked at by itself.

    Raises
    ------
    Refused
        For everything else.
    """
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as error:
        raise Refused(said(error)) from error
    if len(statements) != 1:
        raise Refused(
            f"one statement at a time, please: there are {len(statements)}" if statements else "no SQL was given"
        )
    kind = statements[0].type
    if kind == duckdb.StatementType.EXPLAIN:
        only_select(_explained(sql))
        return sql
    if kind == duckdb.StatementType.MULTI:
        raise Refused("a PIVOT that must look for its columns cannot run here; name them: PIVOT … ON … IN (…)")
    if kind != duckdb.StatementType.SELECT:
        raise Refused(f"only SELECT can run here, not {kind.name}; the store belongs to the collector")
    return sql


def _explained(sql: str) -> str:
    """What an EXPLAIN explains. DuckDB itself tells words from comments, as nobody else may do who keeps COPY out."""
    text, tokens = sql.encode(), duckdb.tokenize(sql)  # whose places are those of bytes
    ends = [*(place for place, _ in tokens[1:]), len(text)]
    words = [
        (text[place:end].strip().upper(), place)
        for (place, kind), end in zip(tokens, ends, strict=True)
        if kind != duckdb.token_type.comment
    ]
    match words:
        case [(b"EXPLAIN", _), (b"ANALYZE", _), (_, place), *_] | [(b"EXPLAIN", _), (_, place), *_]:
            return text[place:].decode()
    raise Refused("EXPLAIN and what it explains must be words with plain blanks between")


@contextmanager
def answered(
    connection: duckdb.DuckDBPyConnection,
    sql: str,
    parameters: Mapping[str, str],
    *,
    seconds: float,
    progress: Progress = None,
) -> Iterator[Answer]:
    """Run a SELECT on a locked-down connection (``read.connect``) and give its rows, within so many seconds.

    parameters
        Values of ``$name``, as text; DuckDB makes them what they are compared with. Each must stand in the SQL.
    progress
        Told the share that is done, now and then.

    Raises
    ------
    Refused
        For anything that is not one SELECT, that fails, or that takes too long or too much memory.
    """
    _check(sql, parameters)
    with _limited(connection, seconds):
        cursor = _waited(connection, lambda: connection.execute(sql, dict(parameters) or None), progress)
        columns = told_apart([name for name, *_ in cursor.description or ()])
        yield Answer(columns=columns, batches=_batches(cursor))


def frame(
    connection: duckdb.DuckDBPyConnection,
    sql: str,
    parameters: Mapping[str, str],
    *,
    seconds: float,
    progress: Progress = None,
) -> pl.DataFrame:
    """The same as one polars frame, for the formats that need all rows at once."""
    import polars as pl  # noqa: PLC0415 - takes a third of a second, and most formats do without it

    _check(sql, parameters)

    def asked() -> pl.DataFrame:
        rows = connection.sql(sql, params=dict(parameters) or None)
        return pl.DataFrame(rows.project(_for_arrow(rows.columns, [str(kind) for kind in rows.types])))

    with _limited(connection, seconds):
        return _waited(connection, asked, progress)


def _check(sql: str, parameters: Mapping[str, str]) -> None:
    """That it is one SELECT, and every parameter has its value and every value its parameter."""
    (statement,) = duckdb.extract_statements(only_select(sql))
    if strange := sorted(set(parameters) - statement.named_parameters):
        raise Refused(f"the SQL has no {_dollars(strange)}; take that value away, or use it")
    if missing := sorted(statement.named_parameters - set(parameters)):
        raise Refused(f"{_dollars(missing)} in the SQL has no value; give it with --param {missing[0]}=VALUE")


def _dollars(names: Sequence[str]) -> str:
    return ", ".join(f"${name}" for name in names)


def told_apart(names: Sequence[str]) -> tuple[str, ...]:
    """Names of columns, one that was there before with a number: a, a_1, as DuckDB itself names a table's columns."""
    told: list[str] = []
    for name in names:
        other, number = name, 0
        while other.lower() in {earlier.lower() for earlier in told}:
            number += 1
            other = f"{name}_{number}"
        told.append(other)
    return tuple(told)


def _for_arrow(names: Sequence[str], types: Sequence[str]) -> str:
    parts = []
    for place, (name, kind) in enumerate(zip(told_apart(names), types, strict=True), start=1):
        value = f"#{place}"
        if kind == "INTERVAL":
            value = f"printf('%.15g s', epoch({value}))"
        elif _NO_ARROW.search(kind):
            value = f"CAST({value} AS VARCHAR)"
        quoted = name.replace('"', '""')
        parts.append(f'{value} AS "{quoted}"')
    return ", ".join(parts)


@contextmanager
def written_whole(file: Path) -> Iterator[Path]:
    """A path to write to, which takes the file's place at the end; if anything fails, the file stays as it was."""
    if not file.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(file))
    draft = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        yield draft
        draft.replace(file)
    finally:
        draft.unlink(missing_ok=True)


def is_size(text: str) -> bool:
    """Whether DuckDB would take a text for an amount of memory, such as 500MB or 1.5 GiB."""
    return re.fullmatch(r"\d+(\.\d+)? *[KMGT]i?B", text, re.IGNORECASE) is not None


def text_of(answer: Answer, shape: Format) -> Iterator[str]:
    """The rows as JSON, JSON Lines or CSV, in pieces; instants in UTC."""
    match shape:
        case Format.JSON:
            yield from _json(answer)
        case Format.CSV:
            yield from _csv(answer)
        case _:
            yield from (_line(answer.columns, row) + "\n" for batch in answer.batches for row in batch)


def cells(rows: Sequence[Sequence[object]]) -> tuple[tuple[str, ...], ...]:
    """Rows as a table shows them: in a column of fractions the points stand under each other, as far as places go."""
    return tuple(zip(*map(_column, zip(*rows, strict=True)), strict=True))


def _column(values: Sequence[object]) -> list[str]:
    fractions = [value for value in values if isinstance(value, float) and math.isfinite(value)]
    if not fractions or not all(value == 0 or _SMALL <= abs(value) < _GREAT for value in fractions):
        return [cell(value) for value in values]
    places = min(max(len(str(value).partition(".")[2]) for value in fractions), _MOST_PLACES)
    return [f"{value:.{places}f}" if isinstance(value, float) else cell(value) for value in values]


def cell(value: object) -> str:
    """One value as a table shows it."""
    return "" if value is None else _plain_text(value)


def said(error: Exception) -> str:
    """DuckDB's own words in a line and, where it says so, the line of the query with a mark under the place."""
    words, *more = str(error).strip("\n").split("\n\n")
    place = next((part for part in more if part.startswith("LINE ")), None)
    return words.strip().replace("\n", " ") + ("" if place is None else f"\n{place}")


@contextmanager
def _limited(connection: duckdb.DuckDBPyConnection, seconds: float) -> Iterator[None]:
    timer = threading.Timer(seconds, connection.interrupt)
    timer.daemon = True
    timer.start()
    try:
        yield
    except duckdb.InterruptException as error:
        raise Refused(f"stopped after {seconds:g} s; ask for less, or give it longer with --time-limit") from error
    except duckdb.OutOfMemoryException as error:
        raise Refused("it takes more memory than it may; ask for less, or give it more with --memory") from error
    except duckdb.Error as error:
        raise Refused(said(error)) from error
    finally:
        timer.cancel()


def _waited(connection: duckdb.DuckDBPyConnection, work: Callable[[], T], progress: Progress) -> T:
    """What the work gives. A thread does it: DuckDB looks for Ctrl-C only between its tasks, which may be long."""
    with ThreadPoolExecutor(1) as pool:
        done = pool.submit(work)
        try:
            while not wait([done], timeout=_LOOK_S).done:
                if progress is not None:
                    progress(max(0.0, connection.query_progress()) / 100)
        except KeyboardInterrupt:
            # Asked again, the process ends at once: nothing is half written, and DuckDB may take its time to hear.
            before = signal.signal(signal.SIGINT, signal.SIG_DFL)
            connection.interrupt()
            wait([done])
            signal.signal(signal.SIGINT, before)
            raise
        return done.result()


def _batches(cursor: duckdb.DuckDBPyConnection) -> Iterator[list[tuple[Any, ...]]]:
    while batch := cursor.fetchmany(FETCH):
        yield batch


def _json(answer: Answer) -> Iterator[str]:
    between = "[\n"
    for batch in answer.batches:
        for row in batch:
            yield between + _line(answer.columns, row)
            between = ",\n"
    yield "[]\n" if between == "[\n" else "\n]\n"


def _line(columns: Sequence[str], row: Sequence[object]) -> str:
    values = {name: _plain(value) for name, value in zip(columns, row, strict=True)}
    return json.dumps(values, ensure_ascii=False, allow_nan=False)


def _csv(answer: Answer) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow([safe(name) for name in answer.columns])
    for batch in answer.batches:
        writer.writerows([_csv_cell(value) for value in row] for row in batch)
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()
    yield buffer.getvalue()


def _csv_cell(value: object) -> str:
    if isinstance(value, bool | int | float | Decimal):
        return _plain_text(value)
    return "" if value is None else safe(_plain_text(value))


def safe(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe before what would begin one."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _plain(value: object) -> Any:
    """A value as JSON has it; what is not a number is null there."""
    match value:
        case float():
            return value if math.isfinite(value) else None
        case None | bool() | int() | str():
            return value
        case Decimal():
            return int(value) if value == value.to_integral_value() else float(value)
        case dict():
            return {str(key): _plain(item) for key, item in value.items()}
        case list() | tuple():
            return [_plain(item) for item in value]
        case _:
            return _plain_text(value)


def _plain_text(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case datetime():
            return value.isoformat().replace("+00:00", "Z")
        case date() | time():
            return value.isoformat()
        case timedelta():
            return f"{value.total_seconds():.15g} s"
        case bytes():
            return value.decode(errors="backslashreplace")
        case dict() | list() | tuple():
            return json.dumps(_plain(value), ensure_ascii=False)
        case _:
            return str(value)


def parameter(text: str) -> tuple[str, str]:
    """``name=value`` as its two parts; ValueError if it is not."""
    name, found, value = text.partition("=")
    if not found or not re.fullmatch(r"[A-Za-z_]\w*", name):
        raise ValueError(f"{text!r} is not name=value")
    return name, value
