"""What has come and is still to be committed: bounded in number and in bytes, so that memory is, whatever arrives."""

from __future__ import annotations

import queue
import threading
from collections import deque
from typing import Generic, TypeVar

T = TypeVar("T")


class Inbox(Generic[T]):
    """A queue between the network thread, which waits while it is full, and the writer."""

    def __init__(self, *, items: int, size: int) -> None:
        """Hold at most so many items, of this size together; an item that is larger still passes alone. [bytes]"""
        self._items_at_most, self._size_at_most = items, size
        self._held: deque[tuple[T, int]] = deque()
        self._size = 0
        self._changed = threading.Condition()

    def put(self, item: T, size: int, *, timeout: float) -> None:
        """Add an item of a size [bytes]; raises queue.Full if there is no room within ``timeout`` [s]."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._has_room(size), timeout):
                raise queue.Full
            self._held.append((item, size))
            self._size += size
            self._changed.notify_all()

    def get(self, *, timeout: float) -> T:
        """The oldest item; raises queue.Empty if none comes within ``timeout`` [s]."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._held, timeout):
                raise queue.Empty
            item, size = self._held.popleft()
            self._size -= size
            self._changed.notify_all()
            return item

    def qsize(self) -> int:
        """How many items wait."""
        return len(self._held)

    def _has_room(self, size: int) -> bool:
        return not self._held or (len(self._held) < self._items_at_most and self._size + size <= self._size_at_most)
