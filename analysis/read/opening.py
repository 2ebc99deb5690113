"""Opens the published store: read-only, locked down, and never the collector's own file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from analysis.read.mill import CannotRead, NoStore, OtherVersion, store_folder
from analysis.read.store import Store

PUBLISHED = "published.duckdb"
MEMORY = "1GB"
_PUBLISH_ANEW = "start this version's collector once, so that it publishes again"


@contextmanager
def open_store(mill_toml: Path, *, memory: str = MEMORY) -> Iterator[Store]:
    """The published store of a mill, for as long as the ``with`` lasts.

    memory
        The most DuckDB may take.

    Raises
    ------
    CannotRead
        With the way out: there is no mill, no published store yet, or one of another version.
    """
    connection = connect(store_folder(mill_toml), memory=memory)
    try:
        yield Store(connection)
    except (duckdb.CatalogException, duckdb.BinderException) as error:
        raise _other_version(error) from error
    finally:
        connection.close()


def connect(folder: Path, *, memory: str = MEMORY) -> duckdb.DuckDBPyConnection:
    """A read-only connection to the published store in a folder.

    It sees the store and its Parquet parts and no other file, writes none, spills none, loads no extension, and cannot
    be talked out of it. (What a statement may be is another matter: DuckDB's ``COPY`` could still write among the
    parts, so ``query`` lets nothing but ``SELECT`` through.) Instants come in UTC.
    """
    file = _published(folder)
    try:
        connection = _open(file, memory)
    except (duckdb.IOException, duckdb.SerializationException) as error:
        raise _cannot_open(file, error) from error
    except duckdb.Error as error:
        raise CannotRead(f"cannot open {file}: {_first_line(error)}") from error
    return _locked_down(connection, folder)


def connect_apart(folder: Path, *, memory: str = MEMORY) -> duckdb.DuckDBPyConnection:
    """Like ``connect``, for a process that stays and reads the file anew whenever it was renewed.

    Within one process DuckDB opens a path once: while anybody still reads the file that was there, whoever opens the
    path gets that one again, though another has come in its place. A database in memory that the file is attached to
    is one of its own each time. ``reading`` gives each thread a store of its own over it.
    """
    file = _published(folder)
    connection = duckdb.connect(":memory:", config={"memory_limit": memory, "threads": 2})
    try:
        _attach(connection, file)
    except duckdb.Error as error:
        connection.close()
        raise _cannot_open(file, error) from error
    return _locked_down(connection, folder)


@contextmanager
def reading(connection: duckdb.DuckDBPyConnection) -> Iterator[Store]:
    """A store over a connection of ``connect_apart``, for one thread and as long as the ``with`` lasts.

    Raises
    ------
    CannotRead
        Also for a file that has been replaced for so long that its parts are gone: read the newest one then.
    """
    cursor = connection.cursor()
    try:
        cursor.execute("USE published")
        yield Store(cursor)
    except (duckdb.CatalogException, duckdb.BinderException) as error:
        raise _other_version(error) from error
    except duckdb.IOException as error:
        raise CannotRead(f"what was read has been replaced meanwhile ({_first_line(error)}); ask again") from error
    finally:
        cursor.close()


def _published(folder: Path) -> Path:
    file = folder / PUBLISHED
    if not file.exists():
        raise NoStore(f"nothing is published in {folder} yet; run 'breakhorn collect', 'load' or 'demo' first")
    return file


def _cannot_open(file: Path, error: duckdb.Error) -> OtherVersion:
    return OtherVersion(f"cannot open {file}: {_first_line(error)}; {_PUBLISH_ANEW}")


def _other_version(error: duckdb.Error) -> OtherVersion:
    said = f"the store was published by another version of the collector ({_first_line(error)})"
    return OtherVersion(f"{said}; {_PUBLISH_ANEW}")


def _attach(connection: duckdb.DuckDBPyConnection, file: Path) -> None:
    """Attach the file, and once more if it was renewed meanwhile (see ``_open``)."""
    attached = f"ATTACH {_quoted(str(file))} AS published (READ_ONLY)"
    try:
        connection.execute(attached)
    except duckdb.IOException:
        connection.execute(attached)
    connection.execute("USE published")


def _locked_down(connection: duckdb.DuckDBPyConnection, folder: Path) -> duckdb.DuckDBPyConnection:
    if connection.execute("SELECT current_setting('lock_configuration')").fetchone() == (True,):
        return connection  # Another one of this process has the file open: it is one database, locked down already.
    connection.execute("SET GLOBAL TimeZone = 'UTC'")
    connection.execute("SET temp_directory = ''")
    # DuckDB would print its bar on stdout, into the data. Whoever waits asks for ``query_progress``.
    connection.execute("SET enable_progress_bar = true")
    connection.execute("SET enable_progress_bar_print = false")
    # Parts never change once they are named: what stands at their ends is read once, not with every query.
    connection.execute("SET parquet_metadata_cache = true")
    # The parts are named by absolute paths, with or without symbolic links: both are the same folder.
    parts = {str(place / "parts") for place in (folder.absolute(), folder.resolve())}
    connection.execute(f"SET allowed_directories = [{', '.join(_quoted(part) for part in sorted(parts))}]")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    return connection


def _open(file: Path, memory: str) -> duckdb.DuckDBPyConnection:
    """Open the file, and once more if it was renewed meanwhile.

    DuckDB 2.0 opens it three times: for its kind, for its header, and for all else. Between the last two another file
    may come in its place; then the header leads nowhere. A file that is torn in truth is so at the second look as well.
    """
    config: dict[str, str | bool | int | float | list[str]] = {"memory_limit": memory, "threads": 2}
    try:
        return duckdb.connect(str(file), read_only=True, config=config)
    except duckdb.IOException:
        return duckdb.connect(str(file), read_only=True, config=config)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]
