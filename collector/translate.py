"""From what a source calls a tag, and the unit it sends, to the mill's own name and unit. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

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
