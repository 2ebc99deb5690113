"""What a batch becomes in the store: states, facts, counts, and all of it or nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.batch import Batch
from collector.fact import (
    DowntimeClosed,
    EndBecameUncertain,
    Fact,
    Fault,
    FaultClosed,
    FaultOpened,
    Flickered,
    GradeRunStarted,
    Outcome,
    Produced,
    ReelStarted,
    State,
)
from collector.pipeline import Pipeline
from collector.publish import publish
from collector.settings import Mill
from collector.store import Store, StoreConflict
from collector.writer import Committed, Writer
from tests.mills import readable_mill
from tests.stored import (
    DAY_MS,
    MINUTE,
    NOW_MS,
    T0,
    attempt,
    batch,
    closing,
    commit,
    downtime_id,
    mill,
    opened,
    opening,
    rejected,
    rows,
    samples,
    scan,
    states,
    store,
)

__all__ = ["mill", "store"]

# ---------------------------------------------------------------- states that lasted no time


def stored_states(store: Store) -> list[tuple[int, str]]:
    query = "SELECT epoch_ms(started_at), state FROM base.machine_state ORDER BY started_at"
    return [(at_ms - T0, state) for at_ms, state in rows(store.connection, query)]


@pytest.mark.parametrize("together", [True, False])
def test_a_state_that_lasted_no_time_leaves_no_row(store: Store, mill: Mill, together: bool) -> None:
    """A scan shows the sheet gone, and nothing follows: the gap begins at that scan, but is only seen at its end."""
    changes = [
        *states((T0, State.ON_REEL), (T0 + 10, State.DOWN)),
        *states((T0 + 10, State.NO_DATA), (T0 + 90, State.DOWN)),
    ]
    writer = Writer(store, mill)

    for some in [changes] if together else [[one] for one in changes]:
        writer.commit(batch(scan(T0, {"a": 1.0}), facts=some))

    assert stored_states(store) == [(0, "on_reel"), (10, "no_data"), (90, "down")]


@pytest.mark.parametrize("together", [True, False])
def test_two_gaps_with_nothing_but_one_scan_between_them_are_one_state(
    store: Store, mill: Mill, together: bool
) -> None:
    changes = states((T0, State.NO_DATA), (T0 + 10, State.DOWN), (T0 + 10, State.NO_DATA), (T0 + 90, State.DOWN))
    writer = Writer(store, mill)

    for some in [changes] if together else [[one] for one in changes]:
        writer.commit(batch(scan(T0, {"a": 1.0}), facts=some))

    assert stored_states(store) == [(0, "no_data"), (90, "down")]
    assert store.inconsistencies() == []


def test_one_scan_and_then_silence_is_stored(store: Store, mill: Mill) -> None:
    """As above, from messages: each scan stands alone between two gaps of more than a minute, and in its own batch."""
    pipeline, writer = Pipeline(mill, {}), Writer(store, mill)
    for number in range(6):
        one = Batch()
        at_ms = T0 + number * 100_000
        pipeline.take_scans([scan(at_ms, {"reel.speed": 700.0, "sheet.press": number % 2 == 1})], one)
        pipeline.seal(one)
        writer.commit(one)

    assert store.inconsistencies() == []
    assert {state for _, state in stored_states(store)} <= {"no_data", "down", "threading"}


# ---------------------------------------------------------------- one transaction


def test_a_batch_with_a_row_that_is_there_already_stores_nothing(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(facts=[opening(T0)]))

    with pytest.raises(StoreConflict):
        writer.commit(batch(scan(T0, {"reel.speed": 1.0}), facts=[opening(T0)], trackers={"pm2": b"x"}))

    assert samples(store.connection) == {}
    assert store.tracker_states() == {}
    assert writer.commit(batch(scan(T0, {"reel.speed": 1.0}))) == Committed(new=1)
    assert samples(store.connection) == {("pm2", "reel.speed", T0): (1.0, 0)}


def test_what_ends_without_having_begun_is_a_conflict(store: Store, mill: Mill) -> None:
    with pytest.raises(StoreConflict, match="downtime that ends is not open"):
        commit(store, mill, DowntimeClosed(machine="pm2", downtime_id="pm2-20260301T020000Z", ended_ms=T0))


def test_tracker_state_and_deliveries_are_there_after_reopening(tmp_path: Path, mill: Mill) -> None:
    deliveries = [(1, b"12345678"), (65_535, b"abcdefgh")]
    with opened(tmp_path) as store:
        writer = Writer(store, mill)
        writer.commit(batch(trackers={"pm2": b"one"}, deliveries=deliveries[:1]))
        writer.commit(batch(trackers={"pm2": b"two"}, deliveries=deliveries[1:]))

    with opened(tmp_path) as store:
        assert store.tracker_states() == {"pm2": b"two"}
        assert store.deliveries() == deliveries


def test_no_more_deliveries_are_kept_than_may_come_again(tmp_path: Path) -> None:
    mill = readable_mill(("port = 1883", "port = 1883\nwindow = 20"))
    sent = [(i, i.to_bytes(8, "big")) for i in range(300)]
    with opened(tmp_path, mill=mill) as store:
        writer = Writer(store, mill)
        for delivery in sent:
            writer.commit(batch(deliveries=[delivery]))

        kept = store.deliveries()

    assert kept[-20:] == sent[-20:]
    assert len(kept) <= 20 + 64


# ---------------------------------------------------------------- facts


def test_states_are_intervals_and_the_last_is_open(store: Store, mill: Mill) -> None:
    commit(store, mill, *states((T0, State.ON_REEL), (T0 + 5, State.DOWN)))
    commit(store, mill, *states((T0 + 9, State.THREADING)))

    found = rows(
        store.connection,
        "SELECT state, epoch_ms(started_at), epoch_ms(ended_at) FROM machine_state ORDER BY started_at",
    )

    assert found == [("on_reel", T0, T0 + 5), ("down", T0 + 5, T0 + 9), ("threading", T0 + 9, None)]


@pytest.mark.parametrize("together", [True, False])
def test_a_downtime_has_its_end_whether_it_came_in_one_batch_or_two(store: Store, mill: Mill, together: bool) -> None:
    uncertain = EndBecameUncertain(machine="pm2", downtime_id=downtime_id(T0))
    facts: list[Fact] = [
        opening(T0),
        uncertain,
        *attempt(T0, 1, T0 + 10, T0 + 20, Outcome.FAILED, "press"),
        *attempt(T0, 2, T0 + 30, T0 + 60, Outcome.SUCCESS, "reel"),
        closing(T0, T0 + 60),
    ]

    pieces: list[list[Fact]] = [facts] if together else [[fact] for fact in facts]
    for piece in pieces:
        commit(store, mill, *piece)

    found = rows(store.connection, "SELECT epoch_ms(ended_at), end_uncertain, attempts, lost_s FROM downtime")
    assert found == [(T0 + 60, True, 2, 0.06)]
    found = rows(store.connection, "SELECT attempt, outcome, reached_section FROM threading_attempt ORDER BY attempt")
    assert found == [(1, "failed", "press"), (2, "success", "reel")]
    assert store.inconsistencies() == []


def test_a_fault_may_come_again_after_it_was_over(store: Store, mill: Mill) -> None:
    def blind(kind: type[FaultOpened] | type[FaultClosed], at_ms: int) -> Fact:
        return kind(machine="pm2", tag="sheet.press", kind=Fault.BLIND, at_ms=at_ms)

    commit(store, mill, blind(FaultOpened, T0), blind(FaultClosed, T0 + 5), blind(FaultOpened, T0 + 9))
    commit(store, mill, blind(FaultClosed, T0 + 12))

    found = rows(
        store.connection, "SELECT kind, epoch_ms(started_at), epoch_ms(ended_at), count FROM detector_fault ORDER BY 2"
    )
    assert found == [("blind", T0, T0 + 5, 1), ("blind", T0 + 9, T0 + 12, 1)]


def test_flicker_is_counted_by_mill_day(store: Store, mill: Mill) -> None:
    # Helsinki is two hours ahead of UTC in March: T0, 02:00 UTC, is 04:00 there, so its day ends 20 h later.
    midnight = T0 + 20 * 60 * MINUTE
    times = [T0, T0 + 7, midnight - 1, midnight]

    for at_ms in times:
        commit(store, mill, Flickered(machine="pm2", tag="sheet.press", at_ms=at_ms))

    found = rows(
        store.connection,
        "SELECT CAST(day AS VARCHAR), epoch_ms(started_at), epoch_ms(ended_at), count FROM detector_fault ORDER BY day",
    )
    assert found == [("2026-03-01", T0, midnight - 1, 3), ("2026-03-02", midnight, midnight, 1)]


def produced(started_ms: int, ended_ms: int, *, reel: str | None = "4711", tonnes_t: float | None = 6.0) -> Produced:
    return Produced(
        machine="pm2",
        started_ms=started_ms,
        ended_ms=ended_ms,
        grade="C80",
        shade="white",
        reel=reel,
        length_m=1_000.0,
        tonnes_t=tonnes_t,
    )


def test_reels_and_grade_runs_end_with_the_next_and_have_what_was_made(store: Store, mill: Mill) -> None:
    hour = 60 * MINUTE
    commit(
        store,
        mill,
        ReelStarted(machine="pm2", reel="4711", at_ms=T0, first_seen=True),
        GradeRunStarted(machine="pm2", grade="C80", shade="white", at_ms=T0, first_seen=True),
        produced(T0, T0 + hour, tonnes_t=12.0),
        ReelStarted(machine="pm2", reel="4712", at_ms=T0 + hour, first_seen=False),
        produced(T0 + hour, T0 + hour + 30 * MINUTE, reel="4712", tonnes_t=6.0),
        produced(T0 + hour + 30 * MINUTE, T0 + 2 * hour, reel="4712", tonnes_t=5.0),
    )

    reels = rows(
        store.connection,
        "SELECT reel, epoch_ms(started_at), epoch_ms(ended_at), tonnes_t, start_uncertain FROM reel ORDER BY 2",
    )
    assert reels == [("4711", T0, T0 + hour, 12.0, True), ("4712", T0 + hour, None, 11.0, False)]
    runs = rows(store.connection, "SELECT grade, shade, tonnes_t, ended_at FROM grade_run")
    assert runs == [("C80", "white", 23.0, None)]


def test_tonnes_of_a_reel_are_unknown_when_a_part_of_them_is(store: Store, mill: Mill) -> None:
    commit(
        store,
        mill,
        ReelStarted(machine="pm2", reel="4711", at_ms=T0, first_seen=False),
        produced(T0, T0 + MINUTE, tonnes_t=12.0),
        produced(T0 + MINUTE, T0 + 2 * MINUTE, tonnes_t=None),
    )

    assert rows(store.connection, "SELECT tonnes_t FROM reel") == [(None,)]


def test_what_is_under_way_counts_and_gives_way_to_its_fact(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    seen = []
    for made in (produced(T0, T0 + 1), produced(T0, T0 + 5), None, produced(T0 + 9, T0 + 11)):
        facts = [] if made else [produced(T0, T0 + 9)]
        writer.commit(batch(facts=facts, under_way={"pm2": made}))
        seen.append(rows(store.connection, "SELECT epoch_ms(ended_at) FROM production ORDER BY 1"))

    assert seen == [[(T0 + 1,)], [(T0 + 5,)], [(T0 + 9,)], [(T0 + 9,), (T0 + 11,)]]


# ---------------------------------------------------------------- counts and rejected messages


def test_counts_are_kept_by_machine_and_day_of_receipt(store: Store, mill: Mill) -> None:
    midnight = T0 + 20 * 60 * MINUTE
    writer = Writer(store, mill)
    writer.commit(
        batch(
            scan(T0, {"press.draw": 9.0}),
            scan(T0, {"press.draw": 9.0}),
            scan(T0 + 1, {"press.draw": 1.0}, heard_ms=midnight),
            scan(T0, {"press.draw": None}, heard_ms=midnight),
            scan(T0, {"x": 1.0}, machine="pm1", heard_ms=midnight),
        )
    )
    publish(store, mill, now_ms=NOW_MS)

    found = rows(
        store.connection,
        "SELECT machine, CAST(day AS VARCHAR), messages, scans, samples, repeated, replaced, out_of_range, bad "
        "FROM message_count ORDER BY day, machine NULLS LAST",
    )

    assert found == [
        ("pm2", "2026-03-01", 0, 2, 1, 1, 0, 1, 0),
        ("pm1", "2026-03-02", 0, 1, 1, 0, 0, 0, 0),
        ("pm2", "2026-03-02", 0, 2, 1, 0, 1, 0, 1),
        (None, "2026-03-02", 5, 0, 0, 0, 0, 0, 0),
    ]


def test_a_rejected_message_is_kept_with_its_reason(store: Store, mill: Mill) -> None:
    Writer(store, mill).commit(Batch(rejected=[rejected(T0, payload=b"x" * 5_000)]))

    found = rows(
        store.connection,
        "SELECT epoch_ms(received_at), topic, reason, octet_length(payload), size_bytes FROM rejected_message",
    )
    assert found == [(T0, "ellerholm/pm2/scan", "is no JSON", 4_096, 5_000)]


def test_of_many_rejected_messages_a_thousand_a_day_are_kept_and_all_counted(store: Store, mill: Mill) -> None:
    Writer(store, mill).commit(Batch(rejected=[rejected(T0)] * 900))
    Writer(store, mill).commit(Batch(rejected=[rejected(T0)] * 900 + [rejected(T0 + DAY_MS)]))

    assert rows(store.connection, "SELECT count(*) FROM rejected_message") == [(1_001,)]
    assert rows(store.connection, "SELECT rejected FROM message_count ORDER BY day") == [(1_800,), (1,)]


def test_a_configuration_knows_the_span_of_its_scans(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0 + 7, {"x": 1.0}), scan(T0, {"y": 1.0})))
    writer.commit(batch(scan(T0 + 9, {"x": 1.0})))

    found = rows(
        store.connection,
        "SELECT configuration_id, epoch_ms(first_scan_at), epoch_ms(last_scan_at) FROM configuration",
    )

    assert found == [(1, T0, T0 + 9)]


def test_a_state_that_turns_out_to_have_lasted_no_time_gives_way(tmp_path: Path) -> None:
    # A gap that begins with the very scan that showed the sheet on the reel: no_data, and nothing else, from there.
    mill = readable_mill()
    with opened(tmp_path) as store:
        commit(store, mill, *states((T0, State.NO_DATA), (T0 + 10, State.ON_REEL)))
        commit(store, mill, *states((T0 + 10, State.NO_DATA), (T0 + 90, State.DOWN), (T0 + 90, State.STOPPED)))
        commit(store, mill, *states((T0 + 90, State.THREADING)))

        found = rows(store.connection, "SELECT epoch_ms(started_at), state FROM base.machine_state ORDER BY 1")

        assert found == [(T0, "no_data"), (T0 + 90, "threading")]
        assert store.inconsistencies() == []
