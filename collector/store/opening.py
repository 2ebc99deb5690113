"""Opens the store for the one process that writes it, and keeps it honest: it is never renamed, repaired or emptied."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb
import msgspec

from collector.settings import Mill
from collector.store.error import StoreDamaged, StoreFull, StoreHeld, file_error, opening_error, store_error
from collector.store.parts import Part, look_at_parts, part_path, parts_of
from collector.store.schema import bring_up_to_date, make_views, refuse_newer, refuse_older, sql_text
from collector.store.settings_rows import fill_settings, fill_shifts

DATABASE = "collector.duckdb"
PUBLISHED = "published.duckdb"
PARTS = "parts"

CHECKPOINT_AT = "64MB"
"""Size of the write-ahead log at which DuckDB writes it into the database: at full rate about every three seconds."""

_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "checkpoint_threshold": CHECKPOINT_AT,
    "threads": 1,
}
"""A commit is too small for two threads: with one it takes a fifth less of the processor. Large work asks for more."""

ROOM_TO_OPEN = 1_000_000
"""With less room the store is not even opened, since that writes to it. [bytes]"""

_DELIVERY_BYTES = 10

_held: set[Path] = set()
"""Databases that this process has open: DuckDB's own lock keeps out other processes only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inconsistency:
    """Something in the store that must never be."""

    fault: str
    detail: str


class Store:
    """The open store. One thread uses it; everything that is written goes through ``transaction``."""

    def __init__(self, folder: Path, mill: Mill, connection: duckdb.DuckDBPyConnection) -> None:
        """Use ``Store.open``."""
        self.folder = folder
        self.path = folder / DATABASE
        self.connection = connection
        self.configuration_id = 0
        self._mill = mill
        self._run: int | None = None
        self._parts: list[Part] | None = None

    @classmethod
    def open(cls, folder: Path, mill: Mill, *, now_ms: int) -> Store:
        """Open the store in a folder, which is made if it is not there, and bring it up to this version.

        Raises
        ------
        StoreHeld, StoreNewer, StoreDamaged, StoreReadOnly, StoreFull
            Each says what to do; nothing was changed then.
        """
        folder = folder.resolve()
        path = folder / DATABASE
        if path in _held:
            raise StoreHeld(f"{path} is open in this process already")
        store = cls(folder, mill, _connect(path, memory_limit_mb=mill.store.memory_limit_mb))
        store._take_hold(now_ms)
        return store

    @classmethod
    def look(cls, folder: Path, mill: Mill, *, now_ms: int) -> Store:
        """Open the store in a folder only to look at it: not a byte of it is changed. ``now_ms`` does not matter.

        Raises
        ------
        StoreHeld, StoreNewer, StoreDamaged
            Also if the store is not there, or of an earlier version: it must be brought up to date first.
        """
        folder = folder.resolve()
        path = folder / DATABASE
        if path in _held:
            raise StoreHeld(f"{path} is open in this process already")
        if not path.exists():
            raise StoreDamaged(f"{path} is not there: collect or load something first")
        store = cls(folder, mill, _connect_to_look(path))
        _held.add(path)
        return store

    def reopen(self, *, now_ms: int) -> None:
        """Open the store again after it was closed, as ``open`` does: the way on after StoreDead.

        Raises
        ------
        StoreHeld, StoreNewer, StoreDamaged, StoreReadOnly, StoreFull
            It stays closed then.
        """
        self.connection = _connect(self.path, memory_limit_mb=self._mill.store.memory_limit_mb)
        self.forget_parts()
        self._take_hold(now_ms)

    def _take_hold(self, now_ms: int) -> None:
        _held.add(self.path)
        try:
            self._prepare(now_ms)
        except BaseException as error:
            self.close()
            if isinstance(error, duckdb.Error):
                raise opening_error(error, self.path) from error
            raise

    @property
    def is_open(self) -> bool:
        """False once it was closed, until it is opened again."""
        return self.path in _held

    def check_room(self) -> None:
        """Stop before the disk is full, while DuckDB can still tidy up. Cheap: to be called before each commit.

        Raises
        ------
        StoreFull
            If less is free than ``min_free_mb`` under [store].
        """
        least, free = self._mill.store.min_free_mb, _free_bytes(self.folder)
        if free < least * 1_000_000:
            raise StoreFull(
                f"only {free // 1_000_000} MB are free on the disk of {self.folder}, less than the {least:g} MB of "
                "min_free_mb under [store]: make room; the broker keeps what comes"
            )

    def _prepare(self, now_ms: int) -> None:
        bring_up_to_date(self.connection, now_ms=now_ms)
        self._check_parts()
        # A store that was moved names its parts where they were: that is put right before any view is made over them.
        look_at_parts(self.connection, self.folder / PARTS, self.parts())
        make_views(self.connection)
        with self.transaction() as connection:
            self.configuration_id = fill_settings(connection, self._mill)
            fill_shifts(connection, self._mill, anew=True)

    def _check_parts(self) -> None:
        """A part that is gone or cut short is found at once, not by the query that needs it."""
        for part in self.parts():
            path = part_path(self.folder / PARTS, part)
            try:
                size = path.stat().st_size
            except FileNotFoundError:
                raise StoreDamaged(f"{path} is missing: bring it back from a backup of the store") from None
            if size != part.bytes:
                message = f"{path} has {size} bytes instead of {part.bytes}: bring it back from a backup of the store"
                raise StoreDamaged(message)

    def parts(self) -> list[Part]:
        """The Parquet files that hold samples, in order of their making."""
        if self._parts is None:
            self._parts = parts_of(self.connection)
        return self._parts

    def forget_parts(self) -> None:
        """The list of parts is another one now, or may be: read it again when it is needed."""
        self._parts = None

    @contextmanager
    def errors(self) -> Iterator[None]:
        """Turns DuckDB's errors inside into those of the store."""
        try:
            yield
        except duckdb.Error as error:
            raise store_error(error, self.path) from error

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """All that is written inside is durable when it is left, or nothing of it is.

        Raises
        ------
        StoreFull, StoreDead, StoreConflict, StoreReadOnly, StoreDamaged
            In the place of DuckDB's own errors.
        """
        with self.errors():
            try:
                self.connection.execute("BEGIN")
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        """Undo, where there is something to undo: a failed commit or a dead database has done so itself."""
        self.forget_parts()
        try:
            self.connection.execute("ROLLBACK")
        except duckdb.Error:
            return

    @contextmanager
    def all_threads(self) -> Iterator[None]:
        """Let large work inside use every processor."""
        self.connection.execute(f"SET threads = {os.cpu_count() or 1}")
        try:
            yield
        finally:
            self.connection.execute("SET threads = 1")

    def tracker_states(self) -> dict[str, bytes]:
        """The serialised tracker state of each machine, as of the last commit."""
        with self.errors():
            return dict(self.connection.execute("SELECT machine, state FROM base.tracker").fetchall())

    def deliveries(self) -> list[tuple[int, bytes]]:
        """(packet id, digest) of the last committed deliveries, oldest first; at least a broker's window of them."""
        with self.errors():
            rows = self.connection.execute("SELECT deliveries FROM base.delivery ORDER BY batch").fetchall()
        return [delivery for (packed,) in rows for delivery in unpack_deliveries(packed)]

    def last_batch(self) -> int:
        """Number of the last committed batch that held deliveries; 0 if there is none."""
        with self.errors():
            row = self.connection.execute("SELECT max(batch) FROM base.delivery").fetchone()
        return int(row[0]) if row and row[0] is not None else 0

    def begin_run(self, now_ms: int, version: str) -> None:
        """Write down that a run of the collector begins. An earlier one without an end was killed."""
        with self.transaction() as connection:
            row = connection.execute(
                "INSERT INTO base.collector_run (run, version, started_at, ended_cleanly) "
                "SELECT coalesce(max(run), 0) + 1, ?, make_timestamptz(?::BIGINT * 1000), FALSE "
                "FROM base.collector_run RETURNING run",
                [version, now_ms],
            ).fetchone()
        self._run = int(row[0]) if row else None

    def keep_counts(self, counts: Mapping[str, object]) -> None:
        """Write down what the run has counted so far: a run that is cut off leaves that much."""
        with self.transaction() as connection:
            connection.execute(
                "UPDATE base.collector_run SET counts = ? WHERE run = ?",
                [msgspec.json.encode(dict(counts)).decode(), self._run],
            )

    def end_run(self, now_ms: int, clean: bool, counts: Mapping[str, object]) -> None:
        """Write down that the run ends, whether by order, and what it counted."""
        with self.transaction() as connection:
            connection.execute(
                "UPDATE base.collector_run SET ended_at = make_timestamptz(?::BIGINT * 1000), ended_cleanly = ?, "
                "counts = ? WHERE run = ?",
                [now_ms, clean, msgspec.json.encode(dict(counts)).decode(), self._run],
            )

    def inconsistencies(self) -> list[Inconsistency]:
        """All that consistency.sql finds; empty for a sound store."""
        with self.errors():
            rows = self.connection.execute(sql_text("consistency.sql")).fetchall()
        return [Inconsistency(fault=fault, detail=detail) for fault, detail in rows]

    def close(self) -> None:
        """Let go of the store. Closing twice does nothing."""
        self.connection.close()
        _held.discard(self.path)

    def __enter__(self) -> Self:
        """The store itself; leaving closes it."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the store."""
        self.close()


def pack_deliveries(deliveries: list[tuple[int, bytes]]) -> bytes:
    """Two bytes of packet id and eight of digest for each."""
    return b"".join(packet_id.to_bytes(2, "big") + digest for packet_id, digest in deliveries)


def unpack_deliveries(packed: bytes) -> Iterator[tuple[int, bytes]]:
    """What ``pack_deliveries`` packed."""
    for start in range(0, len(packed), _DELIVERY_BYTES):
        yield int.from_bytes(packed[start : start + 2], "big"), packed[start + 2 : start + _DELIVERY_BYTES]


def _connect(path: Path, *, memory_limit_mb: int) -> duckdb.DuckDBPyConnection:
    """What does not fit into the memory limit (merging a large day) goes to a file beside the store."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        (path.parent / PARTS).mkdir(exist_ok=True)
    except OSError as error:
        raise file_error(error, path.parent) from error
    if _free_bytes(path.parent) < ROOM_TO_OPEN:
        raise StoreFull(f"no space left on the disk of {path.parent}: make room; the broker keeps what comes")
    try:
        _look_before(path)
        connection = duckdb.connect(path, config={**_CONFIG, "memory_limit": f"{memory_limit_mb}MB"})
        connection.execute("SET TimeZone = 'UTC'")
    except duckdb.Error as error:
        raise opening_error(error, path) from error
    return connection


def _connect_to_look(path: Path) -> duckdb.DuckDBPyConnection:
    try:
        connection = duckdb.connect(path, config=_CONFIG, read_only=True)
    except duckdb.Error as error:
        raise opening_error(error, path) from error
    try:
        connection.execute("SET TimeZone = 'UTC'")
        refuse_older(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _free_bytes(folder: Path) -> int:
    try:
        return shutil.disk_usage(folder).free
    except OSError as error:
        raise file_error(error, folder) from error


def _look_before(path: Path) -> None:
    """Refuse what is not ours to write without writing: closing a database that was opened for writing changes it."""
    if path.exists():
        with duckdb.connect(path, read_only=True) as connection:
            refuse_newer(connection)
