"""From what a source calls a tag, and the unit it sends, to the mill's own name and unit. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from collector.block import BAD, NUMBER, TRUTH, Block
from collector.message import Scan, Value
from collector.settings import Machine, Mill, TagSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """How one tag of a source is taken: stored value = value sent · factor + offset.

    tag
        The mill's name for it.
    """

    tag: str
    factor: float
    offset: float

    def value(self, sent: Value) -> Value:
        """The value in the mill's unit; texts and None as they are, and None where no finite number comes out."""
        if sent is None or isinstance(sent, str) or (self.factor == 1 and self.offset == 0):
            return sent
        value = sent * self.factor + self.offset
        return value if math.isfinite(value) else None


class Translation:
    """Knows, for each machine, the tags that mill.toml takes otherwise than they are sent."""

    def __init__(self, mill: Mill) -> None:
        """Machines without such a tag cost nothing."""
        self._words = {machine.id: words for machine in mill.machines if (words := _words(machine))}

    def of(self, scan: Scan) -> Scan:
        """The scan with the mill's names and units; the very same one where nothing is to be done."""
        words = self._words.get(scan.machine)
        if words is None or words.keys().isdisjoint(scan.values):
            return scan
        return replace(scan, values=_translated(words, scan.values))

    def of_block(self, block: Block) -> Block:
        """The block with the mill's names and units; the very same one where nothing is to be done."""
        words = {
            place: word
            for place, (machine, tag) in enumerate(block.tags)
            if (word := self._words.get(machine, {}).get(tag)) is not None
        }
        if not words:
            return block
        kinds, numbers = block.kinds.copy(), block.numbers.copy()
        for place, word in words.items():
            if (word.factor, word.offset) == (1, 0):
                continue
            rows = np.flatnonzero((block.tag_no == place) & ((kinds == NUMBER) | (kinds == TRUTH)))
            with np.errstate(over="ignore"):
                numbers[rows] = numbers[rows] * word.factor + word.offset
            kinds[rows] = np.where(np.isfinite(numbers[rows]), NUMBER, BAD)
            numbers[rows[kinds[rows] == BAD]] = np.nan
        tags = [
            (machine, words[place].tag if place in words else tag) for place, (machine, tag) in enumerate(block.tags)
        ]
        return _merged(replace(block, kinds=kinds, numbers=numbers), tags, list(words))


def _merged(block: Block, tags: list[tuple[str, str]], translated: list[int]) -> Block:
    """With each tag once: of two columns for one tag at one time the one that was translated counts."""
    names = tuple(dict.fromkeys(tags))
    if len(names) == len(tags):
        return replace(block, tags=names)
    number = np.array([names.index(tag) for tag in tags], np.int32)
    order = np.lexsort((np.isin(block.tag_no, translated), block.at_ms))
    block = block.some(order)
    return replace(block, tags=names, tag_no=number[block.tag_no]).without_doubles()


def _words(machine: Machine) -> dict[str, Word]:
    return {
        tag.sent_as or tag.name: Word(tag=tag.name, factor=tag.factor, offset=tag.offset)
        for tag in machine.tags
        if _differs(tag)
    }


def _differs(tag: TagSettings) -> bool:
    return (tag.sent_as or tag.name, tag.factor, tag.offset) != (tag.name, 1, 0)


def _translated(words: Mapping[str, Word], sent: Mapping[str, Value]) -> dict[str, Value]:
    """Where a scan holds both a tag and one that stands for it, the one that mill.toml speaks of counts."""
    values = {tag: value for tag, value in sent.items() if tag not in words}
    for name, value in sent.items():
        if (word := words.get(name)) is not None:
            values[word.tag] = word.value(value)
    return values
