"""What of each view may go into a package, and which columns hold names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analysis.dictionary.catalogue import Column, Dictionary, View

USUAL = (
    "mill",
    "machine",
    "sheet_detector",
    "tag",
    "grade",
    "cause",
    "shift",
    "downtime",
    "threading_attempt",
    "machine_state",
    "production",
    "reel",
    "grade_run",
    "detector_fault",
    "clothing",
    "lab",
)
"""What goes in where nothing was asked for: everything but samples, and what the collector keeps of itself."""

SPANS = {
    "sample": ("sampled_at", "sampled_at"),
    "sample_text": ("sampled_at", "sampled_at"),
    "lab": ("sampled_at", "sampled_at"),
    "machine_state": ("started_at", "ended_at"),
    "production": ("started_at", "ended_at"),
    "reel": ("started_at", "ended_at"),
    "grade_run": ("started_at", "ended_at"),
    "downtime": ("started_at", "ended_at"),
    "sheet_break": ("started_at", "ended_at"),
    "threading_attempt": ("started_at", "ended_at"),
    "detector_fault": ("started_at", "ended_at"),
    "shift": ("started_at", "ended_at"),
    "note": ("noted_at", "noted_at"),
    "orphan_note": ("noted_at", "noted_at"),
    "grade_order": ("ordered_at", "ordered_at"),
    "rejected_message": ("received_at", "received_at"),
}
"""Columns by which a row lies in a period; a view that is not here goes in whole."""

KINDS = {
    "machine": "machine",
    "tag": "tag",
    "level_tag": "tag",
    "dosing_tag": "tag",
    "returned_tag": "tag",
    "spilled_tag": "tag",
    "crew": "crew",
    "noted_by": "person",
    "note_id": "note",
    "withdraws": "note",
    "reel": "reel",
    "order_id": "order",
    "topic_root": "mill",
}
"""Which kind of name a column holds, in every view that has it."""
_NAMES = {("mill", "name"): "mill", ("machine", "name"): "machine"}
IDS = ("downtime_id", "old_id", "merge_into")
"""Columns with ids of downtimes: machine and start."""
FREE = ("comment", "last_text", "text", "counts", "topic", "payload")
"""Columns in which anything may stand."""
MONEY = ("margin_per_t", "broke_cost_per_t")
NOT_WITH_PSEUDONYMS = ("configuration", "rejected_message", "sample_text", "collector_run")
"""Views that are full of names, or nothing without their texts."""
NEVER = {"numbered_sample": "sample"}
"""Views that do not go out, since they have no machine to choose by, and the one that holds the same with names."""
CLOSED = ("kind", "outcome", "state", "role", "use", "section", "reached_section", "caused_in", "unit", "flags", "loss")
"""Columns of the trade's words or the mill's sections, in which no name of a person, crew or tag is looked for."""


class CannotChoose(Exception):
    """A view cannot go into this package; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A view with the columns that go into the package, in its own order."""

    view: View
    columns: tuple[Column, ...]


def kind_of(view: str, column: str) -> str | None:
    """The kind of name that a column holds; None: none."""
    return _NAMES.get((view, column), KINDS.get(column))


def choose(known: Dictionary, wanted: Iterable[str], *, free_texts: bool, pseudonyms: bool) -> tuple[Chosen, ...]:
    """The views that go in, with their columns.

    Raises
    ------
    CannotChoose
        For a view that is not there, or whose names could not be replaced.
    """
    views = {view.name: view for view in known.views}
    chosen = []
    for name in dict.fromkeys(wanted):
        if name not in views:
            raise CannotChoose(f"there is no view {name!r}; 'breakhorn dictionary' lists them")
        if name in NEVER:
            raise CannotChoose(
                f"{name} has no column for the machine to choose by; take {NEVER[name]}, which has its rows"
            )
        if pseudonyms and name in NOT_WITH_PSEUDONYMS:
            raise CannotChoose(
                f"{name} cannot go into a package with pseudonyms: names stand in the midst of its texts"
            )
        left_out = {*(() if free_texts else FREE), *(MONEY if pseudonyms else ())}
        columns = tuple(c for c in views[name].columns if c.name not in left_out and c.type != "BLOB")
        chosen.append(Chosen(view=views[name], columns=columns))
    return tuple(chosen)
