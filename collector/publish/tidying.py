"""Works on parts beside the writer: one plan at a time, in a thread and a database of its own, so that no commit waits.

The database is in memory and reads only files that are never changed. Whatever happens to it, the store is as it was.
"""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path

import duckdb

from collector.publish.correct import plan_correcting
from collector.publish.day import Day
from collector.publish.layout import Layout
from collector.publish.merge import plan_merging
from collector.publish.part_file import Step
from collector.publish.thin import plan_thinning
from collector.publish.tidied import FOLDER, Plan, Tidied, put_in_place
from collector.settings.model.service import StoreSettings
from collector.store import Store, StoreError
from collector.store.error import file_error
from collector.store.opening import PARTS
from collector.store.parts import COLUMNS

_MEMORY_BESIDE = "512MB"
"""For work beside the writer; what does not fit goes to a file in the folder where the new parts are made."""

_MEMORY_ALONE = "1GB"


def next_plan(store: Store, settings: StoreSettings, *, closed_before: Day, layout: Layout) -> Plan | None:
    """What is most worth doing to the parts now; None if they are tidy. Clears the folder in which it will be done."""
    clear(store.folder)
    tidying = store.folder / FOLDER
    try:
        tidying.mkdir(exist_ok=True)
    except OSError as error:
        raise file_error(error, tidying) from error
    if (correcting := plan_correcting(store, tidying)) is not None:
        return correcting
    for content in COLUMNS:
        parts = [part for part in store.parts() if part.content == content]
        merging = plan_merging(parts, content, closed_before=closed_before, together=layout.together)
        if merging is not None:
            return merging
    return plan_thinning(store, settings, closed_before=closed_before)


def clear(folder: Path) -> None:
    """Remove what a work that was cut off has left."""
    shutil.rmtree(folder / FOLDER, ignore_errors=True)


def tidy_now(
    store: Store, settings: StoreSettings, *, now_ms: int, closed_before: Day, layout: Layout, step: Step
) -> None:
    """Do all there is to do, here and now: for when nobody waits for a commit."""
    with _database(store.folder, memory=_MEMORY_ALONE, threads=os.cpu_count() or 1) as connection:
        while (plan := next_plan(store, settings, closed_before=closed_before, layout=layout)) is not None:
            tidied = plan.make(connection, store.folder / PARTS, store.folder / FOLDER)
            step(f"{plan.name} written")
            put_in_place(store, tidied, now_ms=now_ms)
            step(f"{plan.name} listed")
    clear(store.folder)


def _database(folder: Path, *, memory: str, threads: int) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(config={"memory_limit": memory, "threads": threads})
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("SET temp_directory = ?", [str(folder / FOLDER / "spilled")])
    return connection


class TidyingFailed(Exception):
    """Work on parts could not be done: it is tried again; until then there are more of them than need be."""


class Tidying:
    """One plan at work beside the writer. Every method belongs to the writer's thread."""

    def __init__(self, store: Store) -> None:
        """Work on the parts of a store."""
        self._store = store
        self._thread: threading.Thread | None = None
        self._connection: duckdb.DuckDBPyConnection | None = None
        self._tidied: Tidied | None = None
        self._error: BaseException | None = None

    @property
    def idle(self) -> bool:
        """Whether nothing is under way, and nothing waits to be put in place."""
        return self._thread is None

    def start(self, plan: Plan) -> None:
        """Begin with a plan; the one before must have been put in place."""
        self._tidied = self._error = None
        self._connection = _database(self._store.folder, memory=_MEMORY_BESIDE, threads=1)
        self._thread = threading.Thread(target=self._work, args=(plan, self._connection), name="tidying", daemon=True)
        self._thread.start()

    def _work(self, plan: Plan, connection: duckdb.DuckDBPyConnection) -> None:
        try:
            self._tidied = plan.make(connection, self._store.folder / PARTS, self._store.folder / FOLDER)
        except BaseException as error:
            self._error = error

    def take(self) -> Tidied | None:
        """What was made; None while it is being made, and if nothing is.

        Raises
        ------
        TidyingFailed
            Why the plan could not be carried out. The parts are as they were, and it may be tried again.
        """
        if self._thread is None or self._thread.is_alive():
            return None
        tidied, error = self._tidied, self._error
        self._end()
        if isinstance(error, duckdb.Error | StoreError | OSError):
            raise TidyingFailed(str(error).splitlines()[0]) from error
        if error is not None:
            raise error
        return tidied

    def stop(self) -> None:
        """Give up what is under way: it is done anew another time."""
        if self._thread is not None and self._connection is not None:
            while self._thread.is_alive():
                self._connection.interrupt()
                self._thread.join(0.02)
            self._end()
        clear(self._store.folder)

    def _end(self) -> None:
        if self._thread is not None:
            self._thread.join()
        if self._connection is not None:
            self._connection.close()
        self._thread = self._connection = None
