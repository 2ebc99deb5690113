"""Turns what the tracker found into rows. Rows come anew or get their end: nothing is found twice."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date

import duckdb

from collector.fact import (
    AttemptClosed,
    AttemptOpened,
    DowntimeClosed,
    DowntimeOpened,
    EndBecameUncertain,
    Fact,
    FaultClosed,
    FaultOpened,
    Flickered,
    GradeRunStarted,
    LateValue,
    Produced,
    ReelStarted,
    StateChanged,
)
from collector.store import StoreConflict
from collector.writer.rows import insert, placeholder

COLUMNS: dict[str, tuple[str, ...]] = {
    "machine_state": ("machine", "state", "started_at"),
    "downtime": (
        "downtime_id", "machine", "kind", "started_at", "section", "location_tied", "start_uncertain",
        "end_uncertain", "unwitnessed", "at_reel", "grade", "shade", "reel", "speed_before_m_min", "rate_before_t_h",
        "on_reel_before_ms", "since_turn_up_ms", "since_grade_change_ms", "ended_at",
    ),
    "threading_attempt": (
        "downtime_id", "attempt", "machine", "started_at", "ended_at", "reached_section", "outcome",
    ),
    "detector_fault": ("machine", "tag", "kind", "started_at", "ended_at"),
    "reel": ("machine", "reel", "started_at", "first_seen"),
    "grade_run": ("machine", "grade", "shade", "started_at", "first_seen"),
    "production": ("machine", "started_at", "ended_at", "grade", "shade", "reel", "length_m", "tonnes_t"),
}  # fmt: skip

Row = dict[str, object]


@dataclass(slots=True)
class _Flicker:
    """The flickers of one detector and day."""

    first_ms: int
    last_ms: int
    count: int = 0


@dataclass(slots=True)
class FactRows:
    """The rows of some facts. A row that begins and ends among them is written once.

    late
        (machine, tag, source time [ms]) of each late value.
    """

    new: dict[str, list[Row]] = field(default_factory=dict)
    ends: list[tuple[str, Row, Row]] = field(default_factory=list)
    late: set[tuple[str, str, int]] = field(default_factory=set)
    _open: dict[tuple[object, ...], Row] = field(default_factory=dict)
    _flickers: dict[tuple[str, str, date], _Flicker] = field(default_factory=dict)

    def take(self, facts: Iterable[Fact], day_of: Callable[[int], date]) -> None:
        """Take in facts in order. ``day_of`` gives the mill-local day of a time in ms."""
        for fact in facts:
            match fact:
                case LateValue():
                    self.late.add((fact.machine, fact.tag, fact.at_ms))
                case Flickered():
                    self._flicker(fact, day_of(fact.at_ms))
                case DowntimeOpened() | AttemptOpened() | FaultOpened():
                    self._begin(fact)
                case EndBecameUncertain() | DowntimeClosed() | AttemptClosed() | FaultClosed():
                    self._end(fact)
                case StateChanged() | ReelStarted() | GradeRunStarted() | Produced():
                    self._single(fact)

    def _single(self, fact: StateChanged | ReelStarted | GradeRunStarted | Produced) -> None:
        match fact:
            case StateChanged():
                self._add("machine_state", machine=fact.machine, state=str(fact.state), started_at=fact.at_ms)
            case ReelStarted():
                self._add(
                    "reel", machine=fact.machine, reel=fact.reel, started_at=fact.at_ms, first_seen=fact.first_seen
                )
            case GradeRunStarted():
                self._add(
                    "grade_run",
                    machine=fact.machine,
                    grade=fact.grade,
                    shade=fact.shade,
                    started_at=fact.at_ms,
                    first_seen=fact.first_seen,
                )
            case Produced():
                self._add("production", **production_row(fact))

    def _begin(self, fact: DowntimeOpened | AttemptOpened | FaultOpened) -> None:
        match fact:
            case DowntimeOpened():
                row = self._add("downtime", **_downtime_row(fact))
                self._open["downtime", fact.downtime_id] = row
            case AttemptOpened():
                row = self._add(
                    "threading_attempt",
                    downtime_id=fact.downtime_id,
                    attempt=fact.attempt,
                    machine=fact.machine,
                    started_at=fact.started_ms,
                )
                self._open["threading_attempt", fact.downtime_id, fact.attempt] = row
            case FaultOpened():
                kind = str(fact.kind)
                row = self._add("detector_fault", machine=fact.machine, tag=fact.tag, kind=kind, started_at=fact.at_ms)
                self._open["detector_fault", fact.machine, fact.tag, kind] = row

    def _end(self, fact: EndBecameUncertain | DowntimeClosed | AttemptClosed | FaultClosed) -> None:
        match fact:
            case EndBecameUncertain():
                self._change("downtime", {"downtime_id": fact.downtime_id}, end_uncertain=True)
            case DowntimeClosed():
                self._change("downtime", {"downtime_id": fact.downtime_id}, ended_at=fact.ended_ms)
            case AttemptClosed():
                self._change(
                    "threading_attempt",
                    {"downtime_id": fact.downtime_id, "attempt": fact.attempt},
                    ended_at=fact.ended_ms,
                    reached_section=fact.reached_section,
                    outcome=str(fact.outcome),
                )
            case FaultClosed():
                key: Row = {"machine": fact.machine, "tag": fact.tag, "kind": str(fact.kind)}
                self._change("detector_fault", key, ended_at=fact.at_ms)
                self._open.pop(("detector_fault", *key.values()), None)

    def _add(self, table: str, **row: object) -> Row:
        self.new.setdefault(table, []).append(row)
        return row

    def _change(self, table: str, key: Row, **changes: object) -> None:
        row = self._open.get((table, *key.values()))
        if row is None:
            self.ends.append((table, key, changes))
        else:
            row.update(changes)

    def _flicker(self, fact: Flickered, day: date) -> None:
        flicker = self._flickers.setdefault((fact.machine, fact.tag, day), _Flicker(fact.at_ms, fact.at_ms))
        flicker.first_ms, flicker.last_ms = min(flicker.first_ms, fact.at_ms), max(flicker.last_ms, fact.at_ms)
        flicker.count += 1

    def flickers(self) -> list[tuple[str, str, date, int, int, int]]:
        """Machine, tag, mill-local day, first and last flicker of it [ms], and how many."""
        return [(*key, each.first_ms, each.last_ms, each.count) for key, each in self._flickers.items()]

    def write(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Write all of it.

        Raises
        ------
        StoreConflict
            If something ends that never began.
        duckdb.ConstraintException
            If a row is there already.
        """
        for table, found in self.new.items():
            columns = COLUMNS[table]
            rows = _make_way(connection, found) if table == "machine_state" else found
            insert(connection, table, columns, [[row.get(column) for column in columns] for row in rows])
        for table, key, changes in self.ends:
            _update(connection, table, key, changes)
        for (machine, tag, day), flicker in self._flickers.items():
            _add_flicker(connection, machine, tag, day, flicker)


def settled(states: Iterable[Row]) -> list[Row]:
    """States of machines, each in order of time, without those that lasted no time: where a gap begins, say.

    What is left is joined: no machine has two equal states in a row.
    """
    kept: dict[object, list[Row]] = {}
    for row in states:
        rows = kept.setdefault(row["machine"], [])
        if rows and rows[-1]["started_at"] == row["started_at"]:
            rows.pop()
        if not rows or rows[-1]["state"] != row["state"]:
            rows.append(row)
    return [row for rows in kept.values() for row in rows]


def _make_way(connection: duckdb.DuckDBPyConnection, states: list[Row]) -> list[Row]:
    """The rows to be written for some states. One that is there, and turns out to have lasted no time, is deleted."""
    there: list[Row] = []
    for machine in {row["machine"] for row in states}:
        last = connection.execute(_LAST_STATES, [machine]).fetchall()
        there += [{"machine": machine, "state": state, "started_at": at_ms} for state, at_ms in reversed(last)]
    left = settled([*there, *states])
    for row in there:
        if row not in left:
            connection.execute(_DELETE_STATE, [row["machine"], row["started_at"]])
    return [row for row in left if row not in there]


_LAST_STATES = """
SELECT state, epoch_ms(started_at) FROM base.machine_state WHERE machine = ? ORDER BY started_at DESC LIMIT 2
"""
_DELETE_STATE = "DELETE FROM base.machine_state WHERE machine = ? AND started_at = make_timestamptz(?::BIGINT * 1000)"


def production_row(made: Produced) -> Row:
    """The row of what was made in a stretch of on-reel time."""
    return {
        "machine": made.machine,
        "started_at": made.started_ms,
        "ended_at": made.ended_ms,
        "grade": made.grade,
        "shade": made.shade,
        "reel": made.reel,
        "length_m": made.length_m,
        "tonnes_t": made.tonnes_t,
    }


def _downtime_row(fact: DowntimeOpened) -> Row:
    return {
        "downtime_id": fact.downtime_id,
        "machine": fact.machine,
        "kind": str(fact.kind),
        "started_at": fact.started_ms,
        "section": fact.section,
        "location_tied": fact.location_tied,
        "start_uncertain": fact.start_uncertain,
        "end_uncertain": False,
        "unwitnessed": fact.unwitnessed,
        "at_reel": fact.at_reel,
        "grade": fact.grade,
        "shade": fact.shade,
        "reel": fact.reel,
        "speed_before_m_min": fact.speed_before_m_min,
        "rate_before_t_h": fact.rate_before_t_h,
        "on_reel_before_ms": fact.on_reel_before_ms,
        "since_turn_up_ms": fact.since_turn_up_ms,
        "since_grade_change_ms": fact.since_grade_change_ms,
    }


def _update(connection: duckdb.DuckDBPyConnection, table: str, key: Row, changes: Row) -> None:
    """Give a row that is there what its end tells. Of faults of one kind only the open one can end."""
    assignments = ", ".join(f"{column} = {placeholder(column)}" for column in changes)
    conditions = " AND ".join(f"{column} = ?" for column in key) + " AND ended_at IS NULL"
    done = connection.execute(
        f"UPDATE base.{table} SET {assignments} WHERE {conditions}",  # noqa: S608 - names of ours
        [*changes.values(), *key.values()],
    ).fetchone()
    if done is None or done[0] != 1:
        name = " ".join(map(str, key.values()))
        raise StoreConflict(f"the {table} that ends is not open ({name}): please report this fault")


def _add_flicker(connection: duckdb.DuckDBPyConnection, machine: str, tag: str, day: date, flicker: _Flicker) -> None:
    connection.execute(
        "INSERT INTO base.detector_flicker "
        "VALUES (?, ?, ?, make_timestamptz(?::BIGINT * 1000), make_timestamptz(?::BIGINT * 1000), ?) "
        "ON CONFLICT (machine, tag, day) DO UPDATE SET first_at = least(first_at, excluded.first_at), "
        "last_at = greatest(last_at, excluded.last_at), count = count + excluded.count",
        [machine, tag, day, flicker.first_ms, flicker.last_ms, flicker.count],
    )
