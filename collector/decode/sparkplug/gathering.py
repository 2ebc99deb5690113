"""From the metrics of one payload to scans: one for each time that they bear, oldest first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from collector.decode.place import Place
from collector.decode.sparkplug.known import Metric, Owner, metric_of
from collector.decode.sparkplug.values import value_of
from collector.decode.unusable import Unusable, several, shown
from collector.message import Flag, Message, Scan, Value

Moment = tuple[int, bool]
"""Time as the metric bears it, 0 for none [ms], and whether its value is historical."""


@dataclass(slots=True)
class Gathering:
    """The values of one payload.

    unknown
        Aliases and names that no birth has told of.
    faults
        What could not be used, each with the reason.
    """

    groups: dict[Moment, dict[str, Value]] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def take(self, payload: Any, owner: Owner, place: Place) -> None:
        """Take in all metrics. A transient value is not for keeping, so it is left out."""
        payload_ms, by_alias = payload.timestamp, owner.by_alias
        for metric in payload.metrics:
            known = by_alias.get(metric.alias or None) or self._by_name(metric, owner, place)
            if known.readers is None:
                if known.refused:
                    self.faults.append(known.refused)
                continue
            if metric.is_transient:
                continue
            try:
                value = value_of(metric, known.field, known.readers)
            except Unusable as error:
                self.faults.append(f"metric {shown(known.tag)} {error}")
                continue
            moment = (metric.timestamp or payload_ms, metric.is_historical)
            if moment in self.groups:
                self.groups[moment][known.tag] = value
            else:
                self.groups[moment] = {known.tag: value}

    def _by_name(self, metric: Any, owner: Owner, place: Place) -> Metric:
        """A metric without an alias, or with alias 0, which a message without one seems to have."""
        if name := metric.name:
            return owner.by_name.get(name) or self._stranger(metric, place)
        return (metric.HasField("alias") and owner.by_alias.get(metric.alias)) or self._stranger(metric, place)

    def _stranger(self, metric: Any, place: Place) -> Metric:
        """A metric without a birth can be used only if it brings name and data type along."""
        name = metric.name
        if name and isinstance(name, str) and metric.datatype:
            return metric_of(place, name, metric.datatype)
        self.unknown.append(f"name {shown(name)}" if name else f"alias {metric.alias}")
        return Metric("", None)

    def restate(self, payload_ms: int) -> None:
        """Say of everything that it holds at the time of the birth, too.

        A birth bears the times at which values last changed. After a death that is not enough: a tag that was stale
        since then, and has not changed, is good again from the birth on.
        """
        if not payload_ms:
            return
        older = sorted(moment for moment in self.groups if moment[0] < payload_ms and not moment[1])
        stated = {tag: value for moment in older for tag, value in self.groups[moment].items()}
        if stated:
            self.groups[payload_ms, False] = stated | self.groups.get((payload_ms, False), {})

    def scans(self, place: Place, message: Message) -> list[Scan]:
        """The scans, oldest first. Values of a time that cannot be true are among the faults then."""
        return sorted(self._scans(place, message), key=lambda scan: scan.at_ms)

    def _scans(self, place: Place, message: Message) -> Iterator[Scan]:
        for (raw_ms, historical), values in self.groups.items():
            try:
                at_ms, flags, initial = place.moment(raw_ms or None, message)
            except Unusable as error:
                tags = [shown(tag) for tag in values]
                self.faults.append(f"{error} ({several(tags).replace(';', ',')})")
                continue
            if historical:
                flags |= Flag.HISTORICAL
            yield Scan(place.machine, at_ms, values, place.source, message.received_ms, int(flags), initial)
