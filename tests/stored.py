"""A store for tests: short ways to open one, to fill it and to see what stands in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pytest

from collector.batch import Batch
from collector.fact import (
    AttemptClosed,
    AttemptOpened,
    DowntimeClosed,
    DowntimeOpened,
    Fact,
    Kind,
    Outcome,
    State,
    StateChanged,
)
from collector.message import Context, Note, NoteKind, Rejected, Scan, Value
from collector.pipeline import Pipeline
from collector.settings import Mill
from collector.store import Store
from collector.writer import Committed, Writer
from tests.mills import readable_mill

T0 = 1_772_330_400_000
"""2026-03-01T02:00:00Z: 20,513 days of 86,400 s since 1970, and 7,200 s."""

NOW_MS = T0 + 3_600_000
DAY_MS = 86_400_000
MINUTE = 60_000

Samples = dict[tuple[str, str, int], tuple[float | str | None, int]]
"""Machine, tag and source time [ms] to value and flags."""


@cache
def _fresh_database() -> bytes:
    """The file of a store that was just made: tests begin with a copy, since making one takes longer than all else."""
    with TemporaryDirectory() as name:
        Store.open(Path(name), readable_mill(), now_ms=NOW_MS).close()
        return (Path(name) / "collector.duckdb").read_bytes()


def opened(folder: Path, *, mill: Mill | None = None) -> Store:
    """The store of a folder, a new one if there is none; of the example's mill, or of another one."""
    database = folder / "store" / "collector.duckdb"
    if not database.exists():
        database.parent.mkdir()
        database.write_bytes(_fresh_database())
    return Store.open(database.parent, mill or readable_mill(), now_ms=NOW_MS)


def scan(
    at_ms: int, values: dict[str, Value], *, machine: str = "pm2", heard_ms: int | None = None, **more: Any
) -> Scan:
    """A scan that was received as it was made."""
    return Scan(machine, at_ms, values, 0, at_ms if heard_ms is None else heard_ms, **more)


def batch(*scans: Scan, facts: Iterable[Fact] = (), context: Iterable[Context] = (), **more: Any) -> Batch:
    """What one transaction holds."""
    heard = [scan.heard_ms for scan in scans]
    return Batch(
        scans=list(scans),
        facts=list(facts),
        context=list(context),
        messages=len(scans),
        last_received_ms=max(heard, default=NOW_MS),
        **more,
    )


def rejected(received_ms: int, reason: str = "is no JSON", payload: bytes = b"{") -> Rejected:
    """A message of no use."""
    return Rejected(received_ms=received_ms, topic="ellerholm/pm2/scan", reason=reason, payload=payload)


def samples(connection: duckdb.DuckDBPyConnection) -> Samples:
    """Every sample that readers see; fails if a key is there twice."""
    rows = (
        connection.execute("SELECT machine, tag, epoch_ms(sampled_at), value, flags FROM main.sample ").fetchall()
        + connection.execute("SELECT machine, tag, epoch_ms(sampled_at), text, flags FROM main.sample_text").fetchall()
    )
    found = {(machine, tag, at_ms): (value, flags) for machine, tag, at_ms, value, flags in rows}
    assert len(found) == len(rows), "a key is there twice"
    return found


def published_samples(folder: Path) -> Samples:
    """Every sample in the reader's file of a store."""
    with duckdb.connect(folder / "store" / "published.duckdb", read_only=True) as connection:
        return samples(connection)


def rows(connection: duckdb.DuckDBPyConnection, query: str, *parameters: object) -> list[tuple[Any, ...]]:
    """The rows of a query."""
    return connection.execute(query, list(parameters)).fetchall()


def commit(store: Store, mill: Mill, *facts: Fact, context: Iterable[Context] = ()) -> Committed:
    """Commit facts and context in one batch."""
    return Writer(store, mill).commit(batch(facts=facts, context=context))


def downtime_id(started_ms: int, machine: str = "pm2") -> str:
    """The id of a downtime, by the tracker's rule."""
    query = "SELECT strftime(make_timestamp(?::BIGINT * 1000), '%Y%m%dT%H%M%SZ')"
    row = duckdb.execute(query, [started_ms]).fetchone()
    assert row is not None
    return f"{machine}-{row[0]}"


def opening(started_ms: int, **more: Any) -> DowntimeOpened:
    """A break in the press section after two hours on the reel, at 12 t/h."""
    usual: dict[str, Any] = {
        "machine": "pm2",
        "downtime_id": downtime_id(started_ms, more.get("machine", "pm2")),
        "kind": Kind.BREAK,
        "started_ms": started_ms,
        "section": "press",
        "location_tied": False,
        "start_uncertain": False,
        "unwitnessed": False,
        "at_reel": False,
        "grade": "C80",
        "shade": "white",
        "reel": "4711",
        "speed_before_m_min": 780.0,
        "rate_before_t_h": 12.0,
        "on_reel_before_ms": 120 * MINUTE,
        "since_turn_up_ms": None,
        "since_grade_change_ms": None,
    }
    return DowntimeOpened(**usual | more)


def closing(started_ms: int, ended_ms: int) -> DowntimeClosed:
    """The end of the downtime that began then."""
    return DowntimeClosed(machine="pm2", downtime_id=downtime_id(started_ms), ended_ms=ended_ms)


def attempt(
    started_ms: int, number: int, from_ms: int, to_ms: int, outcome: Outcome, reached: str | None
) -> list[Fact]:
    """An attempt in the downtime that began at ``started_ms``."""
    name = downtime_id(started_ms)
    return [
        AttemptOpened(machine="pm2", downtime_id=name, attempt=number, started_ms=from_ms),
        AttemptClosed(
            machine="pm2", downtime_id=name, attempt=number, ended_ms=to_ms, reached_section=reached, outcome=outcome
        ),
    ]


def states(*changes: tuple[int, State], machine: str = "pm2") -> list[Fact]:
    """The machine's states from their beginnings."""
    return [StateChanged(machine=machine, state=state, at_ms=at_ms) for at_ms, state in changes]


def note(note_id: str, kind: NoteKind = NoteKind.CAUSE, *, at_ms: int = NOW_MS, **more: Any) -> Note:
    """A crew note."""
    return Note(note_id=note_id, machine="pm2", at_ms=at_ms, received_ms=at_ms + 1_000, kind=kind, **more)


def load_scans(mill: Mill, store: Store, scans: Iterable[Scan], *, together: int = 500) -> None:
    """Let a store take in scans in their order of arrival, and what they lead to, so many in a transaction."""
    pipeline, writer = Pipeline(mill, store.tracker_states()), Writer(store, mill)
    waiting = list(scans)
    for start in range(0, len(waiting), together):
        part = Batch()
        pipeline.take_scans(waiting[start : start + together], part)
        pipeline.seal(part)
        writer.commit(part)
    last = Batch()
    pipeline.flush(last)
    pipeline.seal(last)
    writer.commit(last)


@pytest.fixture
def mill() -> Mill:
    """The mill of these tests."""
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path, mill: Mill) -> Iterator[Store]:
    """A new store, open."""
    with opened(tmp_path) as store:
        yield store
