"""SIGINT and SIGTERM: the first asks the service to end, the second ends it at once, whatever it is doing.

A signal handler of Python waits until a long call into the database is over; a thread that waits for signals does not.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from collector.logs import about

log = logging.getLogger("breakhorn.collector")

SIGNALS = frozenset({signal.SIGINT, signal.SIGTERM})


class Stopping:
    """Remembers that the end was asked for, also before there is anybody to be told."""

    def __init__(self) -> None:
        """Nobody has asked yet."""
        self._lock = threading.RLock()
        self._asked = False
        self._stop: Callable[[], None] | None = None

    def tell(self, stop: Callable[[], None]) -> None:
        """Have this called when the end is asked for; at once if it was."""
        with self._lock:
            self._stop = stop
            if self._asked:
                stop()

    def signalled(self, number: int) -> None:
        """Ask for the end; the second time, end."""
        name = signal.Signals(number).name
        with self._lock:
            if self._asked:
                log.warning("%s again: ended at once; what was committed is safe", name, extra=about("cut off"))
                os._exit(128 + number)
            log.info("%s: stopping; once more ends at once", name, extra=about("stopping", signal=name))
            self._asked = True
            if self._stop is not None:
                self._stop()


@contextmanager
def stopped_by_signals() -> Iterator[Stopping]:
    """Gives what the signals ask. Threads that are started inside leave them to the one that waits for them.

    A thread that was there before may still be the one that is hit: then the main thread is told by Python.
    """
    stopping, over = Stopping(), threading.Event()
    handlers = {number: signal.signal(number, lambda number, _: stopping.signalled(number)) for number in SIGNALS}
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    thread = threading.Thread(target=_wait, args=(stopping, over), name="signals", daemon=True)
    thread.start()
    try:
        yield stopping
    finally:
        over.set()
        if thread.ident is not None:
            signal.pthread_kill(thread.ident, signal.SIGTERM)
        thread.join()
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in handlers.items():
            signal.signal(number, handler)


def _wait(stopping: Stopping, over: threading.Event) -> None:
    while True:
        number = signal.sigwait(SIGNALS)
        if over.is_set():
            return
        stopping.signalled(number)
