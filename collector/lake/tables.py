"""Which views of the published store go to the lake, and how each is cut into files."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Scope(StrEnum):
    """What one file of a table holds the rows of."""

    MILL = "mill"
    MACHINE = "machine"
    YEAR = "year"
    DAY = "day"


@dataclass(frozen=True, slots=True, kw_only=True)
class LakeTable:
    """A view as the lake holds it.

    order
        What its rows are sorted by, as SQL: the same rows always make the same file.
    time, until
        The columns that say when a row begins and ends; None: it is no event, or has no end.
    """

    name: str
    scope: Scope
    order: str
    time: str | None = None
    until: str | None = None


def _mill(name: str, order: str) -> LakeTable:
    return LakeTable(name=name, scope=Scope.MILL, order=order)


def _machine(name: str, order: str) -> LakeTable:
    return LakeTable(name=name, scope=Scope.MACHINE, order=order)


def _event(name: str, time: str, order: str = "", *, until: str | None = None) -> LakeTable:
    return LakeTable(name=name, scope=Scope.YEAR, order=order or time, time=time, until=until)


TABLES: tuple[LakeTable, ...] = (
    _mill("mill", "name"),
    _mill("grade", "grade"),
    _mill("cause", "code"),
    _mill("broke_pit", "pit, section"),
    _mill("broke_tower", "tower"),
    _mill("shift", "started_at, shift"),
    _mill("downtime_alias", "old_id"),
    _mill("collector_run", "run"),
    _mill("published", "published_at"),
    _machine("machine", "machine"),
    _machine("sheet_detector", "number"),
    _machine("signal", "role, tag"),
    _machine("tag", "tag"),
    _event("machine_state", "started_at", until="ended_at"),
    _event("downtime", "started_at", until="ended_at"),
    _event("threading_attempt", "started_at", "downtime_id, attempt", until="ended_at"),
    _event("production", "started_at", until="ended_at"),
    _event("reel", "started_at", until="ended_at"),
    _event("grade_run", "started_at", until="ended_at"),
    _event("detector_fault", "started_at", "started_at, tag, kind", until="ended_at"),
    _event("clothing", "installed_at", "installed_at, position"),
    _event("lab", "sampled_at", "sampled_at, test, reel, received_at"),
    _event("grade_order", "ordered_at", "ordered_at, order_id, received_at"),
    _event("note", "noted_at", "noted_at, note_id"),
    _event("orphan_note", "noted_at", "noted_at, note_id"),
    _event("rebuild", "rebuilt_at"),
    _event("message_count", "day"),
    LakeTable(name="sample", scope=Scope.DAY, order="tag, sampled_at", time="sampled_at"),
    LakeTable(name="sample_text", scope=Scope.DAY, order="tag, sampled_at", time="sampled_at"),
)
"""Small tables are one file a machine and year: with one a day, 500 machines would make two million files a year, and a
question over a year would do little but open them. What is left out: configuration (the whole mill.toml), rejected
messages (raw payloads stay at the mill), and the counts of messages that belong to no machine."""

DICTIONARY = _mill("dictionary", "table_name, position")
"""Every view and column with its type and comment, as the writer's version has them: readers take them from here."""


def of_scope(scope: Scope) -> tuple[LakeTable, ...]:
    """The tables that are cut in one way."""
    return tuple(table for table in TABLES if table.scope is scope)
