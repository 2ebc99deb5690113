"""The draft of mill.toml, as text with comments that say what is a guess and what is left to measure."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from collector.survey.sources import SourceDraft, Sources
from collector.survey.tags import TagRecord, Tags

if TYPE_CHECKING:
    from collector.survey.finding import MachineFound

NO_SPEED, NO_DETECTOR = "speed not found", "sheet detector not found"
"""Stand where the draft needs a tag and none was heard that would do."""

_APART_M = 50.0
"""Between detectors of which nothing tells how far apart they are: rather too much, since the tracker waits so long for
the end of a torn sheet before it holds a detector for blind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MillName:
    """What the broker cannot tell.

    name, time_zone
        Of the mill.
    host, port
        Of the broker that was listened to; None for recorded files.
    """

    name: str
    time_zone: str
    host: str | None = None
    port: int | None = None


def draft_to_read_by(name: MillName, sources: Sources) -> str:
    """A mill.toml that is good for nothing but reading every message: no roles, any clock."""
    lines = [*_mill(name, sources), *_sources(sources.drafts)]
    for machine in sources.machines:
        lines += ["[[machine]]", f"id = {_text(machine)}", f"name = {_text(machine)}", "trim_m = 1.0"]
        lines += [
            "max_ahead_s = 100_000_000",
            "[machine.signals]",
            f'speed = "{NO_SPEED}"',
            *_detector(NO_DETECTOR, "-", 1),
        ]
    return "\n".join(lines) + "\n"


def draft(name: MillName, sources: Sources, machines: Sequence[MachineFound], tags: Tags) -> str:
    """The whole draft, to be gone through and put right by somebody who knows the machines."""
    lines = [
        "# A draft, made from what was heard. Go through it line by line with somebody who knows the machine:",
        "# every role and section is a suggestion, and what is marked MEASURE cannot be told from messages at all.",
        "# `breakhorn check` says what is still wrong, or left out.",
        "",
        *_mill(name, sources),
        *_sources(sources.drafts),
    ]
    for machine in machines:
        lines += _machine(machine, tags.of(machine.machine))
    return "\n".join(lines) + "\n"


def _mill(name: MillName, sources: Sources) -> Iterator[str]:
    yield from ("[mill]", f"name = {_text(name.name)}", f"time_zone = {_text(name.time_zone)}")
    if sources.root:
        yield f"topic_root = {_text(sources.root)}                 # notes and the like were heard below it"
    elif re.search(r"[+#/{}]|^\$", name.name):
        yield 'topic_root = "mill"'
    yield ""
    if name.host is not None:
        yield from ("[broker]", f"host = {_text(name.host)}", f"port = {name.port}", "")


def _sources(drafts: Sequence[SourceDraft]) -> Iterator[str]:
    for one in drafts:
        plural = "topic" if one.topics == 1 else "topics"
        yield f"[[source]]                          # {one.topics} {plural}"
        if one.note:
            yield f"# {one.note}"
        yield from (f"{key} = {_value(value)}" for key, value in one.keys.items())
        yield ""


def _machine(found: MachineFound, records: Sequence[TagRecord]) -> Iterator[str]:
    yield from ("[[machine]]", f"id = {_text(found.machine)}", f"name = {_text(found.machine)}")
    yield "trim_m = 1.0                        # MEASURE: width of the sheet at the reel [m]"
    yield from ("", "[machine.signals]")
    if not any(one.role == "speed" for one in found.signals):
        yield f'speed = "{NO_SPEED}"           # nothing heard that is like a speed in m/min'
    for one in found.signals:
        doubt = "" if one.sure else "GUESS: "
        yield f"{one.role} = {_text(one.tag)}  # {doubt}{_plain(one.why)}"
    yield ""
    if not found.detectors:
        yield "# Nothing heard that is like a sheet detector."
        yield from _detector(NO_DETECTOR, "reel", _APART_M)
    else:
        yield "# Places and order are guesses: MEASURE positions along the sheet's path, from the slice [m]."
    position_m = 0.0
    for detector in found.detectors:
        far = "" if detector.after_m is None else f"; about {detector.after_m:g} m on, by how much later it fell"
        yield f"# {_plain(detector.why)}{far}"
        position_m += max(0.1, _APART_M if detector.after_m is None else detector.after_m)
        if detector.flickers:
            yield f"# it flickered {detector.flickers} times: look whether it is clean"
        yield from _detector(detector.tag, detector.section, position_m)
    yield from _tags(found, records)


def _detector(tag: str, section: str, position_m: float) -> Iterator[str]:
    yield from ("[[machine.sheet_detector]]", f"tag = {_text(tag)}", f"section = {_text(section)}")
    yield from (f"position_m = {position_m:.1f}", "")


def _tags(found: MachineFound, records: Sequence[TagRecord]) -> Iterator[str]:
    """An entry for each number, with the range heard as a comment: limits are for somebody who knows."""
    for detector in found.detectors:
        if detector.inverted:
            yield "[[machine.tag]]                     # GUESS: true when the sheet is lost, so turned round"
            yield from (f"name = {_text(detector.tag)}", "factor = -1", "offset = 1", "")
    for record in records:
        if record.is_number:
            yield f"[[machine.tag]]                     # heard from {record.low:.6g} to {record.high:.6g}"
            yield from (f"name = {_text(record.name)}", '# unit = "…"; low = …; high = …; section = "…"', "")


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(item) for item in value)}]"
    return _text(value) if isinstance(value, str) else json.dumps(value)


def _text(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's as well, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """A text that may stand in a comment."""
    return re.sub(r"[\x00-\x1f\x7f]", " ", text)
