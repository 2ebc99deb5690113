"""What has come and is still to be committed: bounded in number and in bytes, so that memory is, whatever arrives."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Sequence
from typing import Generic, TypeVar

T = TypeVar("T")


class Inbox(Generic[T]):
    """A queue between the network thread, which waits while it is full, and the writer.

    What comes together goes in together, since each handing over makes the two threads wait for one another.
    """

    def __init__(self, *, items: int, size: int) -> None:
        """Hold at most so many items, of this size together; what is larger still passes alone. [bytes]"""
        self._items_at_most, self._size_at_most = items, size
        self._held: deque[tuple[Sequence[T], int]] = deque()
        self._items = self._size = 0
        self._changed = threading.Condition()

    def put(self, items: Sequence[T], size: int, *, timeout: float) -> None:
        """Add items of a size together [bytes]; raises queue.Full if there is no room within ``timeout`` [s]."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._has_room(len(items), size), timeout):
                raise queue.Full
            self._held.append((items, size))
            self._items += len(items)
            self._size += size
            self._changed.notify_all()

    def get(self, *, timeout: float) -> tuple[Sequence[T], int]:
        """The oldest items, as they were put in, and their size [bytes]; raises queue.Empty if none come in time."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._held, timeout):
                raise queue.Empty
            items, size = self._held.popleft()
            self._items -= len(items)
            self._size -= size
            self._changed.notify_all()
            return items, size

    def qsize(self) -> int:
        """How many items wait."""
        return self._items

    def _has_room(self, items: int, size: int) -> bool:
        if not self._held:
            return True
        return self._items + items <= self._items_at_most and self._size + size <= self._size_at_most
