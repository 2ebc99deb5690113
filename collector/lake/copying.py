"""Copies to the lake beside the writer, in a thread of its own: whatever the lake does, no commit waits for it."""

from __future__ import annotations

import logging
import threading
from contextlib import suppress
from dataclasses import dataclass

import duckdb

from collector.lake.place import LakeFault
from collector.lake.round import Round, copy_round
from collector.logs import about
from collector.settings import Mill

log = logging.getLogger("breakhorn.lake")

_PATIENCE_S = 5.0
"""How long an end waits for a copy under way: a lake that hangs must not keep the collector from ending."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LakeState:
    """How the lake is served.

    copied_ms
        When the last round that had no trouble ended; None: none in this run. [ms since 1970-01-01 UTC]
    waiting_days
        Closed days that it does not have yet, when last counted.
    failed
        Rounds that could not be done, in this run.
    trouble
        Why it lacks something, and what to do; None while all is well.
    """

    copied_ms: int | None = None
    files: int = 0
    waiting_days: int = 0
    failed: int = 0
    trouble: str | None = None


class Copying:
    """One round at a time, at most every so often. Every method belongs to the writer's thread."""

    def __init__(self, mill: Mill) -> None:
        """Copy what a mill publishes; nothing if its mill.toml names no lake."""
        self._mill = mill
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._connection: duckdb.DuckDBPyConnection | None = None
        self._began_ms = 0
        self._state = LakeState()

    @property
    def state(self) -> LakeState | None:
        """How it went so far; None without a lake."""
        return None if self._mill.lake is None else self._state

    @property
    def idle(self) -> bool:
        """Whether no round is under way."""
        return self._thread is None or not self._thread.is_alive()

    def turn(self, *, now_ms: int) -> None:
        """Begin a round if one is due and none is under way."""
        if self._mill.lake is None or not self.idle:
            return
        if self._thread is None or now_ms - self._began_ms >= self._mill.lake.copy_every_s * 1000:
            self._began_ms = now_ms
            self._thread = threading.Thread(target=self._work, args=(now_ms,), name="lake", daemon=True)
            self._thread.start()

    def _work(self, now_ms: int) -> None:
        try:
            done = copy_round(self._mill, now_ms=now_ms, stopping=self._stopping.is_set, opened=self._opened)
        except Exception as error:  # a fault of ours in here must not end the collector either
            if not self._stopping.is_set():
                self._failed(error)
            return
        if not self._stopping.is_set():
            self._ended(done, now_ms)

    def _opened(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection

    def _failed(self, error: Exception) -> None:
        said = str(error) if isinstance(error, LakeFault) else f"{error!r}: please report this fault"
        before = self._state
        if said != before.trouble:
            log.warning("the lake gets nothing new: %s", said, extra=about("not copied to the lake"))
        self._state = LakeState(
            copied_ms=before.copied_ms,
            files=before.files,
            waiting_days=before.waiting_days,
            failed=before.failed + 1,
            trouble=said,
        )

    def _ended(self, done: Round, now_ms: int) -> None:
        before, trouble = self._state, "; ".join(done.troubles) or None
        if trouble is not None and trouble != before.trouble:
            log.warning("not all goes to the lake: %s", trouble, extra=about("not copied to the lake"))
        elif trouble is None and before.trouble is not None:
            log.info("the lake gets what is new again", extra=about("copied to the lake again"))
        self._state = LakeState(
            copied_ms=now_ms if trouble is None else before.copied_ms,
            files=before.files + done.files,
            waiting_days=done.waiting_days,
            failed=before.failed,
            trouble=trouble,
        )

    def stop(self) -> None:
        """Give up what is under way: the next round does it. Waits a few seconds at most."""
        self._stopping.set()
        if self._thread is None:
            return
        for _ in range(round(_PATIENCE_S / 0.05)):
            if not self._thread.is_alive():
                break
            if (connection := self._connection) is not None:
                with suppress(duckdb.ConnectionException):  # it may be closed meanwhile
                    connection.interrupt()
            self._thread.join(0.05)
        self._thread = self._connection = None
