"""Copies the writer's tables into a file of their own, as of one instant, while commits go on."""

from __future__ import annotations

from pathlib import Path

import duckdb
import msgspec

from collector.publish.part_file import make_durable, quoted
from collector.store.opening import DATABASE
from collector.store.schema import sql_text

_MADE_ANEW = frozenset({"view_text"})
"""Tables that are not copied: which views there are is found out when the copy is opened."""


def copy_tables(connection: duckdb.DuckDBPyConnection, source: str, path: Path) -> dict[str, int]:
    """Copy every table of an attached store into a new file, in one transaction; give the rows of each.

    connection
        One that nobody else uses: it is left with another default database.
    source
        The name under which the store is attached.
    """
    connection.execute(f"ATTACH '{quoted(path)}' AS copy")
    try:
        connection.execute("USE copy")
        connection.execute(sql_text("schema.sql"))
        connection.execute("DELETE FROM copy.base.next_part")
        connection.execute("BEGIN")
        try:
            counts = {table: _copy(connection, source, table) for table in _tables(connection, source)}
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
    finally:
        connection.execute(f"USE {source}")
        connection.execute("DETACH copy")
    make_durable(path)
    return counts


def _tables(connection: duckdb.DuckDBPyConnection, source: str) -> list[str]:
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = ? AND schema_name = 'base' ORDER BY table_name",
        [source],
    ).fetchall()
    return [table for (table,) in rows if table not in _MADE_ANEW]


def _copy(connection: duckdb.DuckDBPyConnection, source: str, table: str) -> int:
    """By name: a store that was migrated may have its columns in another order."""
    connection.execute(f"INSERT INTO copy.base.{table} BY NAME FROM {source}.base.{table}")
    row = connection.execute(f"SELECT count(*) FROM {source}.base.{table}").fetchone()  # noqa: S608 - names of ours
    return int(row[0]) if row else 0


def snapshot(connection: duckdb.DuckDBPyConnection, source: str, folder: Path) -> None:
    """Put the copy and its counts into a folder; the database appears last, and whole."""
    making = folder / "making.duckdb"
    for left in (making, making.with_name(making.name + ".wal")):
        left.unlink(missing_ok=True)
    counts = copy_tables(connection, source, making)
    (folder / "rows.json").write_bytes(msgspec.json.encode(counts))
    making.replace(folder / DATABASE)
