"""Turns scans into columns of numbers and of texts. Pure: knows no database.

Nearly all scans of a machine hold the same tags in the same order, their *shape*. Its tag ids are looked up once; the
values of all scans of one shape are gathered in one list and become one array.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from collector.block import TEXT, Block
from collector.message import Flag, Names, Row, Scan, Value
from collector.writer.tagbook import Ids, Ints, Shape, TagBook

Flags = npt.NDArray[np.uint8]
Truths = npt.NDArray[np.bool_]

_SMALL = 4
"""Scans of fewer values than this are not worth an array of their own."""


@dataclass(slots=True, kw_only=True)
class Columns:
    """Samples as columns of equal length, in any order.

    values
        Numbers, NaN for bad ones; or texts.
    places
        Place of each one's scan among all scans, from 0: the order of arrival.
    """

    ids: Ids
    at_ms: Ints
    values: Any
    flags: Flags
    places: Ids

    def __len__(self) -> int:
        """How many samples."""
        return len(self.ids)

    def keys(self) -> Ints:
        """Tag id and source time of each as one number: times fit into 42 bits until the year 2109."""
        keys: Ints = self.ids.astype(np.int64) << 42 | self.at_ms
        return keys

    def nullable_values(self) -> Any:
        """The values as DuckDB takes them: what is bad is masked, which becomes a null."""
        if self.values.dtype != np.float64 or not (bad := np.isnan(self.values)).any():
            return self.values
        return np.ma.array(self.values, mask=bad)

    def some(self, chosen: Truths) -> Columns:
        """Those that are chosen."""
        return Columns(
            ids=self.ids[chosen],
            at_ms=self.at_ms[chosen],
            values=self.values[chosen],
            flags=self.flags[chosen],
            places=self.places[chosen],
        )


@dataclass(slots=True, kw_only=True)
class Gathered:
    """Scans as columns.

    refused
        (place of the scan, tag) of each value whose tag was one too many.
    in_order
        True if each machine's scans came in order of time and after all that was stored: then every sample is new.
    """

    numbers: Columns
    texts: Columns
    refused: list[tuple[int, str]]
    in_order: bool


@dataclass(slots=True)
class _Group:
    """The scans of one shape, in order of arrival."""

    shape: Shape
    values: list[Value] = field(default_factory=list)
    at_ms: list[int] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    places: list[int] = field(default_factory=list)


@dataclass(slots=True)
class _Loose:
    """Values gathered one by one."""

    ids: list[int] = field(default_factory=list)
    at_ms: list[int] = field(default_factory=list)
    values: list[Any] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    places: list[int] = field(default_factory=list)

    def add(self, tag_id: int, at_ms: int, value: object, flags: int, place: int) -> None:
        """Add one value."""
        self.ids.append(tag_id)
        self.at_ms.append(at_ms)
        self.values.append(value)
        self.flags.append(flags)
        self.places.append(place)

    def columns(self, kind: type) -> Columns:
        """All of them as columns."""
        return Columns(
            ids=np.array(self.ids, np.int32),
            at_ms=np.array(self.at_ms, np.int64),
            values=np.array(self.values, kind),
            flags=np.array(self.flags, np.uint8),
            places=np.array(self.places, np.int32),
        )


def gather(scans: Sequence[Scan], book: TagBook) -> Gathered:
    """All values of the scans as columns, flagged as bad or out of range where they are."""
    gatherer = _Gatherer(book)
    in_order = gatherer.take(scans)
    numbers = _joined([*gatherer.numbers(), gatherer.loose_numbers.columns(np.float64)])
    texts = _joined([*gatherer.texts, gatherer.loose_texts.columns(np.object_)])
    _judge(numbers, book)
    return Gathered(numbers=numbers, texts=texts, refused=gatherer.refused, in_order=in_order)


def gather_block(block: Block, book: TagBook) -> Gathered:
    """The same for samples that are columns already."""
    ids = [book.id_of(machine, tag) for machine, tag in block.tags]
    known = np.array([tag_id is not None for tag_id in ids], np.bool_)[block.tag_no]
    refused = [] if known.all() else _first_of_each(block, ~known)
    part = block if known.all() else block.some(known)
    for tag_id in ids:
        if tag_id is not None:
            book.came_from(tag_id, block.source)
    tag_ids = np.array([-1 if tag_id is None else tag_id for tag_id in ids], np.int32)[part.tag_no]
    is_text = part.kinds == TEXT
    numbers, texts = (_columns_of(part, tag_ids, chosen) for chosen in (~is_text, is_text))
    numbers.values, texts.values = part.numbers[~is_text], part.texts[is_text]
    _judge(numbers, book)
    for machine in dict.fromkeys(machine for machine, _ in block.tags):
        entry = book.machine(machine)
        entry.newest_ms = max(entry.newest_ms, int(block.at_ms[-1]))
    return Gathered(numbers=numbers, texts=texts, refused=refused, in_order=False)


def _columns_of(part: Block, tag_ids: Ids, chosen: Truths) -> Columns:
    return Columns(
        ids=tag_ids[chosen],
        at_ms=part.at_ms[chosen],
        values=None,
        flags=np.full(int(chosen.sum()), int(Flag.HISTORICAL), np.uint8),
        places=np.flatnonzero(chosen).astype(np.int32),
    )


def _first_of_each(block: Block, refused: Truths) -> list[tuple[int, str]]:
    """The first sample of each tag that was one too many: one message for each says enough."""
    rows = np.flatnonzero(refused)
    _, first = np.unique(block.tag_no[rows], return_index=True)
    return [(int(rows[place]), block.tags[block.tag_no[rows[place]]][1]) for place in first]


class _Gatherer:
    """Sorts the values of scans into groups of equal shape and a loose remainder."""

    def __init__(self, book: TagBook) -> None:
        self._book = book
        self._groups: dict[tuple[str, tuple[str, ...] | Names], _Group | None] = {}
        self.loose_numbers, self.loose_texts = _Loose(), _Loose()
        self.texts: list[Columns] = []
        self.refused: list[tuple[int, str]] = []

    def take(self, scans: Iterable[Scan]) -> bool:
        """Take in the scans; whether they came in order of time and after all that was stored."""
        in_order, initial = True, int(Flag.INITIAL)
        for place, scan in enumerate(scans):
            values, at_ms, machine = scan.values, scan.at_ms, self._book.machine(scan.machine)
            if at_ms > machine.newest_ms:
                machine.newest_ms = at_ms
            else:
                in_order = False
            flags = scan.flags | initial if scan.initial else scan.flags
            cells: Iterable[Value]
            if isinstance(values, Row):
                cells, group = values.cells, self._group(scan, values.names)
            elif len(values) >= _SMALL:
                cells, group = values.values(), self._group(scan, tuple(values))
            else:
                group = None
            if group is None:
                self._take_loose(scan, flags, place)
                continue
            if scan.source not in group.shape.sources:
                self._book.all_came_from(group.shape, scan.source)
            group.values.extend(cells)
            group.at_ms.append(at_ms)
            group.flags.append(flags)
            group.places.append(place)
        return in_order

    def _group(self, scan: Scan, tags: tuple[str, ...] | Names) -> _Group | None:
        try:
            return self._groups[scan.machine, tags]
        except KeyError:
            shape = self._book.shape(self._book.machine(scan.machine), tuple(scan.values))
            group = self._groups[scan.machine, tags] = None if shape is None else _Group(shape)
            return group

    def _take_loose(self, scan: Scan, flags: int, place: int) -> None:
        for tag, value in scan.values.items():
            tag_id = self._book.id_of(scan.machine, tag)
            if tag_id is None:
                self.refused.append((place, tag))
                continue
            self._book.came_from(tag_id, scan.source)
            if isinstance(value, str):
                self.loose_texts.add(tag_id, scan.at_ms, value, flags, place)
            else:
                self.loose_numbers.add(tag_id, scan.at_ms, _number(value), flags, place)

    def numbers(self) -> list[Columns]:
        """The numbers of the groups; what they hold of texts goes to ``texts`` on the way."""
        return [self._numbers(group) for group in self._groups.values() if group is not None]

    def _numbers(self, group: _Group) -> Columns:
        left = self._without_texts(group)
        try:
            values = array("d", cast("list[float]", group.values))
        except (TypeError, OverflowError):
            if self._find_texts(group, left):
                left = self._without_texts(group, left)
            values = _numbers(group.values)
        count = len(group.at_ms)
        return Columns(
            ids=np.tile(group.shape.ids[left], count),
            at_ms=np.repeat(np.array(group.at_ms, np.int64), len(left)),
            values=np.frombuffer(values, np.float64) if values else np.empty(0),
            flags=np.repeat(np.array(group.flags, np.uint8), len(left)),
            places=np.repeat(np.array(group.places, np.int32), len(left)),
        )

    def _find_texts(self, group: _Group, left: list[int]) -> bool:
        """Remember which places of a shape carry texts; whether there were any that it did not know."""
        width = len(left)
        found = {left[place] for place in range(width) if str in set(map(type, group.values[place::width]))}
        group.shape.text_places |= found
        return bool(found)

    def _without_texts(self, group: _Group, left: list[int] | None = None) -> list[int]:
        """Take the columns that carry texts out of the group's values; give the places that are left in it."""
        left = list(range(len(group.shape.ids))) if left is None else list(left)
        for place in sorted(group.shape.text_places & set(left), reverse=True):
            column, width = left.index(place), len(left)
            self._take_texts(group, int(group.shape.ids[place]), group.values[column::width])
            del group.values[column::width]
            del left[column]
        return left

    def _take_texts(self, group: _Group, tag_id: int, values: list[Value]) -> None:
        if set(map(type, values)) == {str}:
            self.texts.append(
                Columns(
                    ids=np.full(len(values), tag_id, np.int32),
                    at_ms=np.array(group.at_ms, np.int64),
                    values=np.array(values, np.object_),
                    flags=np.array(group.flags, np.uint8),
                    places=np.array(group.places, np.int32),
                )
            )
            return
        for value, at_ms, flags, place in zip(values, group.at_ms, group.flags, group.places, strict=True):
            if isinstance(value, str):
                self.loose_texts.add(tag_id, at_ms, value, flags, place)
            else:
                self.loose_numbers.add(tag_id, at_ms, _number(value), flags, place)


def _numbers(values: list[Value]) -> array[float]:
    try:
        return array("d", cast("list[float]", values))
    except (TypeError, OverflowError):
        return array("d", map(_number, values))


def _number(value: Value) -> float:
    """A number or truth as a float; NaN for what is bad, and for an integer that no float can hold."""
    if value is None or isinstance(value, str):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


def _joined(parts: list[Columns]) -> Columns:
    filled = [part for part in parts if len(part)] or parts[:1]
    if len(filled) == 1:
        return filled[0]
    return Columns(
        ids=np.concatenate([part.ids for part in filled]),
        at_ms=np.concatenate([part.at_ms for part in filled]),
        values=np.concatenate([part.values for part in filled]),
        flags=np.concatenate([part.flags for part in filled]),
        places=np.concatenate([part.places for part in filled]),
    )


def _judge(numbers: Columns, book: TagBook) -> None:
    """Flag numbers that are bad, or outside their tag's plausible range. A number that is not finite is bad."""
    values, ids = numbers.values, numbers.ids
    bad = ~np.isfinite(values)
    if bad.any():
        numbers.values = values = np.where(bad, np.nan, values)
        numbers.flags[bad] |= np.uint8(Flag.BAD_QUALITY)
    outside = (values < book.low[ids]) | (values > book.high[ids])
    if outside.any():
        numbers.flags[outside] |= np.uint8(Flag.OUT_OF_RANGE)
