"""What one value of mill.toml says of another: names used twice, positions out of order, sources that overlap.

Works on the text's plain tables rather than on validated values, so that a mistake in one place hides none in another.
Anything of a wrong type is passed over: the model reports it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, time, timedelta
from ipaddress import ip_address
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from collector.settings.faults import did_you_mean
from collector.settings.locate import KeyPath
from collector.topic import context_filters, filter_of, outgoing_filters, overlap, template_fault

Table = Mapping[str, Any]
Finding = tuple[KeyPath, str]

_MISSPELT = 0.8
"""A cause may stand under a heading of its own ("stock", "mechanical"); so near to a section it is a slip."""

_LONGEST_OVERRIDE_D = 366
"""What lasts longer is another rota."""

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")


def cross_faults(raw: Table) -> list[Finding]:
    """Every contradiction in the plain tables of a mill.toml, each with the path of the value that is wrong."""
    return [finding for check in _CHECKS for finding in check(raw)]


def topic_root_of(raw: Table) -> str | None:
    """The topic root that the tables set or imply; None if they do not even name the mill."""
    mill = _table(raw, "mill")
    name = _text(mill, "name")
    return _text(mill, "topic_root") or (name.lower() if name else None)


def sections_of(raw: Table) -> set[str]:
    """Every section that a sheet detector, a tag or a broke pit names."""
    owners = [
        table for _, machine in _tables(raw, "machine") for key in ("sheet_detector", "tag")
        for _, table in _tables(machine, key)
    ]  # fmt: skip
    named = {section for owner in owners if (section := _text(owner, "section"))}
    return named | {word for _, pit in _tables(raw, "broke_pit") for _, word in _texts(pit, "sections")}


def _mill(raw: Table) -> Iterator[Finding]:
    mill = _table(raw, "mill")
    zone = _text(mill, "time_zone")
    if zone and not _is_zone(zone):
        hint = did_you_mean(zone, available_timezones()) or ': write an IANA name such as "Europe/Helsinki"'
        yield ("mill", "time_zone"), f'no such time zone "{zone}"{hint}'
    root = topic_root_of(raw)
    if root and (root.startswith("$") or any(character in root for character in "+#{}") or "" in root.split("/")):
        key = "topic_root" if _text(mill, "topic_root") else "name"
        way_out = "" if key == "topic_root" else ': set topic_root, say to "mill"'
        yield ("mill", key), f'"{root}" cannot begin a topic{way_out}'


def _broker(raw: Table) -> Iterator[Finding]:
    broker = _table(raw, "broker")
    for one, other in (("tls_cert", "tls_key"), ("tls_key", "tls_cert")):
        if one in broker and other not in broker:
            yield ("broker", one), f"needs {other} too"
    if "tls_cert" in broker and "tls_ca" not in broker:
        yield ("broker", "tls_cert"), "needs tls_ca too"
    if "password_env" in broker and "password_file" in broker:
        yield ("broker", "password_file"), "password_env is set too: choose one"
    for key in ("password_env", "password_file"):
        if key in broker and "username" not in broker:
            yield ("broker", key), "needs username too"


def _page(raw: Table) -> Iterator[Finding]:
    page = _table(raw, "page")
    for one, other in (("tls_cert", "tls_key"), ("tls_key", "tls_cert")):
        if one in page and other not in page:
            yield ("page", one), f"needs {other} too"
    for kind in ("token", "broker_password"):
        if f"{kind}_env" in page and f"{kind}_file" in page:
            yield ("page", f"{kind}_file"), f"{kind}_env is set too: choose one"
    for key in ("broker_password_env", "broker_password_file"):
        if key in page and "broker_username" not in page:
            yield ("page", key), "needs broker_username too"
    guarded = page.keys() & {"users_file", "token_file", "token_env"}
    if page.get("trusted_proxies") and not guarded:
        yield ("page", "trusted_proxies"), "needs users_file or a token: through a proxy anybody could code breaks"
    if "host" in page and not _here(_text(page, "host")) and not guarded:
        yield ("page", "host"), "others than this computer need users_file or a token: anybody could code breaks"


def _here(host: str | None) -> bool:
    try:
        return host in (None, "localhost") or ip_address(host or "").is_loopback
    except ValueError:
        return False


def _sources(raw: Table) -> Iterator[Finding]:
    machines = [name for _, machine in _tables(raw, "machine") if (name := _text(machine, "id"))]
    for index, source in _tables(raw, "source"):
        path: KeyPath = ("source", index)
        topic = _text(source, "topic")
        if topic and (fault := template_fault(topic)):
            yield (*path, "topic"), fault
        elif topic:
            yield from _places(path, source, topic)
        yield from _pointers(path, source)
        edges = list(_texts(source, "edges"))
        for number, edge in edges:
            if edge in [earlier for other, earlier in edges if other < number]:
                yield (*path, "edges", number), f'"{edge}" is there twice'
        machine = _text(source, "machine")
        if machine and not machine.startswith("/") and machine not in machines:
            yield (*path, "machine"), f'no machine has the id "{machine}"{did_you_mean(machine, machines)}'


def _places(path: KeyPath, source: Table, topic: str) -> Iterator[Finding]:
    """Machine and tag must each be named in one place: by the topic, or by a key, or in the message itself."""
    kind = source.get("format")
    if kind not in ("scan", "value", "fields"):
        return
    for key in ("machine", "tag"):
        in_topic = f"{{{key}}}" in topic.split("/")
        if kind == "scan" and key == "tag":
            if in_topic:
                yield (*path, "topic"), "must not hold {tag}: a scan names its tags itself"
        elif in_topic and key in source:
            yield (*path, key), f"the topic holds {{{key}}} already: choose one"
        elif not in_topic and key not in source:
            pointer = f", or a JSON Pointer to it as {key}" if kind == "fields" else ""
            yield (*path, "topic"), f'needs {{{key}}}, or {key} = "…" beside it{pointer}'


def _pointers(path: KeyPath, source: Table) -> Iterator[Finding]:
    if source.get("format") != "fields":
        return
    for key in ("time", "value", "quality", "machine", "tag"):
        text = source.get(key)
        if not isinstance(text, str):
            continue
        if key in ("machine", "tag") and not text.startswith("/"):
            if not text:
                yield (*path, key), "must not be empty"
        elif not _POINTER.fullmatch(text):
            yield (*path, key), 'is not a JSON Pointer (RFC 6901): write "/name", or "/a/0/b" for what lies deeper'


def _overlaps(raw: Table) -> Iterator[Finding]:
    root = topic_root_of(raw)
    own = [*context_filters(root), *outgoing_filters(root)] if root else []
    seen: list[tuple[int, str]] = []
    for index, source in _tables(raw, "source"):
        for key, topic_filter in _filters(source):
            path: KeyPath = ("source", index, key)
            if any(overlap(_of_a_machine(source, topic_filter), taken) for taken in own):
                yield path, f'takes in the collector\'s own topics below "{root}": add a level, or set topic_root'
            for other, taken in seen:
                if overlap(topic_filter, taken):
                    yield path, f"takes in topics of source {other + 1} too: a message must belong to one source"
        seen += [(index, topic_filter) for _, topic_filter in _filters(source)]


def _of_a_machine(source: Table, topic_filter: str) -> str:
    """The filter with some machine's id for {machine}: no machine may be called "collector"."""
    topic = _text(source, "topic")
    return filter_of(topic.replace("{machine}", "<machine>")) if topic else topic_filter


def _filters(source: Table) -> list[tuple[str, str]]:
    """The MQTT filters of a source, each with the key that gives it."""
    topic, group = _text(source, "topic"), _text(source, "group")
    if topic and not template_fault(topic):
        return [("topic", filter_of(topic))]
    if group and source.get("format") == "sparkplug":
        return [("edges", f"spBv1.0/{group}/+/{edge}/#") for _, edge in _texts(source, "edges")]
    return []


def _machines(raw: Table) -> Iterator[Finding]:
    yield from _twice(raw, "machine", "id")
    for index, machine in _tables(raw, "machine"):
        path: KeyPath = ("machine", index)
        if machine.get("id") == "collector":
            yield (*path, "id"), 'the collector\'s own topics use "collector": choose another id'
        yield from _twice(machine, "tag", "name", path)
        yield from _roles(machine, path)
        yield from _positions(machine, path)
        yield from _names_sent(machine, path)
        yield from _added(machine, path)
        for number, tag in _tables(machine, "tag"):
            low, high = _number(tag.get("low")), _number(tag.get("high"))
            if low is not None and high is not None and low >= high:
                yield (*path, "tag", number, "high"), f"must be more than low ({low:g})"


def _roles(machine: Table, path: KeyPath) -> Iterator[Finding]:
    signals = [(("signals", role), tag) for role, tag in _table(machine, "signals").items() if isinstance(tag, str)]
    detectors = [
        (("sheet_detector", index, "tag"), tag)
        for index, detector in _tables(machine, "sheet_detector")
        if (tag := _text(detector, "tag"))
    ]
    owner: dict[str, str] = {}
    witness = [place for place in signals if place[0][1] == "reel_witness"]
    places: list[tuple[KeyPath, str]] = [*(place for place in signals if place not in witness), *detectors]
    for place, tag in places:
        role = str(place[1]) if place[0] == "signals" else f"sheet detector {int(place[1]) + 1}"
        if tag in owner:
            yield (*path, *place), f'"{tag}" is {owner[tag]} already: a tag plays one role'
        owner.setdefault(tag, role)
    for place, tag in witness:
        # A live grammage may bear witness as well; a sheet detector cannot vouch for another.
        if owner.get(tag, "").startswith("sheet detector"):
            yield (*path, *place), f'"{tag}" is {owner[tag]} already: name a signal that tells of the sheet otherwise'


def _names_sent(machine: Table, path: KeyPath) -> Iterator[Finding]:
    """A name in the messages can stand for one tag only."""
    tags = [(number, tag) for number, tag in _tables(machine, "tag") if _text(tag, "name")]
    owner = {str(tag["name"]): str(tag["name"]) for _, tag in tags if not _text(tag, "sent_as")}
    for number, tag in tags:
        sent_as = _text(tag, "sent_as")
        if sent_as in owner:
            yield (*path, "tag", number, "sent_as"), f'"{sent_as}" is taken as {owner[sent_as]} already'
        elif sent_as:
            owner[sent_as] = str(tag["name"])


def _positions(machine: Table, path: KeyPath) -> Iterator[Finding]:
    furthest = -math.inf
    for index, detector in _tables(machine, "sheet_detector"):
        position = _number(detector.get("position_m"))
        if position is None:
            continue
        if position <= furthest:
            message = f"must be more than {furthest:g}: give the detectors in path order, from the wet end to the reel"
            yield (*path, "sheet_detector", index, "position_m"), message
        furthest = max(furthest, position)


def _added(machine: Table, path: KeyPath) -> Iterator[Finding]:
    """What the size press adds must begin somewhere, at a place that a detector tells of."""
    sections = [
        section for _, detector in _tables(machine, "sheet_detector") if (section := _text(detector, "section"))
    ]
    added_from = _text(machine, "added_from")
    if added_from and added_from not in sections:
        hint = did_you_mean(added_from, sections)
        yield (*path, "added_from"), f'no sheet detector has the section "{added_from}"{hint}'
    if (_number(machine.get("added_g_m2")) or 0) > 0 and "added_from" not in machine:
        yield (*path, "added_g_m2"), "needs added_from: the first section whose sheet carries it"


def _causes(raw: Table) -> Iterator[Finding]:
    yield from _twice(raw, "cause", "code")
    known = sections_of(raw)
    for index, cause in _tables(raw, "cause"):
        section = _text(cause, "section")
        if section and section not in known and (hint := did_you_mean(section, known, likeness=_MISSPELT)):
            yield ("cause", index, "section"), f'no sheet detector, tag or pit has the section "{section}"{hint}'


def _shifts(raw: Table) -> Iterator[Finding]:
    shifts = _table(raw, "shifts")
    rotas: list[tuple[KeyPath, Table]] = [(("shifts",), shifts)]
    rotas += [(("shifts", "later", index), later) for index, later in _tables(shifts, "later")]
    for path, rota in rotas:
        yield from _rota(path, rota)
    days = [(path, rota["date"]) for path, rota in rotas[1:] if type(rota.get("date")) is date]
    for (_, one), (path, other) in pairwise(days):
        if other <= one:
            yield (*path, "date"), f"must be after {one}: give the rotas in the order in which they came"
    yield from _overrides([rota for _, rota in rotas], shifts)


def _rota(path: KeyPath, rota: Table) -> Iterator[Finding]:
    starts, names, pattern = (_list(rota, key) for key in ("starts", "names", "pattern"))
    if names and starts and len(names) != len(starts):
        yield (*path, "names"), f"has {len(names)} names for {len(starts)} starts"
    for index, name in enumerate(names):
        if name in names[:index]:
            yield (*path, "names", index), f'"{name}" is there twice'
    times = [_time(start) for start in starts]
    for index, (one, other) in enumerate(pairwise(times), start=1):
        if one and other and other <= one:
            yield (*path, "starts", index), f"must be later than {one:%H:%M}: give the starts in order of the day"
    if starts and len(pattern) % len(starts):
        message = f"has {len(pattern)} crews, which does not fill whole days of {len(starts)} shifts: write it out"
        yield (*path, "pattern"), f"{message} until it does"


def _overrides(rotas: list[Table], shifts: Table) -> Iterator[Finding]:
    names = list(dict.fromkeys(name for rota in rotas for _, name in _texts(rota, "names")))
    crews = {crew for rota in rotas for _, crew in _texts(rota, "pattern")}
    taken: dict[tuple[date, str], int] = {}
    for index, override in _tables(shifts, "override"):
        path: KeyPath = ("shifts", "override", index)
        for key, known in (("shift", names), ("crew", crews)):
            word = _text(override, key)
            if word and known and word not in known:
                yield (*path, key), f'the rota has no {key} "{word}"{did_you_mean(word, known) or _one_of(known)}'
        if (override.get("off") is True) is ("crew" in override):
            yield path, "give either the crew that takes the shift, or off = true where there is none"
        days = _days_of(override)
        if days is None:
            yield (*path, "to"), "must not be before date, nor more than a year after it"
        shift = _text(override, "shift")
        meant = [(day, name) for day in days or () for name in ([shift] if shift else names)]
        if clash := next((one for one in meant if one in taken), None):
            yield path, f"override {taken[clash] + 1} speaks of the {clash[1]} shift of {clash[0]} already"
        taken |= {one: index for one in meant if one not in taken}


def _days_of(override: Table) -> list[date] | None:
    """The days of an override; None where they run backwards or on and on, none where a date is not one."""
    first, last = override.get("date"), override.get("to", override.get("date"))
    if type(first) is not date or type(last) is not date:
        return []
    if not 0 <= (last - first).days <= _LONGEST_OVERRIDE_D:
        return None
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _one_of(words: Iterable[str]) -> str:
    return f": it has {', '.join(sorted(words))}"


def _grades(raw: Table) -> Iterator[Finding]:
    yield from _twice(raw, "grade", "name")
    for index, grade in _tables(raw, "grade"):
        limits = [_number(limit) for limit in _list(grade, "moisture_pct")]
        match limits:
            case [float(low), float(high)] if low >= high:
                yield ("grade", index, "moisture_pct"), "the first limit must be less than the second"


def _broke(raw: Table) -> Iterator[Finding]:
    yield from _twice(raw, "broke_pit", "name")
    yield from _twice(raw, "broke_tower", "name")
    machines = [name for _, machine in _tables(raw, "machine") if (name := _text(machine, "id"))]
    for index, tower in _tables(raw, "broke_tower"):
        machine = _text(tower, "machine")
        if machine and machine not in machines:
            yield (
                ("broke_tower", index, "machine"),
                f'no machine has the id "{machine}"{did_you_mean(machine, machines)}',
            )
    owner: dict[str, str] = {}
    for index, pit in _tables(raw, "broke_pit"):
        name = _text(pit, "name") or f"pit {index + 1}"
        for number, section in _texts(pit, "sections"):
            if section in owner:
                yield ("broke_pit", index, "sections", number), f'"{section}" falls into {owner[section]} already'
            owner.setdefault(section, name)


_CHECKS: tuple[Callable[[Table], Iterator[Finding]], ...] = (
    _mill, _broker, _page, _sources, _overlaps, _machines, _causes, _shifts, _grades, _broke,
)  # fmt: skip


def _twice(owner: Table, key: str, name: str, path: KeyPath = ()) -> Iterator[Finding]:
    """A finding for each table of a list whose name an earlier one has."""
    seen: set[str] = set()
    for index, table in _tables(owner, key):
        word = _text(table, name)
        if word in seen:
            yield (*path, key, index, name), f'"{word}" is there twice'
        if word:
            seen.add(word)


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _table(owner: Table, key: str) -> Table:
    value = owner.get(key)
    return value if isinstance(value, Mapping) else {}


def _list(owner: Table, key: str) -> list[Any]:
    value = owner.get(key)
    return value if isinstance(value, list) else []


def _tables(owner: Table, key: str) -> Iterable[tuple[int, Table]]:
    return ((index, table) for index, table in enumerate(_list(owner, key)) if isinstance(table, Mapping))


def _texts(owner: Table, key: str) -> Iterable[tuple[int, str]]:
    return ((index, text) for index, text in enumerate(_list(owner, key)) if isinstance(text, str))


def _text(owner: Table, key: str) -> str | None:
    value = owner.get(key)
    return value if isinstance(value, str) and value else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _time(value: object) -> time | None:
    try:
        return time.fromisoformat(str(value)).replace(tzinfo=None)
    except ValueError:
        return None
