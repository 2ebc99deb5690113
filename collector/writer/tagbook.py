"""What the writer knows of every tag: its id, its plausible range and the time of its newest sample."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from collector.settings import Mill

Ints = npt.NDArray[np.int64]
Ids = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float64]

NEVER = -(2**62)
"""Newest time of a tag that has no sample. [ms]"""

_NAMES_IN_SHAPES = 400_000
"""Names in all remembered shapes together: some 50 MB."""


@dataclass(slots=True)
class Shape:
    """An order of tags in a scan.

    text_places
        The places of those that were seen to carry texts.
    sources
        The sources that were seen to bring it.
    """

    ids: Ids
    text_places: set[int] = field(default_factory=set)
    sources: set[int] = field(default_factory=set)


@dataclass(slots=True)
class MachineBook:
    """What is known of a machine: its number from 0, and the newest time of all its samples. [ms]"""

    machine: str
    number: int
    newest_ms: int = NEVER
    shapes: dict[tuple[str, ...], Shape | None] = field(default_factory=dict)


class TagBook:
    """The tags of a store, in memory.

    After a commit that failed it is ahead of the store: make a new one.

    newest_ms, low, high, machine_no
        By tag id: newest source time, plausible range (infinite where none is set), number of the machine.
    added
        Tags that are new since the last ``take_added``: (id, machine, tag).
    """

    def __init__(
        self,
        mill: Mill,
        known: Iterable[tuple[int, str, str, int | None]],
        sources: Iterable[tuple[int, int]] = (),
        *,
        tags_at_most: int,
    ) -> None:
        """Begin with the known tags: (id, machine, tag, newest source time [ms]); and with (id, source) of each."""
        self._tags_at_most = tags_at_most
        self._ids: dict[tuple[str, str], int] = {}
        self._ranges = {
            (machine.id, tag.name): (tag.low, tag.high) for machine in mill.machines for tag in machine.tags
        }
        self._names_in_shapes = 0
        self._next_id = 0
        self.machines: dict[str, MachineBook] = {}
        self.added: list[tuple[int, str, str]] = []
        self._sources = set(sources)
        self._new_sources: list[tuple[int, int]] = []
        self._make_room(1024)
        for tag_id, machine, tag, newest_ms in known:
            self._enter(tag_id, machine, tag, NEVER if newest_ms is None else newest_ms)

    def _make_room(self, size: int) -> None:
        self.newest_ms: Ints = np.full(size, NEVER, np.int64)
        self.low: Floats = np.full(size, -np.inf)
        self.high: Floats = np.full(size, np.inf)
        self.machine_no: Ids = np.zeros(size, np.int32)

    def _grow(self) -> None:
        size = len(self.newest_ms)
        newest_ms, low, high, machine_no = self.newest_ms, self.low, self.high, self.machine_no
        self._make_room(2 * size)
        self.newest_ms[:size], self.low[:size], self.high[:size], self.machine_no[:size] = (
            newest_ms,
            low,
            high,
            machine_no,
        )

    def _enter(self, tag_id: int, machine: str, tag: str, newest_ms: int) -> None:
        while tag_id >= len(self.newest_ms):
            self._grow()
        book = self.machine(machine)
        book.newest_ms = max(book.newest_ms, newest_ms)
        low, high = self._ranges.get((machine, tag), (None, None))
        self._ids[machine, tag] = tag_id
        self._next_id = max(self._next_id, tag_id + 1)
        self.newest_ms[tag_id], self.machine_no[tag_id] = newest_ms, book.number
        self.low[tag_id] = -np.inf if low is None else low
        self.high[tag_id] = np.inf if high is None else high

    def machine(self, machine: str) -> MachineBook:
        """The book of a machine, known or new."""
        book = self.machines.get(machine)
        if book is None:
            book = self.machines[machine] = MachineBook(machine, len(self.machines))
        return book

    def id_of(self, machine: str, tag: str) -> int | None:
        """Id of a tag, a new one if it was never heard of; None if that would be one too many."""
        tag_id = self._ids.get((machine, tag))
        if tag_id is None:
            if len(self._ids) >= self._tags_at_most:
                return None
            tag_id = self._next_id
            self._enter(tag_id, machine, tag, NEVER)
            self.added.append((tag_id, machine, tag))
        return tag_id

    def shape(self, book: MachineBook, tags: tuple[str, ...]) -> Shape | None:
        """The shape of these tags in this order; None if one of them is one too many."""
        if tags in book.shapes:
            return book.shapes[tags]
        ids = [self.id_of(book.machine, tag) for tag in tags]
        shape = None if None in ids else Shape(np.array(ids, np.int32))
        self._names_in_shapes += len(tags)
        if self._names_in_shapes > _NAMES_IN_SHAPES:
            self._forget_shapes(left=len(tags))
        book.shapes[tags] = shape
        return shape

    def _forget_shapes(self, *, left: int) -> None:
        """A publisher that never sends the same tags twice must not fill memory."""
        self._names_in_shapes = left
        for book in self.machines.values():
            book.shapes.clear()

    def came_from(self, tag_id: int, source: int) -> None:
        """A source brought a tag."""
        if (tag_id, source) not in self._sources:
            self._sources.add((tag_id, source))
            self._new_sources.append((tag_id, source))

    def all_came_from(self, shape: Shape, source: int) -> None:
        """A source brought all tags of a shape."""
        shape.sources.add(source)
        for tag_id in shape.ids.tolist():
            self.came_from(tag_id, source)

    def take_new_sources(self) -> list[tuple[int, int]]:
        """(tag id, source) of what was not known to come from there, since the last call."""
        new, self._new_sources = self._new_sources, []
        return new

    def take_added(self) -> list[tuple[int, str, str]]:
        """The new tags since the last call."""
        added, self.added = self.added, []
        return added
