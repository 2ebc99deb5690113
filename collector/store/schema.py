"""Brings the tables of a store to those that this version of Breakhorn knows, and its views with them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

import duckdb

from collector.store.error import StoreDamaged, StoreNewer, StoreOlder
from collector.store.parts import look_at_parts

SQL = files("collector") / "sql"


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """A step from one version of the schema to the next: ``0004_add_tail_width.sql`` makes version 4 of 3."""

    version: int
    name: str
    text: str


def sql_text(name: str) -> str:
    """The text of one of our SQL files."""
    return (SQL / name).read_text(encoding="utf-8")


def migrations(folder: Traversable = SQL / "migrations") -> list[Migration]:
    """Every migration there is, oldest first. The first makes the schema out of nothing."""
    return sorted(_migrations(folder), key=lambda step: step.version)


def _migrations(folder: Traversable) -> Iterator[Migration]:
    for file in folder.iterdir():
        if found := re.fullmatch(r"(\d{4})_(\w+)\.sql", file.name):
            yield Migration(version=int(found[1]), name=found[2], text=file.read_text(encoding="utf-8"))


def schema_version(connection: duckdb.DuckDBPyConnection) -> int:
    """Version of the schema that a database has; 0 for an empty one.

    Raises
    ------
    StoreDamaged
        If there are tables, but none of ours.
    """
    tables = connection.execute("SELECT schema_name, table_name FROM duckdb_tables() WHERE NOT internal").fetchall()
    if not tables:
        return 0
    if ("base", "schema_version") not in tables:
        raise StoreDamaged("the database holds tables, but it is no store of Breakhorn: choose another folder")
    row = connection.execute("SELECT max(version) FROM base.schema_version").fetchone()
    return int(row[0]) if row and row[0] is not None else 0


def bring_up_to_date(
    connection: duckdb.DuckDBPyConnection, *, now_ms: int, steps: list[Migration] | None = None
) -> None:
    """Creates the tables in an empty database, or migrates older ones, a transaction a step; then makes the views.

    A new store is made from schema.sql at once; all the migrations in turn give the same tables (a test says so).

    Raises
    ------
    StoreNewer
        If the database has a later version than the last step.
    """
    steps = migrations() if steps is None else steps
    found, newest = refuse_newer(connection, steps=steps), steps[-1]
    if found == 0:
        _apply(connection, Migration(version=newest.version, name="schema", text=sql_text("schema.sql")), now_ms)
    for step in steps:
        if 0 < found < step.version:
            _apply(connection, step, now_ms)
    make_views(connection)


def refuse_newer(connection: duckdb.DuckDBPyConnection, *, steps: list[Migration] | None = None) -> int:
    """The version of a database's schema, if it is one that this Breakhorn can use.

    Raises
    ------
    StoreNewer, StoreDamaged
        If it is a later one, or no store at all.
    """
    found, newest = schema_version(connection), (steps or migrations())[-1]
    if found > newest.version:
        raise StoreNewer(
            f"the store has schema version {found}, this Breakhorn knows {newest.version}: run a later version, or "
            "choose another folder under [store]"
        )
    return found


def refuse_older(connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse a database that must be migrated before it can be read, or whose version is a later one.

    Raises
    ------
    StoreNewer, StoreDamaged, StoreOlder
        Which of them it is.
    """
    found, newest = refuse_newer(connection), migrations()[-1].version
    if found < newest:
        raise StoreOlder(
            f"the store has schema version {found}, this Breakhorn needs {newest}: start the collector once, which "
            "brings it up to date"
        )


def _apply(connection: duckdb.DuckDBPyConnection, step: Migration, now_ms: int) -> None:
    connection.execute("BEGIN")
    try:
        connection.execute(step.text)
        connection.execute(
            "INSERT INTO base.schema_version VALUES (?, ?, make_timestamptz(?::BIGINT * 1000))",
            [step.version, step.name, now_ms],
        )
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def make_views(connection: duckdb.DuckDBPyConnection) -> None:
    """Makes the views of views.sql, with their comments, unless the database has just these already."""
    text = sql_text("views.sql")
    digest = hashlib.sha256(text.encode()).hexdigest()
    if connection.execute("SELECT 1 FROM base.view_text WHERE digest = ?", [digest]).fetchone():
        return
    connection.execute("BEGIN")
    try:
        # The parts may lie in another folder than when the store was last open: whoever opens it lists them after this.
        look_at_parts(connection, Path(), ())
        _drop_views(connection)
        connection.execute(text)
        connection.execute("DELETE FROM base.view_text")
        connection.execute("INSERT INTO base.view_text VALUES (?)", [digest])
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _drop_views(connection: duckdb.DuckDBPyConnection) -> None:
    """A view that views.sql no longer names must not stay. What the views of samples read is not in views.sql."""
    found = connection.execute(
        "SELECT schema_name, view_name FROM duckdb_views() WHERE NOT internal AND NOT starts_with(view_name, 'stored_')"
    ).fetchall()
    for schema, view in found:
        connection.execute(f'DROP VIEW IF EXISTS "{schema}"."{view}"')
