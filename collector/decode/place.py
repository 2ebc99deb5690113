"""What is known of a message before it is opened: the machine and source it belongs to, and when it was received."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from weakref import WeakSet

from collector.decode.instant import instant_ms, plausible
from collector.decode.unusable import shown
from collector.message import Flag, Message, Names

LONGEST_TAG = 200
_MOST_TAGS_KNOWN = 100_000
_MOST_TAGS_IN_ROWS = 100_000
"""Names of all rows together that are remembered at a time: some 40 MB of decoders."""

Time = int | float | str | None
"""A time as it stands in a message: RFC 3339, Unix milliseconds, or missing."""


class TagNames:
    """Tells names that a tag may have from those that it may not. Each good name is examined once."""

    def __init__(self) -> None:
        """Knows no name yet."""
        self.known: set[str] = set()
        self._rows: WeakSet[Names] = WeakSet()

    def row(self, tags: tuple[str, ...]) -> Names | None:
        """These tags as the names of rows; None if there are too many of such already."""
        if sum(len(names.tags) for names in self._rows) + len(tags) > _MOST_TAGS_IN_ROWS:
            return None
        names = Names(tags)
        self._rows.add(names)
        return names

    def is_good(self, name: str) -> bool:
        """Whether a tag may be called so: 1 to 200 characters, none of them a control character."""
        if name in self.known:
            return True
        if not 0 < len(name) <= LONGEST_TAG or any(_is_control(character) for character in name):
            return False
        if len(self.known) >= _MOST_TAGS_KNOWN:
            self.known.clear()
        self.known.add(name)
        return True


def misname(name: str) -> str:
    """Why a tag cannot be called so."""
    why = "is empty" if not name else "is too long" if len(name) > LONGEST_TAG else "holds a control character"
    return f"tag name {shown(name)} {why}"


def unknown_machine(machine: str, known: Iterable[str]) -> str:
    """Why a message of this machine is not taken."""
    return f"unknown machine {shown(machine)}: mill.toml names {', '.join(known)}"


def _is_control(character: str) -> bool:
    return character < " " or "\x7f" <= character <= "\x9f"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the values of a topic belong.

    source
        Index of the ``[[source]]``.
    max_ahead_ms
        Times further ahead of receipt are rejected. [ms]
    tags
        Shared by all places of a decoder.
    """

    machine: str
    source: int
    max_ahead_ms: int
    tags: TagNames = field(default_factory=TagNames)

    def moment(self, time: Time, message: Message) -> tuple[int, int, bool]:
        """When a part of a message was true, its flags, and whether it only sets the initial state.

        Without a time of its own it counts from the time that a replay sent along, else from receipt. [ms]

        Raises
        ------
        Unusable
            For a time that cannot be read or cannot be true.
        """
        if time is not None:
            return self._plausible(instant_ms(time), message), 0, False
        stamped_ms = message.stamped_ms
        at_ms = message.received_ms if stamped_ms is None else self._plausible(stamped_ms, message)
        return at_ms, int(Flag.TIMED_ON_ARRIVAL), message.retained

    def _plausible(self, at_ms: int, message: Message) -> int:
        return plausible(at_ms, received_ms=message.received_ms, max_ahead_ms=self.max_ahead_ms)
