"""The views of a lake as SQL: named as in the published store, with the mill as their first column. Pure text."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from analysis.fleet.catalogue import Clip, File

_PARTITIONS = {"mill": "VARCHAR", "machine": "VARCHAR", "year": "INTEGER", "day": "DATE"}
"""What stands in a path, not in the file, with the types, which no reader shall guess: "0042" is a machine, too."""

ONE_OF: dict[str, str] = {
    "mill": "mill",
    "grade": "mill, grade",
    "cause": "mill, code",
    "broke_pit": "mill, pit, section",
    "broke_tower": "mill, tower",
    "shift": "mill, shift_date, shift, started_at",
    "downtime_alias": "mill, old_id",
    "machine": "mill, machine",
    "tag": "mill, machine, tag",
    "note": "mill, note_id",
}
"""Of what several writers say the same of, one row holds: that of the file written last."""

_BEGINS = ("threading_attempt",)
"""Rows that belong to whoever had the machine when they began, whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a view, as the writers' dictionaries have it."""

    name: str
    type: str
    comment: str | None


def view_sql(folder: Path, table: str, columns: tuple[Column, ...], files: Iterable[File]) -> str:
    """The SELECT of a view; without rows where no file has any.

    columns
        Of the newest dictionary: those that a file lacks are null in its rows.
    """
    shown = shown_columns(table, columns)
    listed = [(file, clip) for file in files for clip in file.clips if file.rows]
    pieces = list(_pieces(folder, table, columns, listed))
    if not pieces:
        return f"SELECT {', '.join(f'NULL::{c.type} AS {_name(c)}' for c in shown)} WHERE FALSE"
    union = " UNION ALL BY NAME ".join(pieces)
    picked = ", ".join(_picked(table, column) for column in shown)
    if table not in ONE_OF:
        return f"SELECT {picked} FROM ({union})"  # noqa: S608 - names and paths of the catalogue
    keys = ONE_OF[table]
    return (
        f"SELECT {picked} FROM ({union}) "  # noqa: S608
        f"QUALIFY row_number() OVER (PARTITION BY {keys} ORDER BY written_at DESC) = 1"
    )


def shown_columns(table: str, columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """The mill first, then what the published view has; for samples also the day, by which files are left unopened."""
    more = [Column(name="day", type="DATE", comment=DAY)] if table in ("sample", "sample_text") else []
    if table in ("published", "collector_run"):
        more = [Column(name="writer", type="VARCHAR", comment="Name of the collector in the lake.")]
    own = [column for column in columns if column.name != "tag_id"]
    return (Column(name="mill", type="VARCHAR", comment=MILL), *own, *more)


MILL = "Name of the mill."
DAY = "Day of sampled_at in UTC. Say it in WHERE: files of other days are then not even opened."


def _picked(table: str, column: Column) -> str:
    """A column of the outermost SELECT. Of a machine that moved, what any writer has counts for first and last."""
    if table in ("machine", "tag") and column.name in ("first_at", "last_at"):
        function = "min" if column.name == "first_at" else "max"
        return f"{function}({column.name}) OVER (PARTITION BY {ONE_OF[table]}) AS {column.name}"
    return _name(column)


def _pieces(folder: Path, table: str, columns: tuple[Column, ...], listed: list[tuple[File, Clip]]) -> Iterable[str]:
    """One SELECT for all files that have the same columns and need no cut, and that need no word of who wrote them."""
    alike: defaultdict[tuple[str, Clip, str, str], list[File]] = defaultdict(list)
    told = table in ONE_OF or table in ("published", "collector_run")
    for file, clip in listed:
        alike[file.columns, clip, file.writer if told else "", file.written_at if told else ""].append(file)
    for (has, clip, writer, written_at), files in alike.items():
        paths = ", ".join(f"'{_quoted(str(folder / file.path))}'" for file in files)
        there = {"mill", *has.split(",")} | ({"machine"} if files[0].machine is not None else set())
        lacking = [f"NULL::{c.type} AS {_name(c)}" for c in columns if c.name not in there and c.name != "tag_id"]
        more = [f"'{_quoted(writer)}' AS writer", f"TIMESTAMPTZ '{written_at}' AS written_at"] if told else []
        selected = ", ".join(["*", *lacking, *more])
        yield f"SELECT {selected} FROM {_cut(f'read_parquet([{paths}], {_hive(files[0])})', table, files[0], clip)}"  # noqa: S608


def _hive(file: File) -> str:
    types = ", ".join(f"'{name}': {kind}" for name, kind in _PARTITIONS.items() if f"/{name}=" in file.path)
    return f"hive_partitioning = true, hive_types = {{{types}}}"


def _cut(source: str, table: str, file: File, clip: Clip) -> str:
    """Rows of a file cut to the time in which the machine was its writer's: SQL after FROM."""
    if clip == Clip():
        return source
    time, until = file.time, file.until
    start = None if clip.start is None else f"TIMESTAMPTZ '{clip.start}'"
    end = None if clip.end is None else f"TIMESTAMPTZ '{clip.end}'"
    if until is None or table in _BEGINS:
        at = f"{time}::TIMESTAMPTZ"
        where = [f"{at} >= {start}"] if start else []
        where += [f"{at} < {end}"] if end else []
        return f"(SELECT * FROM {source} WHERE {' AND '.join(where)})"  # noqa: S608
    where = [f"({until} IS NULL OR {until} > {start})"] if start else []
    where += [f"{time} < {end}"] if end else []
    begun = f"greatest({time}, {start})" if start else f"{time}"
    ended = f"least(coalesce({until}, {end}), {end})" if end else f"{until}"
    replaced = [f"{begun} AS {time}", f"{ended} AS {until}"]
    if table == "downtime":
        replaced += _cut_downtime(begun, ended, start, end)
    return f"(SELECT * REPLACE ({', '.join(replaced)}) FROM {source} WHERE {' AND '.join(where)})"  # noqa: S608


def _cut_downtime(begun: str, ended: str, start: str | None, end: str | None) -> list[str]:
    """A downtime over a handover is two: one that nobody saw end, and one that nobody saw begin."""
    lost_h = f"(epoch_ms({ended}) - epoch_ms({begun})) / 3600000.0"
    cut_begin = f"started_at < {start}" if start else "FALSE"
    cut_end = f"coalesce(ended_at > {end}, TRUE)" if end else "FALSE"
    return [
        f"CASE WHEN {cut_begin} THEN 'unknown' ELSE kind END AS kind",
        f"CASE WHEN {cut_begin} THEN NULL ELSE section END AS section",
        f"start_uncertain OR {cut_begin} AS start_uncertain",
        f"end_uncertain OR {cut_end} AS end_uncertain",
        f"{lost_h} * 3600.0 AS lost_s",
        f"{lost_h} * rate_before_t_h AS lost_t",
        f"CASE WHEN {cut_begin} OR {cut_end} THEN NULL ELSE broke_t END AS broke_t",
    ]


def comments_sql(table: str, about: str | None, columns: tuple[Column, ...]) -> list[str]:
    """The statements that give a view and its columns the comments that the published store has."""
    said = [f"COMMENT ON VIEW {table} IS '{_quoted(about)}'"] if about else []
    return said + [
        f"COMMENT ON COLUMN {table}.{_name(column)} IS '{_quoted(column.comment)}'"
        for column in shown_columns(table, columns)
        if column.comment
    ]


def _name(column: Column) -> str:
    return '"' + column.name.replace('"', '""') + '"'


def _quoted(text: str) -> str:
    return text.replace("'", "''")
