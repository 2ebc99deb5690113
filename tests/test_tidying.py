"""What is done to parts beside the writer: commits go on, readers see what holds, and giving up costs nothing."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from collector.publish import Layout, Publishing, publish
from collector.publish.tidied import FOLDER, Tidied, put_in_place
from collector.publish.tidying import Tidying, next_plan
from collector.settings import Mill
from collector.store import Store
from collector.store.opening import PARTS
from collector.writer import Writer
from tests.mills import readable_mill
from tests.servers import wait_until
from tests.stored import DAY_MS, NOW_MS, T0, batch, opened, published_samples, samples, scan

FEW = Layout(together=3, own_file_from=1_000_000, grace_s=0, hot_at_most=50)
KEY = ("pm2", "a", T0)


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with opened(tmp_path) as store:
        yield store


@pytest.fixture
def publishing(store: Store, mill: Mill) -> Iterator[Publishing]:
    publishing = Publishing(store, mill, layout=FEW)
    yield publishing
    publishing.stop()


def settle(publishing: Publishing) -> None:
    """Take turns until nothing is under way beside the writer."""

    def idle() -> bool:
        publishing.turn(now_ms=NOW_MS, stored=0)
        return publishing.idle

    wait_until(idle, what="the end of tidying")


def taken(tidying: Tidying) -> Tidied:
    """What was made, once it is."""
    found: list[Tidied] = []

    def take() -> bool:
        tidied = tidying.take()
        found.extend([tidied] if tidied else [])
        return bool(found)

    wait_until(take, what="the end of the work")
    return found[0]


def test_a_value_that_was_replaced_in_a_part_is_what_readers_get_at_once(
    store: Store, mill: Mill, publishing: Publishing, tmp_path: Path
) -> None:
    writer = Writer(store, mill)
    writer.commit(batch(scan(T0, {"a": 1.0, "g": "C80"})))
    publishing.publish(now_ms=NOW_MS)

    writer.commit(batch(scan(T0, {"a": 2.0, "g": "C90"})))
    publishing.publish(now_ms=NOW_MS)

    expected = {KEY: (2.0, 0), ("pm2", "g", T0): ("C90", 0)}
    assert published_samples(tmp_path) == samples(store.connection) == expected
    settle(publishing)
    publishing.publish(now_ms=NOW_MS)
    assert published_samples(tmp_path) == samples(store.connection) == expected
    assert store.connection.execute("SELECT count(*) FROM base.replaced").fetchone() == (0,)
    assert store.connection.execute("SELECT count(*) FROM base.hot_sample").fetchone() == (0,)
    assert store.inconsistencies() == []


@pytest.mark.parametrize("last", [1.0, 2.0, 3.0, "off", None])
def test_a_value_that_is_replaced_again_while_its_part_is_corrected_holds(
    store: Store, mill: Mill, tmp_path: Path, last: float | str | None
) -> None:
    writer = Writer(store, mill)
    for value in (1.0, 2.0):
        writer.commit(batch(scan(T0, {"a": value})))
        publish(store, mill, now_ms=NOW_MS, tidy=False)
    plan = next_plan(store, mill.store, closed_before=date.min, layout=FEW)
    assert plan is not None
    tidying = Tidying(store)
    tidying.start(plan)

    writer.commit(batch(scan(T0, {"a": last})))
    put_in_place(store, taken(tidying), now_ms=NOW_MS)

    assert samples(store.connection) == {KEY: (last, 4 if last is None else 0)}
    assert store.inconsistencies() == []
    publish(store, mill, now_ms=NOW_MS)
    assert samples(store.connection) == published_samples(tmp_path) == {KEY: (last, 4 if last is None else 0)}
    assert store.connection.execute("SELECT count(*) FROM base.replaced").fetchone() == (0,)


def test_what_is_given_up_is_done_another_time(store: Store, mill: Mill, tmp_path: Path) -> None:
    writer = Writer(store, mill)
    for turn in range(3):
        writer.commit(batch(*(scan(T0 + turn * 1000 + i, {"a": float(i)}) for i in range(100))))
        publish(store, mill, now_ms=NOW_MS, layout=FEW, tidy=False)
    before, parts = samples(store.connection), store.parts()
    plan = next_plan(store, mill.store, closed_before=date.min, layout=FEW)
    assert plan is not None
    tidying = Tidying(store)
    tidying.start(plan)

    tidying.stop()

    assert tidying.idle
    assert store.parts() == parts
    assert not (store.folder / FOLDER).exists()
    publish(store, mill, now_ms=NOW_MS, layout=FEW)
    assert [part.level for part in store.parts()] == [1]
    assert samples(store.connection) == published_samples(tmp_path) == before


def test_much_that_is_hot_goes_to_parts_before_the_next_publish(
    store: Store, mill: Mill, publishing: Publishing
) -> None:
    Writer(store, mill).commit(batch(*(scan(T0 + i, {"a": 1.0}) for i in range(FEW.hot_at_most))))

    publishing.turn(now_ms=NOW_MS, stored=FEW.hot_at_most - 1)
    assert store.parts() == []
    publishing.turn(now_ms=NOW_MS, stored=FEW.hot_at_most)

    assert [part.row_count for part in store.parts()] == [FEW.hot_at_most]


def test_a_folder_that_a_killed_work_left_behind_is_cleared(store: Store, mill: Mill) -> None:
    left = store.folder / FOLDER / "spilled" / "half.parquet"
    left.parent.mkdir(parents=True)
    left.write_bytes(b"half")

    publish(store, mill, now_ms=NOW_MS)

    assert not (store.folder / FOLDER).exists()


def test_whatever_comes_between_what_is_published_bit_by_bit_is_what_was_committed(
    store: Store, mill: Mill, publishing: Publishing, tmp_path: Path
) -> None:
    dice, writer = random.Random(7), Writer(store, mill)
    held = {}
    for turn in range(60):
        day = turn // 20 * DAY_MS
        some = [
            scan(
                T0 + day + dice.randrange(40) * 1000, {"a": float(dice.randrange(5)), "g": dice.choice(["C80", "C90"])}
            )
            for _ in range(5)
        ]
        writer.commit(batch(*some))
        held.update({(one.machine, tag, one.at_ms): (value, 0) for one in some for tag, value in one.values.items()})
        if dice.random() < 0.5:
            publishing.publish(now_ms=NOW_MS)
            assert published_samples(tmp_path) == held
        else:
            publishing.turn(now_ms=NOW_MS, stored=turn * 10)
        assert samples(store.connection) == held

    settle(publishing)
    assert store.inconsistencies() == []
    listed = {f"{part.content}-{part.part_id:08d}.parquet" for part in store.parts()}
    assert listed <= {path.name for path in (store.folder / PARTS).iterdir()}


def test_a_file_that_was_made_is_listed_with_its_rows_in_one_transaction(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    for turn in range(3):
        writer.commit(batch(scan(T0 + turn, {"a": 1.0})))
        publish(store, mill, now_ms=NOW_MS, layout=FEW, tidy=False)
    plan = next_plan(store, mill.store, closed_before=date.min, layout=FEW)
    assert plan is not None
    tidied = plan.make(store.connection, store.folder / PARTS, store.folder / FOLDER)
    assert [part.row_count for part in store.parts()] == [1, 1, 1]

    put_in_place(store, tidied, now_ms=NOW_MS)

    assert [part.row_count for part in store.parts()] == [3]
