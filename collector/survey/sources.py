"""Which ``[[source]]`` tables would read the topics that were heard, and which machines they speak of. Pure."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.survey.payload import Kind, looks_like_time, time_of
from collector.survey.topics import Topic

ONLY_MACHINE = "pm1"
"""The id that a machine is given where no message names one."""

_MACHINE_WORD = re.compile(r"(?i)^(pm|bm|tm|km|pk|machine|line|mach)[-_.]?\d{1,3}[a-z]?$")
_MACHINE_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")
_GOOD = ("good", "ok", "valid")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceDraft:
    """One ``[[source]]``.

    keys
        As they stand in mill.toml.
    machines
        Ids that its messages name, or the one it is given.
    topics
        How many topics it reads.
    note
        What the mill should know of it.
    """

    keys: dict[str, Any]
    machines: tuple[str, ...]
    topics: int
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Topics that no source can read, and why not."""

    topics: tuple[str, ...]
    why: str


@dataclass(slots=True)
class Sources:
    """What was made of all topics.

    root
        The first levels of topics on which people's notes and the like were heard; None if there were none.
    """

    drafts: list[SourceDraft] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    root: str | None = None

    @property
    def machines(self) -> tuple[str, ...]:
        """Every machine that is spoken of."""
        return tuple(sorted({machine for draft in self.drafts for machine in draft.machines}))


def sources_of(topics: Iterable[Topic]) -> Sources:
    """The sources that read as many of the topics as possible."""
    found = Sources()
    groups = defaultdict[tuple[Any, ...], list[Topic]](list)
    for topic in topics:
        levels = topic.name.split("/")
        match topic.kind:
            case Kind.SPARKPLUG:
                groups[Kind.SPARKPLUG, *levels[1:2]].append(topic)
            case Kind.CONTEXT:
                found.root = found.root or "/".join(levels[:-2])
            case Kind.UNREADABLE:
                groups[Kind.UNREADABLE, topic.why].append(topic)
            case Kind.FIELDS:
                groups[Kind.FIELDS, len(levels), levels[0], _shape(topic)].append(topic)
            case kind:
                groups[kind, len(levels), levels[0]].append(topic)
    for key, group in groups.items():
        _take(found, key[0], group)
    return found


def _shape(topic: Topic) -> frozenset[str]:
    """The pointers that all payloads of a topic have."""
    return frozenset.intersection(*(frozenset(look.leaves) for _, look in topic.looks if look.kind is Kind.FIELDS))


def _take(found: Sources, kind: Kind, group: list[Topic]) -> None:
    names = tuple(topic.name for topic in group)
    match kind:
        case Kind.UNREADABLE:
            found.unread.append(Unread(topics=names, why=group[0].why))
        case Kind.SPARKPLUG:
            found.drafts.append(_sparkplug(names))
        case Kind.SCAN:
            found.drafts.extend(_by_topic("scan", names, has_tag=False))
        case Kind.VALUE:
            found.drafts.extend(_by_topic("value", names, has_tag=True))
        case Kind.FIELDS:
            draft = _fields(group)
            if isinstance(draft, str):
                found.unread.append(Unread(topics=names, why=draft))
            else:
                found.drafts.append(draft)


def _sparkplug(names: Sequence[str]) -> SourceDraft:
    """One source a group; devices are machines, and edge nodes without one get a machine of their own."""
    levels = [name.split("/") for name in names]
    edges = tuple(sorted({level[3] for level in levels if len(level) > 3}))
    devices = tuple(sorted({level[4] for level in levels if len(level) > 4 and _MACHINE_ID.match(level[4])}))
    keys: dict[str, Any] = {"format": "sparkplug", "group": levels[0][1], "edges": list(edges)}
    if not devices:
        keys["machine"] = ONLY_MACHINE
    return SourceDraft(keys=keys, machines=devices or (ONLY_MACHINE,), topics=len(names))


def _by_topic(kind: str, names: Sequence[str], *, has_tag: bool) -> Iterator[SourceDraft]:
    """Sources whose topics name the machine, or are one machine's; with ``has_tag`` they name the tag as well."""
    rows = [name.split("/") for name in names]
    columns = [set(column) for column in zip(*rows, strict=True)]
    machine = _machine_level(rows, columns, has_tag=has_tag)
    tag = _tag_level(columns, machine) if has_tag else None
    fixed = [place for place in range(len(columns)) if place not in (machine, tag)]
    clash = tag is not None and len({(row[tag], machine is not None and row[machine]) for row in rows}) < len(rows)
    groups = defaultdict[tuple[str, ...], list[list[str]]](list)
    for row in rows:
        groups[tuple(row[place] for place in fixed) if clash else ()].append(row)
    for group in groups.values():
        yield _template(kind, group, machine, tag)


def _template(kind: str, rows: list[list[str]], machine: int | None, tag: int | None) -> SourceDraft:
    levels = []
    for place, column in enumerate(zip(*rows, strict=True)):
        if place in (machine, tag):
            levels.append("{machine}" if place == machine else "{tag}")
        else:
            levels.append(column[0] if len(set(column)) == 1 else "+")
    keys: dict[str, Any] = {"topic": "/".join(levels), "format": kind}
    if machine is None:
        keys["machine"] = ONLY_MACHINE
    machines = (ONLY_MACHINE,) if machine is None else tuple(sorted({row[machine] for row in rows}))
    if kind == "value" and tag is None:
        keys["tag"] = rows[0][-1]
    return SourceDraft(keys=keys, machines=machines, topics=len(rows))


def _machine_level(rows: list[list[str]], columns: list[set[str]], *, has_tag: bool) -> int | None:
    """The level whose words are all like a machine's; else one that varies while the rest of the topic recurs."""
    named = [
        place for place, words in enumerate(columns) if all(_MACHINE_WORD.match(word) for word in words)
    ]  # fmt: skip
    if named:
        return named[0]
    for place, words in enumerate(columns):
        rests = {tuple(row[:place] + row[place + 1 :]) for row in rows}
        recurs = len(rests) * len(words) == len(rows) and len(rests) < len(rows)
        enough = not has_tag or len(rests) > 1
        if len(words) > 1 and recurs and enough and len(words) <= 20 and all(map(_MACHINE_ID.match, words)):
            return place
    return None


def _tag_level(columns: list[set[str]], machine: int | None) -> int | None:
    """The level that says most; the last of those that say as much."""
    free = [place for place in range(len(columns)) if place != machine]
    return max(free, key=lambda place: (len(columns[place]), place), default=None)


def _fields(group: list[Topic]) -> SourceDraft | str:
    """A source of pointers for topics whose payloads have the same leaves, or why there can be none."""
    shape = sorted(_shape(group[0]))
    columns = {
        pointer: [(ms, look.leaves[pointer]) for topic in group for ms, look in topic.looks if pointer in look.leaves]
        for pointer in shape
    }
    time = _time_pointer(columns)
    rest = [pointer for pointer in shape if pointer != time]
    words = {pointer: {str(value) for _, value in columns[pointer]} for pointer in rest}
    value = _value_pointer(rest, columns)
    if value is None:
        return "an object without a number or a truth in it"
    quality = _named(rest, r"(quality|qual|q|status|good)$", besides=(value,))
    machine = _named(rest, r"(machine|asset|line|unit|pm|maschine|kone)(_?id)?$", besides=(value, quality))
    tag = _named(rest, r"(tag|name|signal|point|item|metric|channel|id)$", besides=(value, quality, machine))
    numbers = [
        p for p in rest if p not in (quality, machine, tag) and _is_number(columns[p]) and not looks_like_time(p)
    ]
    if tag is None and len(numbers) > 1:
        return f"an object of {len(numbers)} numbers without a tag's name: let the gateway send scans"
    keys: dict[str, Any] = {"topic": group[0].name if len(group) == 1 else "", "format": "fields"}
    machines, note = _placed(keys, group, words[machine] if machine else None, machine, tag)
    keys["value"] = value
    if time is None:
        note = f"{note} {_why_no_time(columns)}: values are timed on arrival.".strip()
    else:
        keys["time"] = time
    if quality is not None:
        keys["quality"] = quality
        keys["good_qualities"] = _good(value for _, value in columns[quality])
    return SourceDraft(keys=keys, machines=machines, topics=len(group), note=note)


def _placed(
    keys: dict[str, Any], group: list[Topic], machines: set[str] | None, machine: str | None, tag: str | None
) -> tuple[tuple[str, ...], str]:
    """Say in ``keys`` where topic, machine and tag are; give the machines, and what is odd about their names."""
    names = [topic.name for topic in group]
    draft = next(iter(_by_topic("value", names, has_tag=tag is None)))
    keys["topic"] = draft.keys["topic"]
    if tag is not None:
        keys["tag"] = tag
        keys["topic"] = keys["topic"].replace("{tag}", "+")
    elif "{tag}" not in keys["topic"]:
        keys["tag"] = names[0].split("/")[-1]
    if "{machine}" in keys["topic"]:
        return draft.machines, ""
    if machines and all(_MACHINE_ID.match(name) for name in machines):
        keys["machine"] = machine
        return tuple(sorted(machines)), ""
    keys["machine"] = ONLY_MACHINE
    odd = f"Machines are called {', '.join(sorted(machines))} at {machine}, which cannot be ids." if machines else ""
    return (ONLY_MACHINE,), odd


def _time_pointer(columns: dict[str, list[tuple[int, Any]]]) -> str | None:
    """The pointer whose values are all times near their receipt; of several the one called so, then the nearest."""
    fits = {}
    for pointer, pairs in columns.items():
        times = [time_of(value, ms) for ms, value in pairs]
        known = [abs(at - ms) for at, (ms, _) in zip(times, pairs, strict=True) if at is not None]
        if known and len(known) == len(pairs):
            fits[pointer] = (not looks_like_time(pointer), sorted(known)[len(known) // 2])
    return min(fits, key=lambda pointer: fits[pointer], default=None)


def _why_no_time(columns: dict[str, list[tuple[int, Any]]]) -> str:
    for pointer, pairs in columns.items():
        ms, value = pairs[0]
        if isinstance(value, int | float) and not isinstance(value, bool) and time_of(value * 1000, ms) is not None:
            return f"{pointer} looks like Unix seconds, and must be milliseconds or RFC 3339 to be read"
        if isinstance(value, str) and looks_like_time(pointer):
            return f"{pointer} is not RFC 3339 with an offset"
    return "No source time was found"


def _value_pointer(pointers: list[str], columns: dict[str, list[tuple[int, Any]]]) -> str | None:
    named = _named(pointers, r"(value|val|v|pv|wert|arvo|reading)$")
    if named is not None:
        return named
    numbers = [pointer for pointer in pointers if _is_number(columns[pointer]) and not looks_like_time(pointer)]
    return max(numbers, key=lambda pointer: len({str(value) for _, value in columns[pointer]}), default=None)


def _named(pointers: list[str], words: str, besides: tuple[str | None, ...] = ()) -> str | None:
    pattern = re.compile(rf"(?i)(^|[_/.]|[a-z](?=[A-Z])){words}")
    return next((p for p in pointers if p not in besides and pattern.search(p.rsplit("/", 1)[-1])), None)


def _is_number(pairs: list[tuple[int, Any]]) -> bool:
    return any(isinstance(value, int | float) for _, value in pairs)


def _good(values: Iterable[Any]) -> list[Any]:
    """Which of the qualities heard are good: those called so; else the one heard most."""
    heard = [value for value in values if isinstance(value, str | int)]
    good = [value for value in dict.fromkeys(heard) if str(value).lower() in _GOOD or value is True or value == 192]
    return good or ([max(heard, key=heard.count)] if heard else ["Good", 192])
