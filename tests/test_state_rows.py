"""However changes of state are cut into batches, the same rows stand there: those of the states that lasted."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import duckdb
from hypothesis import given
from hypothesis import strategies as st

from collector.fact import State, StateChanged
from collector.writer.fact_rows import FactRows, settled

TABLE = """
CREATE SCHEMA base;
CREATE TABLE base.machine_state (
    machine VARCHAR NOT NULL, state VARCHAR NOT NULL, started_at TIMESTAMPTZ NOT NULL, PRIMARY KEY (machine, started_at)
)
"""
STEPS = st.lists(st.tuples(st.sampled_from(["on_reel", "down", "no_data"]), st.integers(0, 2)), max_size=12)


Change = tuple[str, str, int]


def write_states(connection: duckdb.DuckDBPyConnection, changes: list[Change]) -> None:
    """Write changes of state as one batch does: (machine, state, when it began [ms])."""
    facts = FactRows()
    facts.take([StateChanged(machine=m, state=State(state), at_ms=at_ms) for m, state, at_ms in changes], _no_day)
    facts.write(connection)


def _no_day(at_ms: int) -> date:
    raise AssertionError(f"a state has no day: {at_ms}")


def lasting(states: list[tuple[str, int]]) -> list[tuple[str, int]]:
    """The states of one machine that lasted."""
    rows = settled({"machine": "pm2", "state": state, "started_at": at_ms} for state, at_ms in states)
    return [(str(row["state"]), int(str(row["started_at"]))) for row in rows]


def changes_of(steps: list[tuple[str, int]]) -> list[Change]:
    """Changes of one machine, each some milliseconds after the one before, or none."""
    at_ms, changes = 1_000, []
    for state, later_ms in steps:
        at_ms += later_ms
        changes.append(("pm2", state, at_ms))
    return changes


@given(steps=STEPS, cuts=st.lists(st.integers(0, 12), max_size=4))
def test_the_rows_do_not_depend_on_how_the_changes_were_batched(steps: list[tuple[str, int]], cuts: list[int]) -> None:
    changes = changes_of(steps)
    places = [0, *sorted(min(cut, len(changes)) for cut in cuts), len(changes)]

    with duckdb.connect() as connection:
        connection.execute(TABLE)
        for start, end in pairwise(places):
            write_states(connection, changes[start:end])
        query = "SELECT state, epoch_ms(started_at) FROM base.machine_state ORDER BY started_at"
        found = connection.execute(query).fetchall()

    assert found == lasting([(state, at_ms) for _, state, at_ms in changes])


def test_of_two_states_at_one_moment_the_later_holds() -> None:
    assert lasting([("down", 5), ("no_data", 5), ("down", 9)]) == [("no_data", 5), ("down", 9)]


def test_equal_neighbours_are_one_state() -> None:
    assert lasting([("no_data", 1), ("down", 5), ("no_data", 5), ("down", 9)]) == [("no_data", 1), ("down", 9)]


def test_machines_are_kept_apart() -> None:
    with duckdb.connect() as connection:
        connection.execute(TABLE)
        write_states(connection, [("pm2", "down", 1), ("pm3", "down", 1), ("pm2", "on_reel", 2)])
        found = connection.execute("SELECT machine, state FROM base.machine_state ORDER BY ALL").fetchall()

    assert found == [("pm2", "down"), ("pm2", "on_reel"), ("pm3", "down")]
