"""The tracker finds in ten days of messages what truly happened in them."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from collector.batch import Batch
from collector.fact import (
    AttemptClosed,
    AttemptOpened,
    DowntimeClosed,
    DowntimeOpened,
    Fact,
    Fault,
    FaultOpened,
    Flickered,
)
from collector.message import Message
from collector.pipeline import Pipeline
from collector.settings import load_mill
from replay_data.simulator import MILL_TOML, Day, simulate


@pytest.fixture(scope="module")
def days() -> list[Day]:
    return list(simulate(days=10, seed=1))


@pytest.fixture(scope="module")
def facts(days: list[Day]) -> list[Fact]:
    pipeline, batch = Pipeline(load_mill(MILL_TOML), {}), Batch()
    for day in days:
        for received_ms, topic, payload in day.messages:
            pipeline.take(Message(received_ms=received_ms, topic=topic, payload=payload), batch)
    pipeline.flush(batch)
    return batch.facts


def rows(days: list[Day], table: str) -> list[Mapping[str, object]]:
    return [row for day in days for row in day.truth if row["table"] == table]


def test_every_downtime_is_found_with_its_kind_section_and_clock(days: list[Day], facts: list[Fact]) -> None:
    ended = {fact.downtime_id: fact.ended_ms for fact in facts if isinstance(fact, DowntimeClosed)}
    found = {
        (f.downtime_id, f.kind.value, f.section, f.started_ms, ended.get(f.downtime_id))
        for f in facts
        if isinstance(f, DowntimeOpened)
    }

    assert found == {
        (row["downtime_id"], row["kind"], row["section"], row["started_ms"], row["ended_ms"])
        for row in rows(days, "downtime")
    }


def test_every_attempt_is_found_with_its_outcome(days: list[Day], facts: list[Fact]) -> None:
    closed = {
        (f.downtime_id, f.attempt): (f.ended_ms, f.outcome.value, f.reached_section)
        for f in facts
        if isinstance(f, AttemptClosed)
    }
    found = {
        (f.downtime_id, f.attempt, f.started_ms, *closed.get((f.downtime_id, f.attempt), (None, None, None)))
        for f in facts
        if isinstance(f, AttemptOpened)
    }

    assert found == {
        tuple(row[name] for name in ("downtime_id", "attempt", "started_ms", "ended_ms", "outcome", "reached"))
        for row in rows(days, "attempt")
    }


def test_blind_and_flickering_eyes_are_found(days: list[Day], facts: list[Fact]) -> None:
    mishaps = rows(days, "mishap")
    blind = {(f.tag, f.at_ms) for f in facts if isinstance(f, FaultOpened) and f.kind is Fault.BLIND}
    flickers = sum(isinstance(fact, Flickered) for fact in facts)

    assert blind == {(row["tag"], row["started_ms"]) for row in mishaps if row["what"] == "blind eye"}
    assert flickers == sum(int(str(row["count"])) for row in mishaps if row["what"] == "flicker")
