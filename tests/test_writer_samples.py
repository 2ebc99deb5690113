"""What values become: one row per key, ever; repeats, corrections, flags, and names without end."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.fact import (
    LateValue,
)
from collector.message import Flag, Scan, Value
from collector.publish import Layout, publish
from collector.settings import Mill
from collector.store import Store
from collector.writer import Committed, Writer
from tests.mills import readable_mill
from tests.stored import (
    DAY_MS,
    NOW_MS,
    T0,
    Samples,
    batch,
    mill,
    opened,
    published_samples,
    rows,
    samples,
    scan,
    store,
)

__all__ = ["mill", "store"]

SPEED = ("pm2", "reel.speed", T0)


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
