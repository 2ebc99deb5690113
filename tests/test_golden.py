"""Recorded streams lead to their expected rows; a new folder in ``replay_data/golden`` is a new test by itself."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

from collector.load import load
from collector.publish import publish
from collector.store import Store
from collector.stream import read_stream
from tests.test_service import mill_at

GOLDEN = Path(__file__).parent.parent / "replay_data" / "golden"


def as_expected(value: object) -> object:
    """Instants as the expected rows write them."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return value


@pytest.fixture(params=sorted(folder.name for folder in GOLDEN.iterdir() if folder.is_dir()))
def replayed(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, dict[str, object]]:
    """A published store after a recorded stream, and the rows that are expected."""
    folder = GOLDEN / request.param
    mill = mill_at(tmp_path, 1883)
    store = Store.open(mill.store.folder, mill, now_ms=0)
    store.begin_run(0, "test")
    load(mill, store, read_stream(folder / "stream.jsonl.gz"))
    publish(store, mill, now_ms=1)
    assert store.inconsistencies() == []
    store.close()
    return mill.store.folder / "published.duckdb", json.loads((folder / "expected.json").read_text())


@pytest.mark.parametrize(
    ("expected", "query"),
    [
        (
            "downtime",
            "SELECT downtime_id, found_kind AS kind, section, started_at, ended_at, end_uncertain "
            "FROM downtime ORDER BY started_at",
        ),
        (
            "threading_attempt",
            "SELECT downtime_id, attempt, started_at, ended_at, outcome, reached_section "
            "FROM threading_attempt ORDER BY started_at",
        ),
        ("no_data", "SELECT started_at, ended_at FROM machine_state WHERE state = 'no_data' ORDER BY started_at"),
        ("blind", "SELECT tag, started_at, ended_at FROM detector_fault WHERE kind = 'blind' ORDER BY started_at"),
    ],
)
def test_a_recorded_stream_leads_to_its_rows(
    replayed: tuple[Path, dict[str, object]], expected: str, query: str
) -> None:
    published, rows = replayed

    with duckdb.connect(published, read_only=True) as connection:
        relation = connection.execute(query)
        names = [column[0] for column in relation.description]
        found = [dict(zip(names, map(as_expected, row), strict=True)) for row in relation.fetchall()]

    assert found == rows[expected]


def test_what_could_not_be_used_is_kept_and_counted(replayed: tuple[Path, dict[str, object]]) -> None:
    published, rows = replayed

    with duckdb.connect(published, read_only=True) as connection:
        found = connection.execute("SELECT count(*) FROM rejected_message WHERE length(reason) > 10").fetchone()

    assert found == (rows["rejected"],)
