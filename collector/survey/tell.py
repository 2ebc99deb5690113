"""Says what a survey found: a sentence, then tables, or the same as plain values for JSON."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from collector.logs import one_line
from collector.survey.finding import Survey
from collector.survey.tags import TagRecord
from collector.survey.topics import Topic

MOST_ROWS = 60
_CLOCKS_APART_S = 2.0


def sentence(found: Survey) -> str:
    """What was found, in one sentence."""
    topics = found.topics.heard.values()
    messages = sum(topic.messages for topic in topics)
    if not messages:
        return "Nothing was heard: is the gateway publishing, and is this the right broker?"
    if not found.sources.drafts:
        return f"{messages:,} messages on {len(topics):,} topics, and none of them can be read."
    whole = sum(machine.is_whole for machine in found.machines)
    machines = f"{len(found.machines)} machine{'s' if len(found.machines) != 1 else ''}"
    able = "all" if whole == len(found.machines) else f"{whole}"
    return (
        f"{messages:,} messages on {len(topics):,} topics, {len(found.tags.heard):,} tags of {machines}; "
        f"{able} of them with something like a speed and sheet detectors."
    )


def cautions(found: Survey) -> Iterator[str]:
    """What somebody should look at before believing the rest."""
    if found.unborn:
        yield "Sparkplug values came whose births were not heard: listen with --ask-rebirth."
    for reason, count in found.rejected.most_common(5):
        yield f"{count} could not be used: {reason}"
    for unread in found.sources.unread:
        more = f" and {len(unread.topics) - 1} more topics" if len(unread.topics) > 1 else ""
        yield f"{unread.topics[0]}{more}: no source can read this ({unread.why})"
    clocks = _clocks(found)
    if clocks and max(clocks.values()) - min(clocks.values()) > _CLOCKS_APART_S:
        apart = max(clocks.values()) - min(clocks.values())
        yield f"The sources' clocks are {apart:.1f} s apart: set them, or breaks will be put in the wrong section."
    for number, ahead_s in clocks.items():
        if ahead_s > _CLOCKS_APART_S:
            yield f"The clock of source {number + 1} is at least {ahead_s:.1f} s ahead of this computer's."
    for machine in found.machines:
        for detector in machine.detectors:
            if detector.flickers:
                yield f"{machine.machine}: {detector.tag} flickered {detector.flickers} times"
            if not detector.changes:
                yield f"{machine.machine}: {detector.tag} never changed: silent, or no break while listening"
    if found.topics.left_out or found.tags.left_out:
        yield "There were more topics or tags than a survey keeps; narrow it down with --topic."


def _clocks(found: Survey) -> dict[int, float]:
    """By source, how far its clock is ahead of this one at least: the message with the least delay tells. [s]"""
    most = defaultdict[int, list[int]](list)
    for record in found.tags.heard.values():
        if record.most_ahead_ms is not None:
            most[record.source].append(record.most_ahead_ms)
    return {source: max(values) / 1000 for source, values in sorted(most.items())}


def show(found: Survey, console: Console) -> None:
    """Print what was found."""
    console.print(Text(sentence(found), style="bold"))
    for caution in cautions(found):
        console.print(Text(f"! {one_line(caution)}", style="yellow"))
    _table(console, "Topics", ("topic", "format", "messages", "a minute", "bytes each"), map(_topic, _topics(found)))
    for machine in found.machines:
        records = found.tags.of(machine.machine)
        signals = {one.tag: f"{one.role}{'' if one.sure else '?'}" for one in machine.signals}
        detectors = {one.tag: f"detector {n}: {one.section}" for n, one in enumerate(machine.detectors, start=1)}
        parts = signals | detectors
        rows = [(*_tag(record), parts.get(record.name, "")) for record in records]
        rows.sort(key=lambda row: (not row[-1], row[0]))
        _table(console, f"Tags of {machine.machine}", ("tag", "kind", "values", "every s", "range", "may be"), rows)


def _topics(found: Survey) -> list[Topic]:
    return sorted(found.topics.heard.values(), key=lambda topic: (-topic.messages, topic.name))


def _topic(topic: Topic) -> tuple[str, ...]:
    rate = topic.per_min
    said = "" if rate is None else f"{rate:,.1f}"
    return topic.name, str(topic.kind), f"{topic.messages:,}", said, f"{topic.bytes / topic.messages:,.0f}"


def _tag(record: TagRecord) -> tuple[str, ...]:
    every = record.every_s
    said = "" if every is None else f"{every:,.0f}" if every >= 100 else f"{every:.3g}"
    return record.name, _kind(record), f"{record.heard:,}", said, _range(record)


def _kind(record: TagRecord) -> str:
    if record.is_truth:
        return "truth"
    if record.is_number:
        return "number"
    return "text" if record.is_text else "mixed" if record.texts else "bad only"


def _range(record: TagRecord) -> str:
    if record.is_truth:
        return f"true {record.share_true:.0%}, {record.changes} changes"
    if record.is_number:
        return f"{record.low:.6g} to {record.high:.6g}"
    return ", ".join(list(record.texts)[:3])


def _table(console: Console, title: str, columns: Iterable[str], rows: Iterable[tuple[str, ...]]) -> None:
    shown = Table(
        title=Text(one_line(title)),
        box=SIMPLE_HEAD,
        title_justify="left",
        title_style="",
        pad_edge=False,
        collapse_padding=True,
    )
    rows = [tuple(map(one_line, row)) for row in rows]
    for place, column in enumerate(columns):
        numeric = column in ("messages", "a minute", "bytes each", "values", "every s")
        # A name is copied by hand: it keeps its line as long as it leaves half of a narrow terminal to the others.
        longest = max((len(row[place]) for row in rows[:MOST_ROWS]), default=0) if place == 0 else 0
        shown.add_column(
            column,
            justify="right" if numeric else "left",
            overflow="fold",
            min_width=min(longest, console.width // 2) or None,
        )
    for row in rows[:MOST_ROWS]:
        shown.add_row(*(Text(cell) for cell in row))
    console.print(shown)
    if len(rows) > MOST_ROWS:
        console.print(Text(f"{len(rows) - MOST_ROWS} more; --json shows all", style="dim"))


def as_json(found: Survey) -> dict[str, Any]:
    """The same for programs; ranges are those that were heard, clocks in seconds ahead of receipt."""
    return {
        "sentence": sentence(found),
        "cautions": list(cautions(found)),
        "topics": [
            {
                "topic": topic.name,
                "format": str(topic.kind),
                "messages": topic.messages,
                "per_min": topic.per_min,
                "bytes": topic.bytes,
            }
            for topic in _topics(found)
        ],
        "sources": [
            {**draft.keys, "machines": list(draft.machines), "topics": draft.topics} for draft in found.sources.drafts
        ],
        "clock_ahead_s": {str(source): ahead_s for source, ahead_s in _clocks(found).items()},
        "machines": [
            {
                "machine": one.machine,
                "signals": {s.role: {"tag": s.tag, "why": s.why, "sure": s.sure} for s in one.signals},
                "sheet_detectors": [
                    {"tag": d.tag, "section": d.section, "why": d.why, "inverted": d.inverted, "flickers": d.flickers}
                    for d in one.detectors
                ],
                "tags": [_tag_json(record) for record in found.tags.of(one.machine)],
            }
            for one in found.machines
        ],
        "draft": found.draft,
    }


def _tag_json(record: TagRecord) -> dict[str, Any]:
    is_number = record.numbers > 0
    return {
        "tag": record.name,
        "kind": _kind(record),
        "values": record.heard,
        "bad": record.bad,
        "every_s": record.every_s,
        "low": record.low if is_number else None,
        "high": record.high if is_number else None,
        "texts": list(record.texts),
        "changes": record.changes,
    }
