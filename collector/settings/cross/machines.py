"""Machines whose tags play two roles, whose detectors are out of order, whose limits contradict each other."""

from __future__ import annotations

import math
from collections.abc import Iterator

from collector.settings.cross.plain import Finding, Table, number_of, table_of, tables_of, text_of, twice
from collector.settings.faults import did_you_mean
from collector.settings.locate import KeyPath


def machine_faults(raw: Table) -> Iterator[Finding]:
    """What each machine says of its own tags and detectors."""
    yield from twice(raw, "machine", "id")
    for index, machine in tables_of(raw, "machine"):
        path: KeyPath = ("machine", index)
        if machine.get("id") == "collector":
            yield (*path, "id"), 'the collector\'s own topics use "collector": choose another id'
        yield from twice(machine, "tag", "name", path)
        yield from _roles(machine, path)
        yield from _positions(machine, path)
        yield from _names_sent(machine, path)
        yield from _added(machine, path)
        for number, tag in tables_of(machine, "tag"):
            low, high = number_of(tag.get("low")), number_of(tag.get("high"))
            if low is not None and high is not None and low >= high:
                yield (*path, "tag", number, "high"), f"must be more than low ({low:g})"


def _roles(machine: Table, path: KeyPath) -> Iterator[Finding]:
    signals = [(("signals", role), tag) for role, tag in table_of(machine, "signals").items() if isinstance(tag, str)]
    detectors = [
        (("sheet_detector", index, "tag"), tag)
        for index, detector in tables_of(machine, "sheet_detector")
        if (tag := text_of(detector, "tag"))
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
    tags = [(number, tag) for number, tag in tables_of(machine, "tag") if text_of(tag, "name")]
    owner = {str(tag["name"]): str(tag["name"]) for _, tag in tags if not text_of(tag, "sent_as")}
    for number, tag in tags:
        sent_as = text_of(tag, "sent_as")
        if sent_as in owner:
            yield (*path, "tag", number, "sent_as"), f'"{sent_as}" is taken as {owner[sent_as]} already'
        elif sent_as:
            owner[sent_as] = str(tag["name"])


def _positions(machine: Table, path: KeyPath) -> Iterator[Finding]:
    furthest = -math.inf
    for index, detector in tables_of(machine, "sheet_detector"):
        position = number_of(detector.get("position_m"))
        if position is None:
            continue
        if position <= furthest:
            message = f"must be more than {furthest:g}: give the detectors in path order, from the wet end to the reel"
            yield (*path, "sheet_detector", index, "position_m"), message
        furthest = max(furthest, position)


def _added(machine: Table, path: KeyPath) -> Iterator[Finding]:
    """What the size press adds must begin somewhere, at a place that a detector tells of."""
    sections = [
        section for _, detector in tables_of(machine, "sheet_detector") if (section := text_of(detector, "section"))
    ]
    added_from = text_of(machine, "added_from")
    if added_from and added_from not in sections:
        hint = did_you_mean(added_from, sections)
        yield (*path, "added_from"), f'no sheet detector has the section "{added_from}"{hint}'
    if (number_of(machine.get("added_g_m2")) or 0) > 0 and "added_from" not in machine:
        yield (*path, "added_g_m2"), "needs added_from: the first section whose sheet carries it"
