"""How a backup asks the writer for a copy of its tables: by a file in the store, held for as long as the backup lives.

While it is held, the collector deletes no part, so that those which the copy names can be fetched without haste.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from collector.backup.snapshot import snapshot
from collector.logs import about
from collector.store import Store
from collector.store.asked import LOCK, asked_folder, is_held

log = logging.getLogger("breakhorn.backup")

WANTED = "wanted"
FAILED = "failed"


class BackupUnderWay(Exception):
    """Another backup of the same store is under way: wait for its end."""


@contextmanager
def asking(store: Path) -> Iterator[Path]:
    """A folder in the store for what the writer hands over; it goes when this is left, or its process dies.

    Raises
    ------
    BackupUnderWay
        If somebody else is at it.
    """
    folder = asked_folder(store)
    folder.mkdir(exist_ok=True)
    handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise BackupUnderWay(f"another backup of {store} is under way: wait for its end") from None
        for left in folder.iterdir():
            if left.name != LOCK:
                left.unlink()
        yield folder
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(handle)


class Answering:
    """The writer's side: hands over a copy when somebody asks. Every method belongs to the writer's thread."""

    def __init__(self, store: Store) -> None:
        """Answer for an open store."""
        self._store = store
        self._folder = asked_folder(store.folder)
        self._cursor: duckdb.DuckDBPyConnection | None = None
        self._thread: threading.Thread | None = None

    def turn(self) -> None:
        """See whether somebody asks; the copy is made beside the commits, from one instant on."""
        if self._thread is not None and not self._thread.is_alive():
            self._end()
        wanted = self._folder / WANTED
        if self._thread is not None or not wanted.exists():
            return
        if not is_held(self._store.folder):
            shutil.rmtree(self._folder, ignore_errors=True)
            return
        wanted.unlink()
        self._cursor = self._store.connection.cursor()
        self._thread = threading.Thread(target=self._hand_over, args=(self._cursor,), name="backup", daemon=True)
        self._thread.start()

    def _hand_over(self, cursor: duckdb.DuckDBPyConnection) -> None:
        try:
            snapshot(cursor, self._store.path.stem, self._folder)
            log.info("tables handed over for a backup", extra=about("backup"))
        except (duckdb.Error, OSError) as error:
            log.warning("no backup: %s", error, extra=about("no backup"))
            # Whoever asked may be gone with the folder, or the disk be full for this line as well: then they time out.
            with suppress(OSError), (self._folder / FAILED).open("w", encoding="utf-8") as told:
                told.write(str(error).splitlines()[0])

    def stop(self) -> None:
        """Give up what is under way."""
        while self._thread is not None and self._thread.is_alive() and self._cursor is not None:
            self._cursor.interrupt()
            self._thread.join(0.02)
        self._end()

    def _end(self) -> None:
        if self._cursor is not None:
            self._cursor.close()
        self._cursor = self._thread = None
