"""Keeps what people sent: notes, clothing, laboratory results, orders. All is kept once, and nothing is changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from collector.message import ClothingChange, Context, GradeOrder, LabResult, Note, NoteKind
from collector.writer.rows import insert, placeholder

Row = tuple[object, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """The answer to a note.

    accepted
        False for a note that cannot be kept.
    reason
        Why it was not kept; or why it changes nothing as things stand, if so.
    """

    machine: str
    note_id: str
    accepted: bool
    reason: str | None


@dataclass(frozen=True, slots=True)
class _Table:
    """A table of which the newest row of each key holds."""

    name: str
    key: tuple[str, ...]
    content: tuple[str, ...]


_CLOTHING = _Table("clothing", ("machine", "position", "installed_at"), ("comment", "noted_by", "withdrawn"))
_LAB = _Table("lab", ("machine", "sampled_at", "test", "reel"), ("value", "unit", "withdrawn"))
_ORDER = _Table(
    "grade_order",
    ("machine", "order_id"),
    ("ordered_at", "grade", "shade", "basis_weight_g_m2", "tonnes_t", "withdrawn"),
)

_NOTE = (
    "note_id", "machine", "kind", "noted_at", "downtime_id", "cause", "certainty", "comment", "noted_by", "new_kind",
    "started_at", "ended_at", "merge_into", "withdraws", "section",
)  # fmt: skip


class ContextRows:
    """Writes context within the caller's transaction."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, causes: frozenset[str]) -> None:
        """Go on from the newest receipt of the store; ``causes`` are the codes that mill.toml knows."""
        self._connection = connection
        self._causes = causes
        row = connection.execute(
            "SELECT max(receipt) FROM (SELECT receipt FROM base.note UNION ALL SELECT receipt FROM base.clothing "
            "UNION ALL SELECT receipt FROM base.lab UNION ALL SELECT receipt FROM base.grade_order)"
        ).fetchone()
        self._receipt = int(row[0]) if row and row[0] is not None else 0

    def write(self, context: Sequence[Context]) -> list[Receipt]:
        """Write it in order of receipt; give the answers to the notes among it."""
        refused: dict[str, str] = {}
        for note in context:
            if isinstance(note, Note) and (reason := self._keep_note(note)):
                refused[note.note_id] = reason
        self._keep(_CLOTHING, [(_clothing(it), it.received_ms) for it in context if isinstance(it, ClothingChange)])
        self._keep(_LAB, [(_lab(it), it.received_ms) for it in context if isinstance(it, LabResult)])
        self._keep(_ORDER, [(_order(it), it.received_ms) for it in context if isinstance(it, GradeOrder)])
        return [self._receipt_of(note, refused.get(note.note_id)) for note in context if isinstance(note, Note)]

    def _next_receipt(self) -> int:
        self._receipt += 1
        return self._receipt

    def _keep_note(self, note: Note) -> str | None:
        """Keep a note, unless it is there already; the reason if its id belongs to another one."""
        columns = ", ".join(f"epoch_ms({name})" if name.endswith("_at") else name for name in _NOTE)
        row = _note(note)
        found = self._connection.execute(
            f"SELECT {columns} FROM base.note WHERE note_id = ?",  # noqa: S608 - names of ours
            [note.note_id],
        ).fetchone()
        if found is not None:
            return None if tuple(found) == row else "another note has this note_id: send it with a new one"
        columns_of_row = ("receipt", "received_at", *_NOTE)
        insert(self._connection, "note", columns_of_row, [(self._next_receipt(), note.received_ms, *row)])
        return None

    def _receipt_of(self, note: Note, refused: str | None) -> Receipt:
        reason = refused
        if refused is None and self._finds_its_downtime(note):
            reason = self._unknown_cause(note)
        elif refused is None:
            query = "SELECT reason FROM main.orphan_note WHERE note_id = ?"
            row = self._connection.execute(query, [note.note_id]).fetchone()
            reason = str(row[0]) if row else self._unknown_cause(note)
        return Receipt(machine=note.machine, note_id=note.note_id, accepted=refused is None, reason=reason)

    def _finds_its_downtime(self, note: Note) -> bool:
        """Whether a note is of the plain kind that cannot be an orphan: the view that knows all takes 40 ms a note."""
        if note.kind is not NoteKind.CAUSE:
            return False
        query = "SELECT 1 FROM base.downtime WHERE downtime_id = ? AND machine = ?"
        return self._connection.execute(query, [note.downtime, note.machine]).fetchone() is not None

    def _unknown_cause(self, note: Note) -> str | None:
        if note.cause is None or note.cause in self._causes:
            return None
        return f"mill.toml has no cause {note.cause}"

    def _keep(self, table: _Table, items: list[tuple[Row, int]]) -> None:
        """Keep what says something new: other than the newest of the same key."""
        if not items:
            return
        width = len(table.key)
        newest = self._newest(table, {row[:width] for row, _ in items})
        rows: list[Row] = []
        for row, received_ms in items:
            if newest.get(row[:width]) != row[width:]:
                newest[row[:width]] = row[width:]
                rows.append((self._next_receipt(), received_ms, *row))
        insert(self._connection, table.name, ("receipt", "received_at", *table.key, *table.content), rows)

    def _newest(self, table: _Table, keys: set[Row]) -> dict[Row, Row]:
        columns = ", ".join(
            f"epoch_ms({name})" if name.endswith("_at") else name for name in (*table.key, *table.content)
        )
        same = " AND ".join(f"{name} IS NOT DISTINCT FROM {placeholder(name)}" for name in table.key)
        query = f"SELECT {columns} FROM base.{table.name} WHERE {same} ORDER BY receipt DESC LIMIT 1"  # noqa: S608
        found = (self._connection.execute(query, list(key)).fetchone() for key in keys)
        width = len(table.key)
        return {tuple(row[:width]): tuple(row[width:]) for row in found if row is not None}


def _note(note: Note) -> Row:
    return (
        note.note_id, note.machine, str(note.kind), note.at_ms, note.downtime, note.cause, note.certainty,
        note.comment, note.by, note.new_kind, note.started_ms, note.ended_ms, note.merge_into, note.withdraws,
        note.section,
    )  # fmt: skip


def _clothing(item: ClothingChange) -> Row:
    return item.machine, item.position, item.installed_ms, item.comment, item.by, item.withdrawn


def _lab(item: LabResult) -> Row:
    return item.machine, item.sampled_ms, item.test, item.reel, item.value, item.unit, item.withdrawn


def _order(item: GradeOrder) -> Row:
    return (
        item.machine, item.order_id, item.at_ms, item.grade, item.shade, item.basis_weight_g_m2, item.tonnes_t,
        item.withdrawn,
    )  # fmt: skip
