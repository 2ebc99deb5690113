"""Makes published.duckdb, which readers open: copies of the small tables, the views, and where the parts lie.

A reader has either the file before or the file after; one that is open stays whole while it is used.
"""

from __future__ import annotations

from pathlib import Path

import duckdb

from collector.publish.part_file import Step, make_durable, paths_of, quoted, source_of
from collector.store import Store
from collector.store.error import file_error, store_error
from collector.store.opening import PARTS, PUBLISHED
from collector.store.parts import COLUMNS, HOT, STORED
from collector.store.schema import sql_text

_WRITER_ONLY = frozenset(
    {"retired_part", "next_part", "tag_source", "tracker", "delivery", "view_text"},
)
"""Tables that are of no use to readers. What is still hot is: it holds in the place of replaced rows of parts. The list
of parts is what the copy to a lake goes by."""

_BLOCK_BYTES = 16_384
"""DuckDB's smallest block. Each table takes at least one: with the usual 256 KiB the file has 4.2 MB instead of 0.6,
and it is written every few seconds."""

_READABLE_FROM = "v1.5.0"
"""The oldest DuckDB that must be able to open the file: shells, drivers and tools are updated later than we are. The
newest format, the default, is closed to all of 1.x; those before 1.5 forget MATERIALIZED in views."""

_NO_ROWS = {
    "value": "SELECT NULL::INTEGER AS tag_id, NULL::TIMESTAMPTZ AS sampled_at, NULL::DOUBLE AS value, "
    "NULL::UTINYINT AS flags WHERE FALSE",
    "text": "SELECT NULL::INTEGER AS tag_id, NULL::TIMESTAMPTZ AS sampled_at, NULL::VARCHAR AS text, "
    "NULL::UTINYINT AS flags WHERE FALSE",
}

_EMPTY: list[bytes] = []


def write_reader_file(store: Store, *, step: Step) -> None:
    """Make the file beside the one that is there, and put it in its place.

    Raises
    ------
    StoreFull, StoreReadOnly, StoreDamaged
        If it cannot be written: readers keep the file before.
    """
    path = store.folder / PUBLISHED
    new = path.with_name(path.name + ".new")
    try:
        new.with_name(new.name + ".wal").unlink(missing_ok=True)
        new.write_bytes(_empty_file(new))
        _fill(store, new)
        step("reader's file filled")
        make_durable(new)
        new.replace(path)
        make_durable(path)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise file_error(error, new) from error
    except duckdb.Error as error:
        raise store_error(error, store.path if "Corrupt" in str(error) else new) from error
    step("reader's file in place")


def _fill(store: Store, path: Path) -> None:
    """Copy the small tables of the store into an empty reader's file, and name the parts in it."""
    connection = store.connection
    connection.execute(f"ATTACH '{quoted(path)}' AS reader")
    try:
        connection.execute("BEGIN")
        for table in _tables(connection):
            connection.execute(f"INSERT INTO reader.base.{table} FROM base.{table}")
        _name_parts(store, connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    finally:
        connection.execute("DETACH reader")


def _tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'base' AND database_name = 'reader'"
    ).fetchall()
    return [table for (table,) in rows]


def _name_parts(store: Store, connection: duckdb.DuckDBPyConnection) -> None:
    """The parts by their absolute paths: a reader's own folder does not matter, and no other file is taken for one."""
    row = connection.execute("SELECT 1 FROM base.replaced LIMIT 1").fetchone()
    for content, columns in COLUMNS.items():
        paths = paths_of(store.folder / PARTS, [part for part in store.parts() if part.content == content])
        text = f"SELECT {columns} FROM {source_of(paths)}" if paths else _NO_ROWS[content]  # noqa: S608
        if row is not None:
            text = f"SELECT {columns} FROM {HOT[content]} UNION ALL {text}"  # noqa: S608 - names of ours
            text += " ANTI JOIN base.replaced USING (tag_id, sampled_at)" if paths else ""
        connection.execute(f"CREATE OR REPLACE VIEW reader.{STORED[content]} AS {text}")


def _empty_file(at: Path) -> bytes:
    """A reader's file without rows, made there once: its views and their comments take longer than all else."""
    if not _EMPTY:
        at.unlink(missing_ok=True)
        with duckdb.connect(
            at, config={"default_block_size": _BLOCK_BYTES, "storage_compatibility_version": _READABLE_FROM}
        ) as connection:
            _make_tables(connection)
            connection.execute(sql_text("views.sql"))
        _EMPTY.append(at.read_bytes())
    return _EMPTY[0]


def _make_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """The tables of schema.sql, without keys: they are only read."""
    connection.execute("ATTACH ':memory:' AS whole; USE whole")
    connection.execute(sql_text("schema.sql"))
    connection.execute("USE published; CREATE SCHEMA base")
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'base' AND database_name = 'whole'"
    ).fetchall()
    for (table,) in rows:
        if table not in _WRITER_ONLY:
            connection.execute(f"CREATE TABLE base.{table} AS FROM whole.base.{table} LIMIT 0")
    for content, stored in STORED.items():
        connection.execute(f"CREATE VIEW {stored} AS {_NO_ROWS[content]}")
    connection.execute("DETACH whole")
