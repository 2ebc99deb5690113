"""SIGINT and SIGTERM for work that ends by itself: asked once it stops at the next safe place, asked twice at once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupt:
    """What was asked.

    asked
        Somebody wants the work to stop.
    safe
        True while there is nothing to be finished: then the first signal ends the work at once.
    """

    def __init__(self) -> None:
        """Nobody has asked, and there is nothing to be finished."""
        self.asked, self.safe = False, True

    def __call__(self) -> bool:
        """Whether to stop."""
        return self.asked

    def signalled(self, number: int, frame: FrameType | None) -> None:
        """Remember it; raise KeyboardInterrupt where the work may end at once."""
        again, self.asked = self.asked, True
        if self.safe or again:
            raise KeyboardInterrupt


@contextmanager
def interruptible() -> Iterator[Interrupt]:
    """Gives what the signals ask, until it is left."""
    interrupt = Interrupt()
    before = {number: signal.signal(number, interrupt.signalled) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield interrupt
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
