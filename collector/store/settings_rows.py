"""Fills the tables that say what mill.toml says, so that readers need no second file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import duckdb
import msgspec

from collector.settings import BrokeTower, Grade, Machine, Mill
from collector.shifts import shift_rows

Row = Sequence[object]

_SHIFT_CHUNK = 200


def fill_settings(connection: duckdb.DuckDBPyConnection, mill: Mill) -> int:
    """Fill the settings' tables anew, within the caller's transaction; give the number of this state of mill.toml."""
    for table, rows in _tables(mill):
        connection.execute(f"DELETE FROM base.{table}")  # noqa: S608 - names of ours
        insert_rows(connection, table, rows)
    return _configuration(connection, mill)


def insert_rows(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Row]) -> None:
    """Insert rows that give a value for every column of a table in the schema base."""
    if rows:
        one = "(" + ", ".join("?" * len(rows[0])) + ")"
        values = [value for row in rows for value in row]
        connection.execute(f"INSERT INTO base.{table} VALUES " + ", ".join([one] * len(rows)), values)  # noqa: S608


def _tables(mill: Mill) -> Iterator[tuple[str, list[Row]]]:
    yield "mill", [_mill(mill)]
    yield "machine", [_machine(machine) for machine in mill.machines]
    yield "sheet_detector", [row for machine in mill.machines for row in _detectors(machine)]
    yield "signal", [(machine.id, role, tag) for machine in mill.machines for role, tag in machine.signals.items()]
    yield "tag_setting", [row for machine in mill.machines for row in _tags(machine)]
    yield "cause", [(cause.code, cause.section, cause.name, cause.loss) for cause in mill.causes]
    yield "grade", [_grade(grade) for grade in mill.grades]
    yield (
        "broke_pit",
        [(pit.name, section, pit.consistency_pct) for pit in mill.broke_pits for section in pit.sections],
    )
    yield "broke_tower", [_tower(tower) for tower in mill.broke_towers]


def _mill(mill: Mill) -> Row:
    return (
        mill.name,
        mill.time_zone,
        mill.currency,
        mill.topic_root,
        mill.planned_cutoff_h,
        mill.mill.demo,
        mill.money.margin_per_t,
        mill.money.broke_cost_per_t,
    )


def _grade(grade: Grade) -> Row:
    return (
        grade.name,
        grade.basis_weight_g_m2,
        grade.target_speed_m_min,
        *(grade.moisture_pct or (None, None)),
        grade.plan_t_d,
        grade.basis_weight_within_pct,
    )


def _tower(tower: BrokeTower) -> Row:
    return (
        tower.name,
        tower.volume_m3,
        tower.level,
        tower.dosing,
        list(tower.shades),
        tower.returned,
        tower.spilled,
        tower.consistency_pct,
        tower.machine,
        list(tower.dosed_into or tower.shades),
    )


def _machine(machine: Machine) -> Row:
    return (
        machine.id,
        machine.name,
        machine.trim_m,
        machine.running_above_m_min,
        machine.reorder_s,
        machine.debounce_s,
        machine.blind_margin_s,
        machine.stale_after_s,
        machine.trip_window_s,
        machine.trip_drop_pct,
        machine.attempt_pause_s,
        machine.on_reel_confirm_s,
        machine.secondary_within_min,
        machine.turn_up_window_s,
        machine.at_speed_within_pct,
        machine.settled_s,
        machine.reel_moisture_pct,
        machine.added_g_m2,
        machine.added_from,
    )


def _detectors(machine: Machine) -> Iterator[Row]:
    for number, detector in enumerate(machine.sheet_detectors, start=1):
        yield machine.id, number, detector.tag, detector.section, detector.position_m


def _tags(machine: Machine) -> Iterator[Row]:
    for tag in machine.tags:
        yield machine.id, tag.name, tag.unit, tag.section, tag.use, tag.low, tag.high


def _configuration(connection: duckdb.DuckDBPyConnection, mill: Mill) -> int:
    """The number of this state of mill.toml; a new one if it was never used; broker, store and page decide nothing."""
    plain = mill.model_dump(mode="json", exclude={"broker", "store", "page"})
    for source in plain["sources"]:
        if source["heartbeat_s"] is None:  # as a version that did not know it wrote it: the same settings, the same row
            del source["heartbeat_s"]
    text = msgspec.json.format(msgspec.json.encode(plain, order="deterministic")).decode()
    digest = hashlib.sha256(text.encode()).hexdigest()
    known = connection.execute("SELECT configuration_id FROM base.configuration WHERE digest = ?", [digest]).fetchone()
    if known:
        return int(known[0])
    row = connection.execute("SELECT coalesce(max(configuration_id), 0) + 1 FROM base.configuration").fetchone()
    number = int(row[0]) if row else 1
    insert_rows(connection, "configuration", [(number, digest, text)])
    return number


def fill_shifts(connection: duckdb.DuckDBPyConnection, mill: Mill, *, anew: bool = False) -> None:
    """Let the table of shifts cover the time of the data, within the caller's transaction.

    anew
        Write all of them again: the rota may be another one than last time.
    """
    data = _span(connection, "SELECT epoch_ms(min(first_at)), epoch_ms(max(last_at)) FROM base.tag")
    covered = _span(connection, "SELECT epoch_ms(min(started_at)), epoch_ms(max(ended_at)) FROM base.shift")
    grows = not anew and data is not None and covered is not None and covered[0] <= data[0]
    if not grows:
        connection.execute("DELETE FROM base.shift")
    if mill.shifts is None or data is None:
        return
    from_ms = covered[1] if grows and covered else data[0]
    if from_ms > data[1]:
        return
    rows: list[Row] = [
        (shift.shift_date, shift.shift, shift.crew, _instant(shift.started_ms), _instant(shift.ended_ms))
        for shift in shift_rows(mill.shifts, mill.zone, from_ms, data[1])
    ]
    for start in range(0, len(rows), _SHIFT_CHUNK):
        insert_rows(connection, "shift", rows[start : start + _SHIFT_CHUNK])


def _span(connection: duckdb.DuckDBPyConnection, query: str) -> tuple[int, int] | None:
    row = connection.execute(query).fetchone()
    return (row[0], row[1]) if row and row[0] is not None else None


def _instant(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms // 1000, UTC)
