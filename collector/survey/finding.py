"""Everything that was found out: first from the topics, then by reading all messages with the sources so found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.decode import Decoder
from collector.message import Message
from collector.settings import Mill, MillFaults, parse_mill
from collector.survey.draft import MillName, draft, draft_to_read_by
from collector.survey.payload import Kind
from collector.survey.roles import DetectorDraft, Suggestion, detectors_of, signals_of
from collector.survey.sources import Sources, Unread, sources_of
from collector.survey.tags import Tags
from collector.survey.topics import Topics

_DRAFT = Path("draft")

MOST_SOURCES = 100
"""A draft has at most so many: with more the topics follow no plan that a survey could find."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFound:
    """What was found of one machine."""

    machine: str
    signals: tuple[Suggestion, ...]
    detectors: tuple[DetectorDraft, ...]

    @property
    def is_whole(self) -> bool:
        """Whether it has what it cannot do without: a speed, and a sheet detector."""
        return any(one.role == "speed" for one in self.signals) and bool(self.detectors)


@dataclass(slots=True, kw_only=True)
class Survey:
    """What was heard and what is suggested.

    rejected
        Why messages could not be read by the draft's own sources, and how many.
    unborn
        Sparkplug metrics known by number only: their birth was not heard.
    """

    topics: Topics
    sources: Sources
    tags: Tags = field(default_factory=Tags)
    rejected: Counter[str] = field(default_factory=Counter)
    machines: list[MachineFound] = field(default_factory=list)
    draft: str = ""
    mill: Mill | None = None

    @property
    def unborn(self) -> bool:
        """Whether Sparkplug values came whose births were not heard."""
        return any("a rebirth is asked for" in reason for reason in self.rejected)


def survey(read: Callable[[], Iterable[Message]], *, name: MillName) -> Survey:
    """Find out what messages hold.

    read
        Gives the messages in order of receipt; is called twice, and must give the same ones.
    """
    topics = Topics()
    for message in read():
        topics.take(message)
    found = Survey(topics=topics, sources=_usable(name, sources_of(topics.heard.values())))
    if not found.sources.drafts:
        return found
    _read(found, read(), parse_mill(draft_to_read_by(name, found.sources), file=_DRAFT))
    found.machines = [_machine(found.tags, machine) for machine in found.sources.machines]
    found.draft = draft(name, found.sources, found.machines, found.tags)
    found.mill = parse_mill(found.draft, file=_DRAFT)
    return found


def _usable(name: MillName, sources: Sources) -> Sources:
    """The same without the sources that no mill.toml can hold beside the others: they are unread, with the reason."""
    usable = Sources(unread=sources.unread, root=sources.root)
    for one in sources.drafts:
        usable.drafts.append(one)
        try:
            if len(usable.drafts) > MOST_SOURCES:
                raise _TooMany(f"more than {MOST_SOURCES} sources would be needed")
            parse_mill(draft_to_read_by(name, usable), file=_DRAFT)
        except (MillFaults, _TooMany) as error:
            usable.drafts.pop()
            usable.unread.append(Unread(topics=(str(one.keys.get("topic", one.keys)),), why=_first_line(error)))
    return usable


class _TooMany(ValueError):
    """There are more kinds of topics than anybody would write sources for."""


def _first_line(error: Exception) -> str:
    return error.faults[0].message if isinstance(error, MillFaults) else str(error)


def _read(found: Survey, messages: Iterable[Message], mill: Mill) -> None:
    """Read everything with the draft's own sources: what it tells of tags is what the collector would see."""
    decoder = Decoder(mill)
    for message in messages:
        decoded = decoder.decode(message)
        for scan in decoded.scans:
            found.tags.take(scan)
        if found.topics.kind_of(message.topic) is not Kind.CONTEXT:
            found.rejected.update(rejected.reason for rejected in decoded.rejected)


def _machine(tags: Tags, machine: str) -> MachineFound:
    records = tags.of(machine)
    signals = signals_of(records)
    detectors: Sequence[DetectorDraft] = detectors_of(records, signals)
    return MachineFound(machine=machine, signals=tuple(signals), detectors=tuple(detectors))
