"""Writes the states of machines. A state that lasted no time leaves no row: the one after it began at the same moment.

That happens when a scan shows a new state and then nothing comes for so long that there is a gap, which begins at that
scan: the row of the new state may have been committed long before the gap is seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

import duckdb

from collector.writer.rows import insert

States = list[tuple[str, int]]
"""State and when it began [ms], oldest first."""

_LAST_TWO = """
SELECT state, epoch_ms(started_at) FROM base.machine_state WHERE machine = ? ORDER BY started_at DESC LIMIT 2
"""
_WHERE = "WHERE machine = ? AND started_at = make_timestamptz(?::BIGINT * 1000)"


def write_states(connection: duckdb.DuckDBPyConnection, changes: Iterable[tuple[str, str, int]]) -> None:
    """Write changes of state in order: (machine, state, when it began [ms])."""
    for machine, of_machine in groupby(sorted(changes, key=lambda change: change[0]), key=lambda change: change[0]):
        states = [(state, at_ms) for _, state, at_ms in of_machine]
        known: States = connection.execute(_LAST_TWO, [machine]).fetchall()[::-1]
        _write(connection, machine, known, lasting([*known, *states]))


def _write(connection: duckdb.DuckDBPyConnection, machine: str, known: States, wanted: States) -> None:
    for state, at_ms in known:
        now = next((other for other, other_ms in wanted if other_ms == at_ms), None)
        if now is None:
            connection.execute(f"DELETE FROM base.machine_state {_WHERE}", [machine, at_ms])  # noqa: S608 - ours
        elif now != state:
            connection.execute(f"UPDATE base.machine_state SET state = ? {_WHERE}", [now, machine, at_ms])  # noqa: S608
    old = {at_ms for _, at_ms in known}
    new = [(machine, state, at_ms) for state, at_ms in wanted if at_ms not in old]
    insert(connection, "machine_state", ("machine", "state", "started_at"), new)


def lasting(states: Iterable[tuple[str, int]]) -> States:
    """The states that lasted, each once where two neighbours are equal."""
    return list(_changes((state, at_ms) for at_ms, state in {at_ms: state for state, at_ms in states}.items()))


def _changes(states: Iterable[tuple[str, int]]) -> Iterator[tuple[str, int]]:
    before = None
    for state, at_ms in states:
        if state != before:
            yield state, at_ms
        before = state
