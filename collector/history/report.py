"""What was understood of a file, in words for a person and as a record for programs. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from collector.history.fault import HistoryFault
from collector.history.source import Source
from collector.history.span import Span, TagSpan
from collector.message import Scan
from collector.service.announce import instant
from collector.settings import Machine, Mill

_TAGS_SHOWN = 12
_ROWS_SHOWN = 3
_VALUES_SHOWN = 6
_WORDS_SHOWN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """One file.

    zone
        The clock of its times, where they have no offset.
    first
        Its first scans, as they are taken.
    faults, more
        What is wrong: the first faults, and how many there are besides.
    """

    source: Source
    span: Span
    first: Sequence[Scan]
    zone: str
    mill: Mill
    faults: Sequence[HistoryFault] = ()
    more: int = 0

    def lines(self) -> Iterator[str]:
        """What the file is, what its columns are, what stands in it, and the first rows as they are taken."""
        span = self.span
        yield f"{self.source.path}"
        for words in self.source.words():
            yield f"  {words}"
        yield f"  clock: {self.zone if self.source.time.is_local else 'in the file'}"
        yield f"  values: {span.values:,} of {len(span.tags)} tags"
        if span.first_ms is not None and span.last_ms is not None:
            yield f"  from {instant(span.first_ms)} to {instant(span.last_ms)}"
        yield from self._bad()
        yield from self._tags()
        for doubt in self._doubts():
            yield f"  look: {doubt}"
        for scan in self.first[:_ROWS_SHOWN]:
            pairs = [f"{tag} = {_shown(value)}" for tag, value in list(scan.values.items())[:_VALUES_SHOWN]]
            more = " …" if len(scan.values) > _VALUES_SHOWN else ""
            yield f"  {instant(scan.at_ms)} {scan.machine}: {', '.join(pairs)}{more}"

    def as_dict(self) -> dict[str, object]:
        """The same for programs; ``roles`` says what mill.toml takes a tag for."""
        source, span, layout = self.source, self.span, self.source.layout
        return {
            "file": str(source.path),
            "kind": "parquet" if layout is None else "text",
            "encoding": None if layout is None else layout.encoding,
            "delimiter": None if layout is None else layout.delimiter,
            "decimal": None if layout is None else source.signs.decimal,
            "thousands": source.signs.thousands,
            "names_line": None if layout is None else layout.names_line,
            "first_line": None if layout is None else layout.first_line,
            "form": "long" if source.columns.is_long else "wide",
            "time_column": source.columns.time_name(),
            "time_format": source.time.pattern,
            "time_zone": self.zone if source.time.is_local else None,
            "values": span.values,
            "bad": dict(span.bad),
            "first_at": _instant_or_none(span.first_ms),
            "last_at": _instant_or_none(span.last_ms),
            "tags": [self._tag_as_dict(tag) for tag in span.tags],
            "missing": {machine.id: missing for machine, missing in self._missing()},
            "doubts": list(self._doubts()),
            "faults": [fault.as_dict() for fault in self.faults],
            "more_faults": self.more,
        }

    def _bad(self) -> Iterator[str]:
        count = sum(times for _, times in self.span.bad)
        if count:
            words = [f'"{word}" {times:,}' for word, times in self.span.bad[:_WORDS_SHOWN]]
            more = " …" if len(self.span.bad) > _WORDS_SHOWN else ""
            yield f"  taken as bad: {count:,} ({', '.join(words)}{more})"

    def _tags(self) -> Iterator[str]:
        names = [tag.tag for tag in self.span.tags]
        more = f" and {len(names) - _TAGS_SHOWN} more" if len(names) > _TAGS_SHOWN else ""
        yield f"  tags: {', '.join(names[:_TAGS_SHOWN])}{more}"
        for machine, missing in self._missing():
            yield f"  {machine.id}: nothing here of {', '.join(missing)}"

    def _missing(self) -> Iterator[tuple[Machine, list[str]]]:
        """Tags with a role that have no value here, of each machine that has any."""
        for machine_id in sorted({tag.machine for tag in self.span.tags}):
            machine = self.mill.machine(machine_id)
            there = {tag.tag for tag in self.span.tags if tag.machine == machine_id}
            missing = [tag for tag in _roles(machine) if machine.name_sent(tag) not in there]
            if missing:
                yield machine, missing

    def _doubts(self) -> Iterator[str]:
        """What can be taken, and may be meant otherwise."""
        for tag in self.span.tags:
            if tag.is_mixed:
                numbers = tag.values - tag.bad - tag.texts
                yield (
                    f"{tag.tag} has {numbers:,} numbers and {tag.texts:,} texts, which are kept as texts: "
                    "if they stand for bad values, give --bad"
                )
            machine = self.mill.machine(tag.machine)
            speed, least = machine.name_sent(machine.signals.speed), machine.running_above_m_min
            if tag.tag == speed and not _is_turned(machine, speed) and 0 < (tag.highest or 0) < least:
                stands = f"so that {machine.id} stands all the time"
                yield f"{tag.tag} never passes {least:g} m/min, {stands}: is it in m/min?"

    def _tag_as_dict(self, tag: TagSpan) -> dict[str, object]:
        machine = self.mill.machine(tag.machine)
        names = {machine.name_sent(name): name for name in [*_roles(machine), *(known.name for known in machine.tags)]}
        name = names.get(tag.tag, tag.tag)
        return {
            "machine": tag.machine,
            "tag": tag.tag,
            "stored_as": name,
            "roles": _roles(machine).get(name, []),
            "values": tag.values,
            "bad": tag.bad,
            "texts": tag.texts,
            "lowest": tag.lowest,
            "highest": tag.highest,
        }


def _roles(machine: Machine) -> Mapping[str, list[str]]:
    """The tags with a role, and which roles they have."""
    roles: dict[str, list[str]] = {}
    for role, tag in machine.signals.items():
        roles.setdefault(tag, []).append(role)
    for detector in machine.sheet_detectors:
        roles.setdefault(detector.tag, []).append(f"sheet detector ({detector.section})")
    return roles


def _is_turned(machine: Machine, sent: str) -> bool:
    """Whether mill.toml turns the sent unit into another."""
    return any((tag.sent_as or tag.name) == sent and (tag.factor, tag.offset) != (1, 0) for tag in machine.tags)


def _shown(value: object) -> str:
    return "bad" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def _instant_or_none(at_ms: int | None) -> str | None:
    return None if at_ms is None else instant(at_ms)
