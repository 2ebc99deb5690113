"""Writes Parquet parts and lists them. A part is written whole and safe on disk before a transaction lists it.

Its name follows from the next free id. Killed in between, the file is not listed, so nobody reads it; the next part
gets the same id and overwrites it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb

from collector.store import Store
from collector.store.error import file_error
from collector.store.opening import PARTS
from collector.store.parts import COLUMNS, Content, Part, look_at_parts, part_name, part_path

Step = Callable[[str], None]
"""Called with the name of each step once it is done; tests kill the process there."""


_ROW_GROUP = 40_960
"""Rows written together. With DuckDB's 122,880, many tags share a group, whose times are then no longer regular: 1.8
bytes a sample of the demo mill instead of 1.2. Smaller groups gain little more and slow one-tag queries."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A file with the rows of a part to be: safe on disk, but not listed.

    first_us, last_us
        Oldest and newest source time in it. [µs]
    """

    path: Path
    content: Content
    level: int
    day: date | None
    thinned: bool
    row_count: int
    bytes: int
    first_us: int
    last_us: int


@dataclass(slots=True)
class Relisting:
    """Parts to be listed, and parts to be listed no longer."""

    added: list[Part] = field(default_factory=list)
    removed: list[Part] = field(default_factory=list)


def make_file(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    content: Content,
    source: str,
    *,
    level: int = 0,
    day: date | None = None,
    thinned: bool = False,
) -> Made | None:
    """Write the rows of a source to a file, sorted by tag and time; None, and no file, if it has none.

    source
        SQL after FROM.
    """
    connection.execute(
        f"COPY (SELECT {COLUMNS[content]} FROM {source} ORDER BY tag_id, sampled_at) TO '{quoted(path)}' "  # noqa: S608
        f"(FORMAT parquet, PARQUET_VERSION v2, COMPRESSION zstd, ROW_GROUP_SIZE {_ROW_GROUP})"
    )
    row = connection.execute(
        "SELECT count(*), epoch_us(min(sampled_at)), epoch_us(max(sampled_at)) FROM read_parquet(?)", [str(path)]
    ).fetchone()
    if row is None or not row[0]:
        path.unlink()
        return None
    make_durable(path)
    return Made(
        path=path,
        content=content,
        level=level,
        day=day,
        thinned=thinned,
        row_count=row[0],
        bytes=path.stat().st_size,
        first_us=row[1],
        last_us=row[2],
    )


class PartWriter:
    """Makes parts under the next free ids, and lists them."""

    def __init__(self, store: Store) -> None:
        """Go on from the next free id of the store."""
        self._store = store
        self.folder = store.folder / PARTS
        row = store.connection.execute("SELECT part_id FROM base.next_part").fetchone()
        self.next_id = int(row[0]) if row else 1

    def write(self, content: Content, source: str, *, day: date | None = None) -> Part | None:
        """Write the rows of a source as a part; None if it has none."""
        path = self.folder / part_name(self.next_id, content)
        with self._store.errors(), self._store.all_threads():
            made = make_file(self._store.connection, path, content, source, day=day)
        return None if made is None else self.adopt(made)

    def adopt(self, made: Made) -> Part:
        """Give a file the next free id, and the name that belongs to it."""
        path = self.folder / part_name(self.next_id, made.content)
        if made.path != path:
            try:
                made.path.replace(path)
            except OSError as error:
                raise file_error(error, made.path) from error
            make_durable(path)
        part = Part(
            part_id=self.next_id,
            content=made.content,
            level=made.level,
            day=made.day,
            thinned=made.thinned,
            row_count=made.row_count,
            bytes=made.bytes,
            first_us=made.first_us,
            last_us=made.last_us,
        )
        self.next_id += 1
        return part

    def list_parts(self, connection: duckdb.DuckDBPyConnection, change: Relisting, *, now_ms: int) -> None:
        """List what was added and no longer what was removed, within the caller's transaction."""
        for part in change.removed:
            connection.execute("DELETE FROM base.part WHERE part_id = ?", [part.part_id])
            connection.execute(
                "INSERT INTO base.retired_part VALUES (?, ?, make_timestamptz(?::BIGINT * 1000))",
                [part.part_id, part.content, now_ms],
            )
        for part in change.added:
            connection.execute(
                "INSERT INTO base.part "
                "VALUES (?, ?, ?, ?, ?, ?, make_timestamptz(?::BIGINT), make_timestamptz(?::BIGINT), ?)",
                [
                    part.part_id, part.content, part.level, part.day, part.row_count, part.bytes, part.first_us,
                    part.last_us, part.thinned,
                ],
            )  # fmt: skip
        connection.execute("UPDATE base.next_part SET part_id = ?", [self.next_id])
        self._store.forget_parts()
        look_at_parts(connection, self.folder, self._store.parts())


def delete_retired(store: Store, *, before_ms: int) -> None:
    """Delete files that have not been listed since before a time: their last readers are done."""
    rows = store.connection.execute(
        "SELECT part_id, content FROM base.retired_part WHERE retired_at < make_timestamptz(?::BIGINT * 1000)",
        [before_ms],
    ).fetchall()
    for part_id, content in rows:
        (store.folder / PARTS / part_name(part_id, content)).unlink(missing_ok=True)
    if rows:
        with store.transaction() as connection:
            connection.execute(
                "DELETE FROM base.retired_part WHERE part_id IN (SELECT unnest(?::BIGINT[]))",
                [[part_id for part_id, _ in rows]],
            )


def source_of(paths: Iterable[Path]) -> str:
    """Some files as SQL after FROM."""
    return "read_parquet([" + ", ".join(f"'{quoted(path)}'" for path in paths) + "])"


def paths_of(folder: Path, parts: Iterable[Part]) -> list[Path]:
    """Where the parts lie."""
    return [part_path(folder, part) for part in parts]


def quoted(path: Path) -> str:
    """A path for use between single quotes in SQL."""
    return str(path).replace("'", "''")


def make_durable(path: Path) -> None:
    """Return once a file and its name are on disk.

    Raises
    ------
    StoreFull, StoreReadOnly, StoreDamaged
        If that cannot be.
    """
    try:
        for target in (path, path.parent):
            handle = os.open(target, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
    except OSError as error:
        raise file_error(error, path) from error
