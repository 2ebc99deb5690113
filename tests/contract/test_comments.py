"""Every view, column and macro that readers meet is explained: asked of the database itself."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from collector.message import Flag
from collector.store.schema import sql_text
from tests.stored import opened, rows

UNITS = {
    "_s": "[s]", "_t": "[t]", "_t_h": "[t/h]", "_t_d": "[t/d]", "_m": "[m]", "_m3": "[m3]", "_m_min": "[m/min]",
    "_g_m2": "[g/m2]", "_pct": "[%]", "_h": "[h]", "_min": "[min]", "_per_t": "[currency/t]", "_bytes": "[bytes]",
}  # fmt: skip


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with opened(tmp_path) as store:
        yield store.connection


def columns(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str, str | None]]:
    """View, column, type and comment of every column of a view."""
    return rows(
        connection,
        "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY table_name, column_index",
    )


def test_every_view_and_macro_says_what_it_is(connection: duckdb.DuckDBPyConnection) -> None:
    views = rows(
        connection, "SELECT view_name, comment FROM duckdb_views() WHERE schema_name = 'main' AND NOT internal"
    )
    macros = rows(
        connection,
        "SELECT function_name, comment FROM duckdb_functions() WHERE schema_name = 'main' AND NOT internal",
    )

    assert len(views) > 25
    assert len(macros) == 2
    assert [name for name, comment in views + macros if not comment or len(comment) < 20] == []


def test_every_column_says_what_it_means(connection: duckdb.DuckDBPyConnection) -> None:
    found = columns(connection)

    assert len(found) > 250
    assert [f"{view}.{column}" for view, column, _, comment in found if not comment or not comment.strip()] == []


def test_a_unit_in_a_columns_name_stands_in_its_comment(connection: duckdb.DuckDBPyConnection) -> None:
    wrong = []
    for view, column, kind, comment in columns(connection):
        ending = max((end for end in UNITS if column.endswith(end)), key=len, default=None)
        if kind in ("DOUBLE", "BIGINT") and ending and UNITS[ending] not in (comment or ""):
            wrong.append(f"{view}.{column}")

    assert wrong == []


def test_instants_and_only_they_end_in_at(connection: duckdb.DuckDBPyConnection) -> None:
    # published.data_to is the one that the design names otherwise.
    kinds = {(column, kind == "TIMESTAMP WITH TIME ZONE") for _, column, kind, _ in columns(connection)}

    assert {column for column, is_instant in kinds if is_instant and not column.endswith("_at")} == {"data_to"}
    assert {column for column, is_instant in kinds if not is_instant and column.endswith("_at")} == set()


def test_a_comment_stands_right_under_its_view() -> None:
    view = None
    for line in sql_text("views.sql").splitlines():
        if found := re.match(r"CREATE OR REPLACE VIEW (\S+) AS", line):
            view = found[1]
        if found := re.match(r"COMMENT ON (?:VIEW (\S+)|COLUMN (\S+)\.\w+) ", line):
            assert (found[1] or found[2]) == view


def test_the_breaks_say_of_each_column_what_the_downtimes_say(connection: duckdb.DuckDBPyConnection) -> None:
    said = {view: [row[1:] for row in columns(connection) if row[0] == view] for view in ("downtime", "sheet_break")}

    assert said["downtime"] == said["sheet_break"]


LEAST = {
    "sample": "machine, tag, sampled_at, value, flags",
    "sample_text": "machine, tag, sampled_at, text, flags",
    "tag": "machine, tag, unit, section, use, low, high, first_at, last_at",
    "machine_state": "machine, state, started_at, ended_at",
    "downtime": "downtime_id, machine, kind, started_at, ended_at, lost_s, section, location_tied, start_uncertain, "
    "attempts, end_uncertain, unwitnessed, grade, shade, shift_date, shift, crew, cause, certainty, comment, "
    "speed_before_m_min, rate_before_t_h, lost_t, broke_t, on_reel_before_s, since_turn_up_s, since_grade_change_s, "
    "at_turn_up, secondary",
    "sheet_break": "downtime_id",
    "detector_fault": "machine, tag, kind, started_at, ended_at, count",
    "threading_attempt": "downtime_id, machine, attempt, started_at, ended_at, reached_section, outcome",
    "reel": "machine, reel, started_at, ended_at, tonnes_t",
    "grade_run": "machine, grade, shade, started_at, ended_at",
    "shift": "shift_date, shift, crew, started_at, ended_at",
    "clothing": "machine, position, installed_at, removed_at",
    "cause": "code, section, name",
    "lab": "machine", "grade_order": "machine", "note": "note_id",
    "rejected_message": "received_at, topic, reason, payload",
    "collector_run": "started_at, ended_at, ended_cleanly, version",
    "published": "published_at, data_to",
    "production": "machine, started_at, ended_at, grade, shade, reel, length_m, tonnes_t",
}  # fmt: skip
"""The views and columns that saved queries outside rely on (design, section 6)."""


@pytest.mark.parametrize("view", LEAST)
def test_what_is_relied_on_from_outside_is_there(connection: duckdb.DuckDBPyConnection, view: str) -> None:
    assert rows(connection, f"SELECT {LEAST[view]} FROM main.{view} LIMIT 0") == []


def test_every_flag_of_a_sample_is_explained_with_its_number(connection: duckdb.DuckDBPyConnection) -> None:
    comments = {(view, column): comment or "" for view, column, _, comment in columns(connection)}

    numbers = [int(number) for number in re.findall(r"(\d+) [a-z]", comments["sample", "flags"])]

    assert numbers == [flag.value for flag in Flag]
