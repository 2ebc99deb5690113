"""The rows that a machine has in the store, and putting others in their place in one transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import duckdb

from collector.rebuild.track import Found
from collector.store import Store
from collector.writer.fact_rows import COLUMNS, production_row, settled
from collector.writer.rows import insert

Row = dict[str, object]
Rows = dict[str, list[Row]]

FLICKER = ("machine", "tag", "day", "first_at", "last_at", "count")
_UNDER_WAY = tuple(name for name in COLUMNS["production"] if name != "machine")

TABLES: dict[str, tuple[str, ...]] = COLUMNS | {"detector_flicker": FLICKER}
"""Every table of what the tracker found, with its columns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """The row that says that a rebuild was done; counts of downtimes."""

    present_settings: bool
    rebuilt_ms: int
    before: int
    after: int
    added: int
    removed: int
    moved: int
    changed: int


def stored_rows(store: Store, machine: str) -> Rows:
    """What stands there of a machine, by table; instants in ms."""
    with store.errors():
        return {table: _read(store.connection, table, columns, machine) for table, columns in TABLES.items()}


def _read(connection: duckdb.DuckDBPyConnection, table: str, columns: tuple[str, ...], machine: str) -> list[Row]:
    listed = ", ".join(f"epoch_ms({name})" if name.endswith("_at") else name for name in columns)
    order = "started_at" if "started_at" in columns else "day"
    rows = connection.execute(
        f"SELECT {listed} FROM base.{table} WHERE machine = ? ORDER BY {order}",  # noqa: S608 - names of ours
        [machine],
    ).fetchall()
    return [dict(zip(columns, row, strict=True)) for row in rows]


def found_rows(found: Found) -> Rows:
    """What was found, in the same form."""
    rows: Rows = {
        table: [{name: row.get(name) for name in columns} for row in found.rows.new.get(table, [])]
        for table, columns in COLUMNS.items()
    }
    rows["machine_state"] = settled(rows["machine_state"])
    rows["detector_flicker"] = [dict(zip(FLICKER, row, strict=True)) for row in found.rows.flickers()]
    return rows


def aliases_of(store: Store, machine: str) -> dict[str, str]:
    """Earlier ids of a machine's downtimes with their present ones."""
    with store.errors():
        rows = store.connection.execute(
            "SELECT old_id, downtime_id FROM base.downtime_alias WHERE starts_with(old_id, ? || '-')", [machine]
        ).fetchall()
    return {old: name for old, name in rows if old.rpartition("-")[0] == machine}


def orphans(store: Store, machine: str) -> list[Row]:
    """Notes of a machine that change nothing as things stand, with the reason."""
    columns = ("note_id", "kind", "reason", "downtime_id", "cause", "comment", "noted_by")
    with store.errors():
        rows = store.connection.execute(
            f"SELECT {', '.join(columns)} FROM main.orphan_note WHERE machine = ? ORDER BY noted_at, note_id",  # noqa: S608
            [machine],
        ).fetchall()
    return [dict(zip(columns, row, strict=True)) for row in rows]


def put_in_place(
    store: Store, machine: str, found: Found, aliases: Mapping[str, str], entry: Log, *, step: Callable[[str], None]
) -> list[Row]:
    """Put what was found in the place of what stands there, all at once; give the notes that are orphans then."""
    with store.transaction() as connection:
        for table in (*TABLES, "tracker", "production_under_way"):
            connection.execute(f"DELETE FROM base.{table} WHERE machine = ?", [machine])  # noqa: S608 - names of ours
        step("rows deleted")
        found.rows.write(connection)
        insert(connection, "tracker", ("machine", "state"), [(machine, found.state)])
        if found.under_way is not None:
            row = production_row(found.under_way)
            columns = ("machine", *_UNDER_WAY)
            insert(connection, "production_under_way", columns, [[row[name] for name in columns]])
        step("rows written")
        for old in aliases_of(store, machine):
            connection.execute("DELETE FROM base.downtime_alias WHERE old_id = ?", [old])
        insert(connection, "downtime_alias", ("old_id", "downtime_id"), list(aliases.items()))
        _write_down(connection, machine, found, entry)
        step("about to commit")
        left_over = orphans(store, machine)
    step("committed")
    return left_over


def _write_down(connection: duckdb.DuckDBPyConnection, machine: str, found: Found, entry: Log) -> None:
    columns = (
        "machine", "rebuilt_at", "first_at", "last_at", "present_settings", "scans", "late", "downtimes_before",
        "downtimes_after", "added", "removed", "moved", "changed",
    )  # fmt: skip
    row = (
        machine, entry.rebuilt_ms, found.first_ms, found.last_ms, entry.present_settings, found.scans, found.late,
        entry.before, entry.after, entry.added, entry.removed, entry.moved, entry.changed,
    )  # fmt: skip
    insert(connection, "rebuild", columns, [row])
