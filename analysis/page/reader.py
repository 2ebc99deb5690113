"""The published store for a process that stays: always the newest file, and each answer worked out once a file."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from analysis.read import PUBLISHED, NoStore, Store, connect_apart, reading, store_folder

if TYPE_CHECKING:
    import duckdb

MOST_ANSWERS = 256
"""Answers that are kept of one file; a year of three machines has 2,200 shifts, and few look at old ones."""

AT_WORK = 2
"""Costly answers that are worked out at once: each may take seconds and hundreds of MB."""
IN_TURN = 15
"""Threads that may work costly answers out, or wait for their turn to."""
TOLD = 15
"""Threads that may wait for a costly answer that another works out; the rest of the 40 are left to everybody else."""

T = TypeVar("T")
Version = tuple[int, int, int]
"""Which file it is: inode, time of its last change, size."""


@dataclass(slots=True)
class _Edition:
    """One published file, open until it was replaced and nobody reads it any more."""

    version: Version
    connection: duckdb.DuckDBPyConnection
    readers: int = 0
    answers: OrderedDict[Hashable, Future[Any]] = field(default_factory=OrderedDict)


class TooMuch(Exception):
    """Too many costly answers are being worked out or waited for: ask again a little later."""


class Reader:
    """Gives views an open store. Several threads may read at once; a slow one keeps nobody from what is new."""

    def __init__(self, mill_toml: Path) -> None:
        """Nothing is opened before somebody reads."""
        self._folder = store_folder(mill_toml)
        self._lock = threading.Lock()
        self._edition: _Edition | None = None
        self._in_turn, self._at_work = threading.BoundedSemaphore(IN_TURN), threading.BoundedSemaphore(AT_WORK)
        self._told = threading.BoundedSemaphore(TOLD)

    def version(self) -> Version:
        """Which file is published now.

        Raises
        ------
        NoStore
            While nothing is.
        """
        try:
            found = (self._folder / PUBLISHED).stat()
        except OSError as error:
            raise NoStore(f"nothing is published in {self._folder} yet; start 'breakhorn collect'") from error
        return (found.st_ino, found.st_mtime_ns, found.st_size)

    @contextmanager
    def store(self) -> Iterator[Store]:
        """The newest published store, for as long as the ``with`` lasts.

        Raises
        ------
        CannotRead
            With the way out.
        """
        with self._reading() as edition, reading(edition.connection) as store:
            yield store

    def answer(self, key: Hashable, work_out: Callable[[Store], T], *, costly: bool = False) -> T:
        """What ``work_out`` makes of the newest store; worked out once a published file, however many ask at once.

        key
            Says what is asked for: the function and all it depends on beside the store.
        costly
            It takes long, or can be asked in ever new ways: then few are worked out at once. Not to be asked within
            another one.

        Raises
        ------
        TooMuch
            If too many wait for costly ones already.
        """
        with self._reading() as edition:
            found, mine = self._sought(edition, key)
            if mine:
                try:
                    with self._turn() if costly else nullcontext(), reading(edition.connection) as store:
                        found.set_result(work_out(store))
                except BaseException as error:
                    with self._lock:
                        edition.answers.pop(key, None)
                    found.set_exception(error)
            # Whoever only waits takes no turn from those who ask for something else.
            with nullcontext() if found.done() or not costly else _room(self._told):
                answer: T = found.result()
            return answer

    def close(self) -> None:
        """Close what is open once nobody reads it."""
        with self._lock:
            edition, self._edition = self._edition, None
            if edition is not None and not edition.readers:
                edition.connection.close()

    def _sought(self, edition: _Edition, key: Hashable) -> tuple[Future[Any], bool]:
        """The answer that is there or to come, and whether it is for the caller to work out."""
        with self._lock:
            found = edition.answers.get(key)
            mine = found is None
            if found is None:
                found = edition.answers[key] = Future()
            edition.answers.move_to_end(key)
            while len(edition.answers) > MOST_ANSWERS:
                edition.answers.popitem(last=False)
            return found, mine

    @contextmanager
    def _turn(self) -> Iterator[None]:
        with _room(self._in_turn), self._at_work:
            yield

    @contextmanager
    def _reading(self) -> Iterator[_Edition]:
        edition = self._taken()
        try:
            yield edition
        finally:
            with self._lock:
                edition.readers -= 1
                if edition is not self._edition and not edition.readers:
                    edition.connection.close()

    def _taken(self) -> _Edition:
        """The newest file, counted as read; opened if it is not yet."""
        with self._lock:
            # Taken before the file is opened: one renewed in between is opened again by the next who asks.
            version = self.version()
            if self._edition is None or self._edition.version != version:
                opened = _Edition(version, connect_apart(self._folder))
                before, self._edition = self._edition, opened
                if before is not None and not before.readers:
                    before.connection.close()
            self._edition.readers += 1
            return self._edition


@contextmanager
def _room(places: threading.Semaphore) -> Iterator[None]:
    """One of some places, or TooMuch."""
    if not places.acquire(blocking=False):
        raise TooMuch
    try:
        yield
    finally:
        places.release()
