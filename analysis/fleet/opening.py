"""The only module that opens a lake: read-only, locked down, and only the files that its manifests name."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import numpy as np

from analysis.fleet.catalogue import Catalogue, TornLake, read_catalogue
from analysis.fleet.views import Column, comments_sql, view_sql
from analysis.read import MEMORY, mill_table


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """An open lake.

    faults
        What is not counted, and why.
    """

    connection: duckdb.DuckDBPyConnection
    faults: tuple[str, ...]


def lake_folder(mill_toml: Path, said: Path | None) -> Path:
    """The lake that was named, else that of mill.toml's ``[lake] folder``.

    Raises
    ------
    TornLake, NoMill
        If none is named anywhere.
    """
    if said is not None:
        return said
    folder = mill_table(mill_toml, "lake").get("folder")
    if not isinstance(folder, str):
        raise TornLake(f"{mill_toml} names no lake; say where one is with --lake FOLDER")
    return mill_toml.parent / folder


@contextmanager
def open_lake(
    folder: Path, *, first: date | None = None, last: date | None = None, memory: str = MEMORY
) -> Iterator[Fleet]:
    """All mills of a lake, for as long as the ``with`` lasts: a connection with the views of the published store.

    first, last
        The days (UTC) of which samples are named, both included; None: all.

    Raises
    ------
    CannotRead
        There is no lake, or it is not whole.
    """
    catalogue = read_catalogue(folder, first=first, last=last)
    with duckdb.connect(config={"memory_limit": memory, "threads": 2}) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        _lock(connection, catalogue.folder)
        _name_files(connection, catalogue)
        with _in_one_go(connection):
            make_views(connection, catalogue)
        yield Fleet(connection=connection, faults=catalogue.faults)


@contextmanager
def _in_one_go(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Hundreds of comments in one transaction take a tenth of the time that they take one by one."""
    connection.begin()
    yield
    connection.commit()


def make_views(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Make a view of each table that any writer's dictionary knows."""
    dictionary = _dictionary(connection, catalogue)
    for table, (about, columns) in dictionary.items():
        if table == "sheet_break":
            continue
        connection.execute(f"CREATE VIEW {table} AS {view_sql(catalogue.folder, table, columns, catalogue.of(table))}")
        for statement in comments_sql(table, about, columns):
            connection.execute(statement)
    about, columns = dictionary["sheet_break"]
    connection.execute("CREATE VIEW sheet_break AS SELECT * FROM downtime WHERE kind = 'break'")
    for statement in comments_sql("sheet_break", about, columns):
        connection.execute(statement)


def _dictionary(
    connection: duckdb.DuckDBPyConnection, catalogue: Catalogue
) -> dict[str, tuple[str | None, tuple[Column, ...]]]:
    """Every table that the lake holds with its comment and columns: those of all writers together, the newest first.

    So a lake that an older collector wrote also has the newer columns, null where it wrote none.
    """
    files = sorted(catalogue.of("dictionary"), key=lambda file: file.written_at, reverse=True)
    if not files:
        raise TornLake(f"{catalogue.folder} holds nothing yet: the collectors copy to it what is published")
    about: dict[str, str | None] = {}
    columns: defaultdict[str, dict[str, Column]] = defaultdict(dict)
    held = {file.table for file in catalogue.files} | _ALWAYS
    for file in files:
        rows = connection.execute(
            "SELECT table_name, column_name, data_type, comment FROM read_parquet(?) ORDER BY table_name, position",
            [str(catalogue.folder / file.path)],
        ).fetchall()
        for table, name, kind, comment in rows:
            if table not in held:
                continue
            if name is not None and not (_NAME.fullmatch(name) and _TYPE.fullmatch(kind)):
                raise TornLake(
                    f"{catalogue.folder / file.path} names a column that no Breakhorn has: {name!r} {kind!r}"
                )
            if name is None:
                about.setdefault(table, comment)
            else:
                columns[table].setdefault(name, Column(name=name, type=kind, comment=comment))
    return {table: (about.get(table), tuple(some.values())) for table, some in columns.items()}


_ALWAYS = frozenset(
    (
        "mill", "grade", "cause", "broke_pit", "broke_tower", "shift", "downtime_alias", "collector_run", "published",
        "machine", "sheet_detector", "signal", "tag", "machine_state", "downtime", "threading_attempt", "production",
        "reel", "grade_run", "detector_fault", "clothing", "lab", "grade_order", "note", "orphan_note", "rebuild",
        "message_count", "sample", "sample_text", "sheet_break",
    )
)  # fmt: skip
"""Views that are there even where no file has a row of them."""


# A dictionary is a file of the lake, so whoever may write there could say anything in it; it becomes SQL.
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_TYPE = re.compile(r"[A-Z][A-Z0-9 ]*(\(\d+, ?\d+\))?(\[\d*\])*")


def _name_files(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """What the manifests name, as the table lake_file."""
    connection.execute((Path(__file__).parent / "lake_file.sql").read_text(encoding="utf-8"))
    files = catalogue.files
    if not files:
        return
    text = {
        "table_name": [file.table for file in files],
        "mill": [file.mill for file in files],
        "machine": [file.machine for file in files],
        "day": [file.day for file in files],
        "writer": [file.writer for file in files],
        "path": [file.path for file in files],
        "first_at": [file.first_at for file in files],
        "last_at": [file.last_at for file in files],
        "written_at": [file.written_at for file in files],
    }
    whole = {
        "year": [file.year or 0 for file in files],
        "rows": [file.rows for file in files],
        "bytes": [file.bytes for file in files],
        "counts": [bool(file.clips) for file in files],
    }
    named = {name: np.array(values, dtype=object) for name, values in text.items()}
    named |= {name: np.array(values) for name, values in whole.items()}
    connection.register("named", named)
    connection.execute(
        "INSERT INTO lake_file BY NAME SELECT * REPLACE (nullif(year, 0) AS year, day::DATE AS day, "
        "first_at::TIMESTAMPTZ AS first_at, last_at::TIMESTAMPTZ AS last_at, written_at::TIMESTAMPTZ AS written_at) "
        "FROM named"
    )
    connection.unregister("named")


def _lock(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """From here on it reads the lake and nothing else, writes nothing, and cannot be talked out of it."""
    connection.execute("SET temp_directory = ''")
    connection.execute("SET parquet_metadata_cache = true")
    places = {str(place) for place in (folder, folder.resolve())}
    quoted = ", ".join("'" + place.replace("'", "''") + "'" for place in sorted(places))
    connection.execute(f"SET allowed_directories = [{quoted}]")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
