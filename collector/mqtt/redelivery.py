"""Tells a message that comes again after a reconnect from a new one, without trusting the broker's DUP flag. Pure."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable

NEW_SESSION = (0, bytes(8))
"""Stands among the committed deliveries where a session began; no packet has the id 0."""


def digest(topic: str, payload: bytes) -> bytes:
    """Eight bytes that tell one message from another."""
    return hashlib.blake2b(payload, digest_size=8, key=topic.encode()[:64]).digest()


class Redelivery:
    """The last committed deliveries, compared in order with the first that come after a reconnect.

    A broker sends its unacknowledged messages again in order, and they are the newest committed ones; the first
    message that does not fit ends the comparison until the next reconnect.
    """

    def __init__(self, committed: Iterable[tuple[int, bytes]], *, window: int) -> None:
        """Go on from what the store remembers, oldest first; keep the last ``window``."""
        self._committed: deque[tuple[int, bytes]] = deque(maxlen=window)
        self._expected: list[tuple[int, bytes]] | None = None
        self.committed(committed)

    def reconnected(self, in_hand: Iterable[tuple[int, bytes]] = ()) -> None:
        """From here on messages may be repeats.

        in_hand
            Deliveries that came before the connection was lost and will be committed with those that come now.
        """
        known = [*self._committed, *in_hand]
        begun = max((place + 1 for place, mark in enumerate(known) if mark == NEW_SESSION), default=0)
        self._expected = known[begun:]

    def began_anew(self) -> None:
        """The broker has a new session for us: nothing in it is a repeat, and its packet ids begin anew."""
        self._expected = None

    def is_repeat(self, packet_id: int, message_digest: bytes, *, retained: bool = False) -> bool:
        """Whether this delivery was committed before the connection was lost."""
        expected = self._expected
        if not expected or retained:
            return False
        try:
            place = expected.index((packet_id, message_digest))
        except ValueError:
            self._expected = None
            return False
        self._expected = expected[place + 1 :]
        return True

    def committed(self, deliveries: Iterable[tuple[int, bytes]]) -> None:
        """Remember these as safe; those before a ``NEW_SESSION`` will not come again."""
        for delivery in deliveries:
            if delivery == NEW_SESSION:
                self._committed.clear()
            else:
                self._committed.append(delivery)
