"""Whether messages of an edge node are missing, told from their sequence numbers; and when to ask it for a rebirth."""

from __future__ import annotations

from dataclasses import dataclass, field

REORDER_MS = 2_000
"""A message that is missing may still come for so long before a rebirth is asked for. [ms]"""

ASK_AGAIN_MS = 30_000
"""A rebirth is asked for again after this, then after twice as long, and so on. A birth is no small matter. [ms]"""

ASK_AT_LEAST_EVERY_MS = 600_000

NUMBERS = 256


def after(seq: int) -> int:
    """The sequence number that follows: 255 is followed by 0."""
    return (seq + 1) % NUMBERS


@dataclass(slots=True)
class Sequence:
    """The numbers of one edge node, which it and its devices share.

    last
        The newest number; None before the first.
    missing
        Numbers that were passed over, and have not come since the last birth.
    """

    last: int | None = None
    missing: set[int] = field(default_factory=set)
    missing_since_ms: int = 0

    def begin(self, seq: int) -> None:
        """A birth of the edge node: its number is taken as it is, and nothing is missing any more."""
        self.last = seq
        self.missing.clear()

    def follow(self, seq: int, received_ms: int) -> None:
        """Take in the number of any other message."""
        if self.last is None or seq == after(self.last):
            self.last = seq
        elif seq in self.missing:
            self.missing.remove(seq)
        elif seq != self.last:
            if not self.missing:
                self.missing_since_ms = received_ms
            while (passed := after(self.last)) != seq:
                self.missing.add(passed)
                self.last = passed
            self.last = seq

    def overdue(self, received_ms: int) -> bool:
        """Whether something has been missing for too long to be merely late."""
        return bool(self.missing) and received_ms - self.missing_since_ms >= REORDER_MS


@dataclass(slots=True)
class Patience:
    """Keeps the requests for a rebirth apart, by the time of messages: there is no clock here."""

    asked_ms: int | None = None
    wait_ms: int = ASK_AGAIN_MS

    def may_ask(self, received_ms: int) -> bool:
        """Whether to ask now; if so, the next time is further away."""
        if self.asked_ms is not None:
            if 0 <= received_ms - self.asked_ms < self.wait_ms:
                return False
            self.wait_ms = min(2 * self.wait_ms, ASK_AT_LEAST_EVERY_MS)
        self.asked_ms = received_ms
        return True

    def answered(self) -> None:
        """The birth has come."""
        self.wait_ms = ASK_AGAIN_MS
