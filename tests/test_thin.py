"""Old days are thinned: what is kept, what becomes a mean, and that nothing else changes."""

from __future__ import annotations

import itertools
import math
import multiprocessing
import signal
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.fact import State
from collector.message import Flag, Scan
from collector.publish import Layout, Publishing, publish
from collector.settings import Mill
from collector.store import Store
from collector.writer import Writer
from tests.killed import thin
from tests.mills import readable_mill
from tests.servers import wait_until
from tests.stored import (
    DAY_MS,
    MINUTE,
    NOW_MS,
    T0,
    Samples,
    batch,
    closing,
    commit,
    opened,
    opening,
    published_samples,
    samples,
    scan,
    states,
)

LAYOUT = Layout(together=3, own_file_from=1)
MIDNIGHT = T0 - 7_200_000
SPEED = "reel.speed"


def mill_with(**settings: object) -> Mill:
    """The example's mill with settings of its store changed."""
    mill = readable_mill()
    return mill.model_copy(update={"store": mill.store.model_copy(update={"thin_after_days": 1, **settings})})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with opened(tmp_path) as store:
        yield store


def fill(store: Store, mill: Mill, scans: Iterable[Scan]) -> Samples:
    """Store scans of the first day, and one three days later, so that the first is older than one day."""
    Writer(store, mill).commit(batch(*scans, scan(T0 + 3 * DAY_MS, {SPEED: 1.0})))
    publish(store, readable_mill(), now_ms=NOW_MS, layout=LAYOUT)
    return samples(store.connection)


def of_tag(found: Samples, tag: str) -> list[tuple[int, float | str | None, int]]:
    """Time, value and flags of one tag on the first day, in order."""
    return sorted(
        (at, value, flags) for (_, name, at), (value, flags) in found.items() if name == tag and at < T0 + DAY_MS
    )


def test_the_values_of_a_minute_become_their_mean_by_time(store: Store, tmp_path: Path) -> None:
    mill = mill_with()
    # 10 held for 10 s, 40 for 20 s, 70 until the next value 60 s later: (100 + 800 + 70 x 60) / 90 = 56.666…
    fill(store, mill, [scan(T0, {"a": 10.0}), scan(T0 + 10_000, {"a": 40.0}), scan(T0 + 30_000, {"a": 70.0}),
        scan(T0 + 90_000, {"a": 5.0})])  # fmt: skip

    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    (first, mean, flags), second = of_tag(samples(store.connection), "a")
    assert (first, flags) == (T0, Flag.THINNED)
    assert mean == pytest.approx(5100 / 90)
    assert second == (T0 + 90_000, 5.0, 0)
    assert published_samples(tmp_path) == samples(store.connection)
    assert [part.thinned for part in store.parts() if part.day] == [True]
    assert store.inconsistencies() == []


def test_tags_that_the_sheet_is_tracked_by_and_texts_keep_every_row(store: Store) -> None:
    mill = mill_with()
    tags = [tag for machine in mill.machines for _, tag in machine.signals.items() if tag]
    tags += [detector.tag for machine in mill.machines for detector in machine.sheet_detectors]
    scans = [scan(T0 + i * 1000, {"t": f"x{i}", **dict.fromkeys((*tags, "a"), i / 7)}) for i in range(60)]
    before = fill(store, mill, scans)

    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    after = samples(store.connection)
    assert len(tags) > 5
    for tag in [*tags, "t"]:
        assert of_tag(after, tag) == of_tag(before, tag)
    assert len(of_tag(after, "a")) == 1


def test_a_tag_that_tracked_the_sheet_under_an_earlier_mill_file_keeps_every_row_too(
    store: Store, tmp_path: Path
) -> None:
    before = fill(store, readable_mill(), [scan(T0 + i * 1000, {SPEED: float(i)}) for i in range(60)])
    store.close()
    mill = readable_mill(('speed = "reel.speed"', 'speed = "wire.speed"'))
    mill = mill.model_copy(update={"store": mill_with().store})

    with Store.open(tmp_path / "store", mill, now_ms=NOW_MS) as again:
        publish(again, mill, now_ms=NOW_MS, layout=LAYOUT)

        assert [part.thinned for part in again.parts() if part.day] == [True]
        assert of_tag(samples(again.connection), SPEED) == of_tag(before, SPEED)


def test_the_time_around_a_downtime_stays_whole(store: Store) -> None:
    mill = mill_with(whole_before_min=10, whole_after_min=5)
    before = fill(store, mill, [scan(T0 + i * 15_000, {"a": float(i)}) for i in range(4 * 120)])
    lost, back = T0 + 40 * MINUTE, T0 + 60 * MINUTE
    commit(
        store,
        mill,
        *states((T0, State.ON_REEL), (lost, State.DOWN), (back, State.ON_REEL)),
        opening(lost),
        closing(lost, back),
    )

    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    after = of_tag(samples(store.connection), "a")
    whole = [row for row in of_tag(before, "a") if lost - 10 * MINUTE <= row[0] < back + 5 * MINUTE]
    assert [row for row in after if not row[2]] == whole
    # 30 minutes before the span and 55 after it, one row each; four rows a minute in the 35 minutes of the span.
    assert len(after) == 30 + 55 + 35 * 4


def test_a_downtime_that_is_still_open_keeps_all_that_follows(store: Store) -> None:
    mill = mill_with(whole_before_min=0)
    before = fill(store, mill, [scan(T0 + i * 15_000, {"a": float(i)}) for i in range(4 * 60)])
    commit(store, mill, *states((T0, State.ON_REEL), (T0 + 20 * MINUTE, State.DOWN)), opening(T0 + 20 * MINUTE))

    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    after = of_tag(samples(store.connection), "a")
    assert [row for row in after if not row[2]] == [row for row in of_tag(before, "a") if row[0] >= T0 + 20 * MINUTE]


def test_truths_keep_each_change_and_bad_values_stay_apart(store: Store) -> None:
    mill = mill_with()
    pump = [True, True, False, False, True, True]
    level = [1.0, 3.0, None, None, 5.0, 5.0]
    fill(store, mill, [scan(T0 + i * 10_000, {"pump": pump[i], "level": level[i]}) for i in range(6)])

    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    after = samples(store.connection)
    assert of_tag(after, "pump") == [(T0, 1.0, 0), (T0 + 20_000, 0.0, 0), (T0 + 40_000, 1.0, 0)]
    bad = Flag.BAD_QUALITY | Flag.THINNED
    assert of_tag(after, "level") == [(T0, 2.0, 64), (T0 + 20_000, None, bad), (T0 + 40_000, 5.0, 64)]


def test_what_comes_late_for_a_thinned_day_stays_as_it_came(store: Store) -> None:
    mill = mill_with()
    # 0 to 5, ten seconds each, then 9: 15 / 6 = 2.5 in the first minute.
    fill(store, mill, [scan(T0 + i * 10_000, {"a": float(9 if i == 6 else i)}) for i in range(7)])
    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    writer = Writer(store, mill)
    for i in range(6):
        writer.commit(batch(scan(T0 + i * 10_000 + 1, {"a": 7.0})))
        publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)

    after = of_tag(samples(store.connection), "a")
    late = [(T0 + i * 10_000 + 1, 7.0, 0) for i in range(6)]
    assert after == [(T0, 2.5, 64), *late, (T0 + 60_000, 9.0, 0)]
    assert store.inconsistencies() == []


def test_nothing_is_thinned_unless_mill_toml_asks_for_it(store: Store) -> None:
    before = fill(store, readable_mill(), [scan(T0 + i * 1000, {"a": float(i)}) for i in range(60)])

    publish(store, readable_mill(), now_ms=NOW_MS, layout=LAYOUT)
    publish(store, mill_with(thin_after_days=4), now_ms=NOW_MS, layout=LAYOUT)

    assert samples(store.connection) == before


def test_a_day_is_thinned_beside_the_commits(store: Store, tmp_path: Path) -> None:
    mill = mill_with()
    fill(store, mill, [scan(T0 + i * 1000, {"a": float(i)}) for i in range(60)])
    publishing, writer = Publishing(store, mill, layout=LAYOUT), Writer(store, mill)
    publishing.publish(now_ms=NOW_MS)

    def thinned() -> bool:
        writer.commit(batch(scan(T0 + 3 * DAY_MS + len(samples(store.connection)), {"b": 1.0})))
        publishing.turn(now_ms=NOW_MS, stored=0)
        return any(part.thinned for part in store.parts())

    wait_until(thinned, what="the thinned day")
    publishing.stop()
    publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)
    assert len(of_tag(published_samples(tmp_path), "a")) == 1
    assert store.inconsistencies() == []


@pytest.mark.crash
@pytest.mark.slow
def test_killed_between_any_two_steps_a_day_is_whole_or_thinned_and_never_both(tmp_path: Path) -> None:
    scans, names = [scan(T0 + i * 1000, {"a": float(i)}) for i in range(60)], set()
    for steps in itertools.count():
        folder = tmp_path / str(steps)
        folder.mkdir()
        with opened(folder) as store:
            fill(store, readable_mill(), scans)

        name = killed_while_thinning(folder, steps)
        names.add(name)

        for found in (published_samples(folder), reopened(folder)):
            assert len(of_tag(found, "a")) in (1, 60), name
        with opened(folder) as store:
            publish(store, mill_with(), now_ms=NOW_MS + 1, layout=LAYOUT)
            assert len(of_tag(samples(store.connection), "a")) == 1
            assert store.inconsistencies() == []
        if name == "done":
            break

    assert {"thinned day written", "thinned day listed", "reader's file in place", "done"} <= names


def killed_while_thinning(folder: Path, steps: int) -> str:
    """The step at which the process was killed."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.killed"])
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=thin, args=(folder, steps, there))
    process.start()
    there.close()
    name = here.recv()
    process.join()
    assert process.exitcode == (0 if name == "done" else -signal.SIGKILL)
    return str(name)


def reopened(folder: Path) -> Samples:
    with opened(folder) as store:
        assert store.inconsistencies() == []
        return samples(store.connection)


VALUES = st.one_of(st.none(), st.sampled_from([0.0, 1.0]), st.floats(-1e6, 1e6))
ROWS = st.lists(st.tuples(st.integers(0, 600), VALUES), min_size=1, max_size=60, unique_by=lambda row: row[0])


@settings(max_examples=max(10, settings().max_examples // 3))
@given(rows=ROWS)
def test_integrals_over_time_good_and_bad_are_what_they_were(
    rows: list[tuple[int, float | None]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder, mill = tmp_path_factory.mktemp("store"), mill_with()
    with opened(folder) as store:
        before = fill(store, mill, [scan(T0 + at * 1000, {"a": value}) for at, value in sorted(rows)])
        publish(store, mill, now_ms=NOW_MS, layout=LAYOUT)
        after = samples(store.connection)

    assert integral(after) == pytest.approx(integral(before), rel=1e-9, abs=1e-3)
    assert good_ms(after) == good_ms(before)
    assert len(of_tag(after, "a")) <= len(of_tag(before, "a"))
    assert {at for at, _, _ in of_tag(after, "a")} <= {at for at, _, _ in of_tag(before, "a")}


def held(found: Samples) -> Iterator[tuple[float | None, int]]:
    """Each value of the tag and how long it held on the first day. [ms]"""
    day = of_tag(found, "a")
    for (at, value, _), (until, _, _) in itertools.pairwise([*day, (MIDNIGHT + DAY_MS, None, 0)]):
        assert not isinstance(value, str)
        yield value, until - at


def integral(found: Samples) -> float:
    return math.fsum(value * ms / 1000 for value, ms in held(found) if value is not None)


def good_ms(found: Samples) -> int:
    return sum(ms for value, ms in held(found) if value is not None)
