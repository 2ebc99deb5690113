"""What a birth has told of one owner of metrics, an edge node or one of its devices: aliases, names and data types."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import msgspec

from collector.decode.place import Place, misname
from collector.decode.sparkplug.values import READERS, Readers, refusal
from collector.decode.unusable import shown

_CONTROLS = ("bdSeq", "Node Control/", "Device Control/")


class Born(msgspec.Struct, frozen=True, array_like=True):
    """A metric as its birth names it; the part of it that is kept over a restart."""

    name: str
    alias: int | None
    datatype: int


@dataclass(frozen=True, slots=True)
class Metric:
    """How the values of a metric are taken.

    readers
        None if they are not.
    refused
        Why they are not; empty for what is left out without a word, as the controls are.
    field
        Where the value is as a rule.
    """

    tag: str
    readers: Readers | None
    refused: str = ""
    field: str = ""


@dataclass(slots=True)
class Owner:
    """The edge node itself, or one of its devices.

    place
        Where its values belong; None for the metrics of an edge node that mill.toml gives no machine.
    newest_ms
        Newest source time of its values. [ms]
    """

    place: Place | None
    born: list[Born] = field(default_factory=list)
    by_alias: dict[int | None, Metric] = field(default_factory=dict)
    by_name: dict[str, Metric] = field(default_factory=dict)
    newest_ms: int = 0

    def learn(self, born: Iterable[Born]) -> None:
        """Take in what a birth says."""
        for one in born:
            metric = self._metric(one)
            self.born.append(one)
            self.by_name[one.name] = metric
            if one.alias in self.by_alias:
                metric = Metric(one.name, None, f"has the alias {one.alias}, which its birth gave to two metrics")
            if one.alias is not None:
                self.by_alias[one.alias] = metric

    def _metric(self, one: Born) -> Metric:
        if self.place is None or one.name.startswith(_CONTROLS):
            return Metric(one.name, None)
        return metric_of(self.place, one.name, one.datatype)

    def tags(self) -> list[str]:
        """The tags that it has."""
        return [name for name, metric in self.by_name.items() if metric.readers is not None]


def metric_of(place: Place, name: str, datatype: int) -> Metric:
    """How the values of a metric of that name and data type are taken."""
    if not place.tags.is_good(name):
        return Metric(name, None, misname(name))
    readers = READERS.get(datatype)
    if readers is None:
        return Metric(name, None, f"metric {shown(name)} {refusal(datatype)}")
    return Metric(name, readers, field=next(iter(readers)))


def births_in(payload: Any) -> tuple[list[Born], int]:
    """The metrics that a birth defines, and how many it holds without a readable name."""
    born = [
        Born(metric.name, metric.alias if metric.HasField("alias") else None, metric.datatype)
        for metric in payload.metrics
        if metric.name and isinstance(metric.name, str)
    ]
    return born, len(payload.metrics) - len(born)
