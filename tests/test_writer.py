"""What a batch becomes in the store."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
    LateValue,
    Outcome,
    Produced,
    ReelStarted,
    State,
)
from collector.message import Flag, Scan, Value
from collector.pipeline import Pipeline
from collector.publish import Layout, publish
from collector.settings import Mill
from collector.store import Store, StoreConflict
from collector.writer import Committed, Writer
from tests.mills import readable_mill
from tests.stored import (
    DAY_MS,
    MINUTE,
    NOW_MS,
    T0,
    Samples,
    attempt,
    batch,
    closing,
    commit,
    downtime_id,
    opened,
    opening,
    published_samples,
    rejected,
    rows,
    samples,
    scan,
    states,
)

SPEED = ("pm2", "reel.speed", T0)


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path, mill: Mill) -> Iterator[Store]:
    with opened(tmp_path) as store:
        yield store


# ---------------------------------------------------------------- samples


def test_numbers_truths_and_texts_become_samples(store: Store, mill: Mill) -> None:
    done = Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 780.5, "sheet.press": True, "order.grade": "C80"})))

    assert done == Committed(new=3)
    assert samples(store.connection) == {
        ("pm2", "reel.speed", T0): (780.5, 0),
        ("pm2", "sheet.press", T0): (1.0, 0),
        ("pm2", "order.grade", T0): ("C80", 0),
    }


def test_a_bad_value_is_kept_as_null_and_flagged(store: Store, mill: Mill) -> None:
    done = Writer(store, mill).commit(batch(scan(T0, {"reel.speed": None, "a": 1.0, "b": 2.0, "c": 3.0})))

    assert samples(store.connection)[SPEED] == (None, Flag.BAD_QUALITY)
    assert done.bad == 1


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 10**400])
def test_a_number_that_is_none_is_bad(store: Store, mill: Mill, value: float) -> None:
    Writer(store, mill).commit(batch(scan(T0, {"reel.speed": value}), scan(T0, {"a": value, "b": 1.0, "c": 1, "d": 1})))

    found = samples(store.connection)
    assert found[SPEED] == (None, Flag.BAD_QUALITY)
    assert found["pm2", "a", T0] == (None, Flag.BAD_QUALITY)
    assert found["pm2", "b", T0] == (1.0, 0)


def test_a_value_outside_its_plausible_range_is_stored_and_flagged(store: Store, mill: Mill) -> None:
    # mill.toml gives press.draw 0.5 to 4.0 %: the ends belong to the range.
    draws = [0.49, 0.5, 4.0, 4.01]

    done = Writer(store, mill).commit(batch(*(scan(T0 + i, {"press.draw": draw}) for i, draw in enumerate(draws))))

    flags = [samples(store.connection)["pm2", "press.draw", T0 + i][1] for i in range(4)]
    assert flags == [Flag.OUT_OF_RANGE, 0, 0, Flag.OUT_OF_RANGE]
    assert done.out_of_range == 2


def test_flags_of_a_scan_hold_for_each_of_its_values(store: Store, mill: Mill) -> None:
    flags = int(Flag.TIMED_ON_ARRIVAL | Flag.HISTORICAL)

    Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 1.0, "order.grade": "C80"}, flags=flags)))

    assert {flags for _, flags in samples(store.connection).values()} == {flags}


def test_what_only_sets_the_first_state_is_flagged_as_such(store: Store, mill: Mill) -> None:
    first = scan(T0, {"reel.speed": 1.0}, flags=int(Flag.TIMED_ON_ARRIVAL), initial=True)

    Writer(store, mill).commit(batch(first))

    assert samples(store.connection)[SPEED] == (1.0, Flag.TIMED_ON_ARRIVAL | Flag.INITIAL)


def test_a_late_value_is_flagged_and_its_neighbours_are_not(store: Store, mill: Mill) -> None:
    late = LateValue(machine="pm2", tag="reel.speed", at_ms=T0)

    done = Writer(store, mill).commit(
        batch(scan(T0, {"reel.speed": 1.0, "press.draw": 1.0}), scan(T0 + 1, {"reel.speed": 1.0}), facts=[late])
    )

    found = samples(store.connection)
    assert found[SPEED] == (1.0, Flag.LATE)
    assert found["pm2", "press.draw", T0] == (1.0, 0)
    assert found["pm2", "reel.speed", T0 + 1] == (1.0, 0)
    assert done.late == 1


def test_a_repeat_is_dropped_and_counted(store: Store, mill: Mill) -> None:
    writer, first = Writer(store, mill), batch(scan(T0, {"reel.speed": 780.0, "order.grade": "C80", "x": None}))
    writer.commit(first)

    done = writer.commit(first)

    assert done == Committed(repeated=3)
    assert len(samples(store.connection)) == 3


def test_another_value_for_a_key_replaces_the_earlier_one(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"reel.speed": 780.0})))

    done = writer.commit(batch(scan(T0, {"reel.speed": 781.0})))

    assert done == Committed(replaced=1)
    assert samples(store.connection) == {SPEED: (781.0, 0)}


@pytest.mark.parametrize("published", [False, True])
@pytest.mark.parametrize(("first", "then"), [(780.0, "stopped"), ("stopped", 780.0), (None, 780.0), (780.0, None)])
def test_a_value_of_another_type_replaces_too(
    store: Store, mill: Mill, first: Value, then: Value, published: bool
) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"reel.speed": first})))
    if published:
        publish(store, mill, now_ms=NOW_MS)

    done = writer.commit(batch(scan(T0, {"reel.speed": then})))

    assert done.replaced == 1
    assert [value for value, _ in samples(store.connection).values()] == [then]
    publish(store, mill, now_ms=NOW_MS)
    assert [value for value, _ in samples(store.connection).values()] == [then]


def test_of_two_values_for_a_key_in_one_batch_the_later_holds(store: Store, mill: Mill) -> None:
    done = Writer(store, mill).commit(
        batch(scan(T0, {"reel.speed": 1.0}), scan(T0, {"reel.speed": 2.0}), scan(T0, {"reel.speed": 2.0}))
    )

    assert done == Committed(new=1, replaced=1, repeated=1)
    assert samples(store.connection) == {SPEED: (2.0, 0)}


def test_a_time_behind_the_newest_that_was_never_there_is_new(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0 + 10, {"reel.speed": 1.0})))

    done = writer.commit(batch(scan(T0, {"reel.speed": 2.0})))

    assert done == Committed(new=1)
    assert len(samples(store.connection)) == 2


def test_a_row_in_a_part_is_replaced_for_writer_and_readers(store: Store, mill: Mill, tmp_path: Path) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"reel.speed": 1.0}), scan(T0 + 1, {"reel.speed": 1.0})))
    publish(store, mill, now_ms=NOW_MS)

    done = writer.commit(batch(scan(T0, {"reel.speed": 2.0})))
    before = samples(store.connection)
    publish(store, mill, now_ms=NOW_MS)

    assert done == Committed(replaced=1)
    assert before == samples(store.connection) == published_samples(tmp_path)
    assert before == {SPEED: (2.0, 0), ("pm2", "reel.speed", T0 + 1): (1.0, 0)}


def test_a_value_that_came_back_is_not_taken_for_a_repeat(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"reel.speed": 1.0})))

    done = writer.commit(batch(*(scan(T0, {"reel.speed": value}) for value in (1.0, 2.0, 1.0))))

    assert done == Committed(repeated=1, replaced=2)
    assert samples(store.connection) == {SPEED: (1.0, 0)}


def test_a_row_of_a_part_that_was_replaced_is_no_longer_compared_with(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"reel.speed": 1.0})))
    publish(store, mill, now_ms=NOW_MS)

    done = [writer.commit(batch(scan(T0, {"reel.speed": value}))) for value in (2.0, 1.0, 1.0)]

    assert done == [Committed(replaced=1), Committed(replaced=1), Committed(repeated=1)]
    assert samples(store.connection) == {SPEED: (1.0, 0)}
    assert store.inconsistencies() == []


def test_a_tag_may_carry_texts_and_numbers_by_turns(store: Store, mill: Mill) -> None:
    values: list[Value] = ["4711", 4712.0, None, "4713", True]
    scans = [scan(T0 + i, {"a": 1.0, "b": 2.0, "c": 3.0, "reel.number": value}) for i, value in enumerate(values)]

    Writer(store, mill).commit(batch(*scans))

    found = samples(store.connection)
    assert [found["pm2", "reel.number", T0 + i][0] for i in range(5)] == ["4711", 4712.0, None, "4713", 1.0]
    assert [found["pm2", "c", T0 + i][0] for i in range(5)] == [3.0] * 5


def test_a_text_that_looks_like_a_number_stays_a_text(store: Store, mill: Mill) -> None:
    Writer(store, mill).commit(batch(scan(T0, {"reel.number": "4711", "a": 1.0, "b": 1.0, "c": 1.0})))

    assert samples(store.connection)["pm2", "reel.number", T0] == ("4711", 0)


def test_names_and_texts_may_hold_anything(store: Store, mill: Mill) -> None:
    nasty = "'; DROP TABLE base.tag; -- \x00 \n Ä 漢"

    Writer(store, mill).commit(batch(scan(T0, {nasty: nasty, nasty + "1": 1.0}, machine="pm2")))

    assert samples(store.connection)["pm2", nasty, T0] == (nasty, 0)
    assert samples(store.connection)["pm2", nasty + "1", T0] == (1.0, 0)


def test_tags_beyond_the_limit_are_rejected_with_the_reason(store: Store) -> None:
    writer = Writer(store, readable_mill(('folder = "store"', "tags_at_most = 5")))
    wide: dict[str, Value] = {f"t{i}": float(i) for i in range(7)}

    done = writer.commit(batch(scan(T0, {"t0": 0.0}), scan(T0 + 1, wide), scan(T0 + 2, {"t0": 1.0, "t7": "x"})))

    assert len(samples(store.connection)) == 1 + 5 + 1
    assert len(done.refused) == 2
    found = rows(store.connection, "SELECT topic, payload, reason FROM rejected_message ORDER BY received_at")
    way_out = "there are 5 tags already, the most there may be: send fewer names, or set tags_at_most ([store])"
    assert found == [
        ("pm2", b"{'t5': 5.0, 't6': 6.0}", f"2 values were left out: {way_out}"),
        ("pm2", b"{'t7': 'x'}", f"1 value was left out: {way_out}"),
    ]
    assert rows(store.connection, "SELECT rejected FROM message_count WHERE machine IS NULL") == [(2,)]


def test_a_hundred_thousand_new_names_are_counted_and_leave_one_row_a_scan(store: Store, mill: Mill) -> None:
    names = [f"made-up-{number:06}" for number in range(100_000)]
    scans = [scan(T0 + n, dict.fromkeys(names[n * 1000 : (n + 1) * 1000], 1.0)) for n in range(100)]

    done = Writer(store, mill).commit(batch(*scans))

    assert (done.new, len(done.refused)) == (20_000, 80)
    assert rows(store.connection, "SELECT count(*) FROM base.tag") == [(20_000,)]
    assert store.inconsistencies() == []


def test_shapes_beyond_number_do_not_fill_memory(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    tags = [f"t{i}" for i in range(130)]
    mixed = random.Random(1)
    scans = [scan(T0 + i, dict.fromkeys(mixed.sample(tags, 100), 1.0)) for i in range(5_000)]

    done = writer.commit(batch(*scans))

    assert done == Committed(new=500_000)


def test_more_tags_than_there_was_room_for_are_kept_apart(store: Store, mill: Mill) -> None:
    values: dict[str, Value] = {f"t{i}": float(i) for i in range(3_000)}
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"t0": 0.0, "press.draw": 1.0})))

    done = writer.commit(batch(scan(T0, values), scan(T0 + 1, values), scan(T0 + 1, {"press.draw": 9.0})))

    assert done == Committed(new=5_999 + 1, repeated=1, out_of_range=1)
    assert samples(store.connection)["pm2", "t2999", T0 + 1] == (2999.0, 0)


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


# ---------------------------------------------------------------- the sample rule as a property

VALUES: st.SearchStrategy[Value] = st.sampled_from([0.0, 1.0, 2.5, None, True, "C80", "C90"])
TIMES = st.integers(0, 5).map(lambda i: T0 + i * 1_000) | st.integers(0, 11).map(lambda i: T0 + i * DAY_MS // 4)
SCANS = st.builds(
    scan,
    TIMES,
    st.dictionaries(st.sampled_from(["a", "b", "c", "d", "e"]), VALUES, max_size=5),
    machine=st.sampled_from(["pm1", "pm2"]),
)
STEPS = st.lists(st.one_of(SCANS, SCANS, SCANS, st.sampled_from(["commit", "publish", "reopen"])), max_size=40)
SMALL = Layout(together=3, own_file_from=4)


def expected(scans: Sequence[Scan]) -> tuple[Samples, tuple[int, int, int]]:
    """The sample rule in its plainest form: a dict that is gone through value by value."""
    held: Samples = {}
    new = repeated = replaced = 0
    for one in scans:
        for tag, value in one.values.items():
            key = (one.machine, tag, one.at_ms)
            kept = float(value) if isinstance(value, bool) else value
            flags = int(Flag.BAD_QUALITY) if value is None else 0
            if key not in held:
                new += 1
            elif held[key][0] == kept:
                repeated += 1
                continue
            else:
                replaced += 1
            held[key] = (kept, flags)
    return held, (new, repeated, replaced)


@given(STEPS)
def test_samples_are_the_same_however_they_are_cut_into_batches_and_published(steps: list[Scan | str]) -> None:
    mill = readable_mill()
    waiting: list[Scan] = []
    counts = [0, 0, 0]
    with TemporaryDirectory() as name:
        folder = Path(name)
        store = opened(folder, mill=mill)
        writer = Writer(store, mill)
        for step in [*steps, "commit"]:
            if isinstance(step, Scan):
                waiting.append(step)
                continue
            done = writer.commit(batch(*waiting))
            counts = [a + b for a, b in zip(counts, (done.new, done.repeated, done.replaced), strict=True)]
            waiting = []
            if step == "publish":
                publish(store, mill, now_ms=NOW_MS, layout=SMALL)
            if step == "reopen":
                store.close()
                store = opened(folder, mill=mill)
                writer = Writer(store, mill)
        held, expected_counts = expected([step for step in steps if isinstance(step, Scan)])

        assert samples(store.connection) == held
        assert tuple(counts) == expected_counts
        assert store.inconsistencies() == []
        publish(store, mill, now_ms=NOW_MS, layout=SMALL)
        assert published_samples(folder) == held
        store.close()


# ---------------------------------------------------------------- one transaction


def test_a_batch_with_a_row_that_is_there_already_stores_nothing(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(facts=[opening(T0)]))

    with pytest.raises(StoreConflict):
        writer.commit(batch(scan(T0, {"reel.speed": 1.0}), facts=[opening(T0)], trackers={"pm2": b"x"}))

    assert samples(store.connection) == {}
    assert store.tracker_states() == {}
    assert writer.commit(batch(scan(T0, {"reel.speed": 1.0}))) == Committed(new=1)
    assert samples(store.connection) == {SPEED: (1.0, 0)}


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
