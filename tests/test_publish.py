"""What readers get, while it is being written, and after the collector was killed."""

from __future__ import annotations

import itertools
import json
import multiprocessing
import signal
import subprocess
import sys
import textwrap
import time
from datetime import date, timedelta
from pathlib import Path

import duckdb
import pytest

from collector.message import Scan
from collector.publish import Layout, publish
from collector.publish.day import closed_before
from collector.publish.merge import due_parts
from collector.settings import Mill
from collector.store import Store
from collector.store.parts import Part
from collector.writer import Writer
from tests.killed import LAYOUT, after_turns, write_and_publish
from tests.stored import DAY_MS, MINUTE, NOW_MS, T0, batch, mill, opened, published_samples, rows, samples, scan, store

FEW = Layout(together=4, own_file_from=1_000_000)


__all__ = ["mill", "store"]


def minute(at_ms: int) -> Scan:
    """A scan of numbers and a text."""
    return scan(at_ms, {"a": at_ms / 1e3 % 97, "b": 1.0, "c": None, "d": 2.5, "order.grade": "C80"})


def files(tmp_path: Path) -> list[str]:
    """The names of all parts in the folder."""
    return sorted(path.name for path in (tmp_path / "store" / "parts").iterdir())


def test_a_new_store_publishes_views_without_rows(store: Store, mill: Mill, tmp_path: Path) -> None:
    publish(store, mill, now_ms=NOW_MS)

    with duckdb.connect(tmp_path / "store" / "published.duckdb", read_only=True) as reader:
        assert samples(reader) == {}
        assert rows(reader, "SELECT epoch_ms(published_at), data_to FROM published") == [(NOW_MS, None)]
        assert rows(reader, "SELECT name FROM mill") == [("Ellerholm",)]


def test_readers_get_all_that_was_committed_before(store: Store, mill: Mill, tmp_path: Path) -> None:
    writer = Writer(store, mill)
    for at_ms in range(T0, T0 + 10 * MINUTE, MINUTE):
        writer.commit(batch(minute(at_ms)))
        publish(store, mill, now_ms=at_ms)

        assert published_samples(tmp_path) == samples(store.connection)

    with duckdb.connect(tmp_path / "store" / "published.duckdb", read_only=True) as reader:
        assert rows(reader, "SELECT epoch_ms(data_to) FROM published") == [(T0 + 9 * MINUTE,)]


def test_tools_that_are_older_than_the_collector_can_open_what_is_published(
    store: Store, mill: Mill, tmp_path: Path
) -> None:
    publish(store, mill, now_ms=NOW_MS)

    header = (tmp_path / "store" / "published.duckdb").read_bytes()[:20]
    # After a checksum of 8 bytes: DUCK and the number of the format. DuckDB 1.5.6 says that it reads 64 to 68.
    assert header[8:12] == b"DUCK"
    assert 64 <= int.from_bytes(header[12:20], "little") <= 68


def test_both_files_have_the_same_views_and_comments(store: Store, mill: Mill, tmp_path: Path) -> None:
    publish(store, mill, now_ms=NOW_MS)
    queries = (
        "SELECT view_name, sql, comment FROM duckdb_views() WHERE schema_name = 'main' AND NOT internal ORDER BY ALL",
        "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY ALL",
        "SELECT function_name, comment, macro_definition FROM duckdb_functions() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY ALL",
    )

    with duckdb.connect(tmp_path / "store" / "published.duckdb", read_only=True) as reader:
        for query in queries:
            assert rows(reader, query) == rows(store.connection, query) != []


def test_the_readers_file_may_be_attached_under_any_name(store: Store, mill: Mill, tmp_path: Path) -> None:
    Writer(store, mill).commit(batch(minute(T0)))
    publish(store, mill, now_ms=NOW_MS)

    with duckdb.connect() as reader:
        reader.execute(f"ATTACH '{tmp_path}/store/published.duckdb' AS any_name (READ_ONLY)")

        assert rows(reader, "SELECT count(*) FROM any_name.sample") == [(4,)]
        assert rows(reader, "SELECT count(*) FROM any_name.downtime") == [(0,)]


def test_a_file_that_lies_in_the_folder_by_chance_is_not_read(store: Store, mill: Mill, tmp_path: Path) -> None:
    Writer(store, mill).commit(batch(minute(T0)))
    publish(store, mill, now_ms=NOW_MS)
    (part,) = (tmp_path / "store" / "parts").glob("value-*")
    (part.parent / "value-copy.parquet").write_bytes(part.read_bytes())

    publish(store, mill, now_ms=NOW_MS)

    assert len(published_samples(tmp_path)) == 5


def test_a_folder_with_an_apostrophe_is_no_trouble(tmp_path: Path, mill: Mill) -> None:
    folder = tmp_path / "Ellerholm's mill"
    folder.mkdir()
    with opened(folder) as store:
        Writer(store, mill).commit(batch(minute(T0)))

        publish(store, mill, now_ms=NOW_MS)

        assert published_samples(folder) == samples(store.connection) != {}


def test_tags_know_the_span_and_the_newest_value_of_their_samples(store: Store, mill: Mill) -> None:
    writer = Writer(store, mill)
    seen = []
    for one in (scan(T0 + 5, {"a": 1.0}), scan(T0, {"a": 2.0}), scan(T0 + 9, {"a": "off"}), scan(T0 + 7, {"a": 4.0})):
        writer.commit(batch(one))
        publish(store, mill, now_ms=NOW_MS)
        seen += rows(store.connection, "SELECT epoch_ms(first_at), epoch_ms(last_at), last_value, last_text FROM tag")

    assert seen == [(T0 + 5, T0 + 5, 1.0, None), (T0, T0 + 5, 1.0, None), *[(T0, T0 + 9, None, "off")] * 2]


# ---------------------------------------------------------------- merging


def part(
    part_id: int, *, level: int = 0, day: date | None = None, first: date = date(2026, 3, 2), row_count: int = 1
) -> Part:
    """A part that begins on a day."""
    first_us = (first - date(1970, 1, 1)).days * 86_400_000_000
    return Part(
        part_id=part_id,
        content="value",
        level=level,
        day=day,
        row_count=row_count,
        bytes=1,
        first_us=first_us,
        last_us=first_us + 1,
    )


TODAY = date(2026, 3, 2)
YESTERDAY = TODAY - timedelta(days=1)


@pytest.mark.parametrize(
    ("parts", "due"),
    [
        ([], []),
        ([part(i) for i in range(3)], []),
        ([part(i) for i in range(4)], [0, 1, 2, 3]),
        ([part(i, level=i % 2) for i in range(6)], []),
        ([part(i, level=i % 2) for i in range(8)], [0, 2, 4, 6]),
        ([part(0), part(1, first=TODAY - timedelta(days=1))], [1]),
        ([part(0, first=YESTERDAY), part(1, day=YESTERDAY, row_count=9)], []),
        ([part(0, first=YESTERDAY), part(1, day=YESTERDAY, row_count=8)], [0]),
    ],
    ids=[
        "none",
        "few",
        "enough of a level",
        "few of each level",
        "lowest level first",
        "closed day",
        "late for a day",
        "much for a day",
    ],
)
def test_parts_are_merged_when_there_is_something_to_gain(parts: list[Part], due: list[int]) -> None:
    assert [one.part_id for one in due_parts(parts, closed_before=TODAY, together=4)] == due


def test_a_day_closes_an_hour_after_its_end() -> None:
    # 2026-03-02T00:00Z is 20,514 days after 1970.
    midnight_us = 20_514 * 86_400_000_000

    assert closed_before(midnight_us + 3_599_999_999) == date(2026, 3, 1)
    assert closed_before(midnight_us + 3_600_000_000) == date(2026, 3, 2)
    assert closed_before(None) == date.min


def test_closed_days_become_one_file_each_and_late_samples_still_get_there(
    store: Store, mill: Mill, tmp_path: Path
) -> None:
    writer = Writer(store, mill)
    for at_ms in range(T0, T0 + 3 * DAY_MS, 90 * MINUTE):
        writer.commit(batch(minute(at_ms)))
        publish(store, mill, now_ms=at_ms, layout=FEW)
    for i in range(8):
        writer.commit(batch(scan(T0 + DAY_MS + i, {"late": 1.0}), scan(T0 + 3 * DAY_MS + i, {"a": 1.0})))
        publish(store, mill, now_ms=T0 + 3 * DAY_MS, layout=FEW)

    # A scan of four numbers each 90 min, from 02:00 on the first day: 15, 16 and 16 of them; the fourth day is open.
    # What came late for the second day is in its file as soon as four parts were merged again.
    query = "SELECT row_count FROM base.part WHERE content = 'value' AND day IS NOT NULL ORDER BY day"
    first, second, third = [count for (count,) in rows(store.connection, query)]
    assert (first, third) == (15 * 4, 16 * 4)
    assert 16 * 4 + 4 <= second <= 16 * 4 + 8
    assert len(store.parts()) < 20
    assert published_samples(tmp_path) == samples(store.connection)
    assert len(samples(store.connection)) == 48 * 5 + 16
    assert store.inconsistencies() == []


def test_a_long_stream_that_is_loaded_goes_to_files_of_its_days_at_once(store: Store, mill: Mill) -> None:
    step_ms = DAY_MS // 1_000
    scans = [scan(T0 + i * step_ms, {f"t{j}": float(j) for j in range(12)}) for i in range(3_000)]
    Writer(store, mill).commit(batch(*scans))

    publish(store, mill, now_ms=NOW_MS)

    # 22 h of the first day and two hours of the fourth: 917 scans at 86.4 s are the most that begin within 22 h.
    found = [(one.day, one.row_count) for one in store.parts()]
    assert found == [
        (date(2026, 3, 1), 917 * 12),
        (date(2026, 3, 2), 1_000 * 12),
        (date(2026, 3, 3), 1_000 * 12),
        (None, 83 * 12),
    ]


def test_files_that_are_no_longer_named_stay_for_the_grace_period(store: Store, mill: Mill, tmp_path: Path) -> None:
    writer = Writer(store, mill)
    for i in range(4):
        writer.commit(batch(scan(T0 + i, {"a": float(i)})))
        publish(store, mill, now_ms=NOW_MS, layout=FEW)
    merged = files(tmp_path)

    publish(store, mill, now_ms=NOW_MS + 900_000, layout=FEW)
    at_the_end = files(tmp_path)
    publish(store, mill, now_ms=NOW_MS + 900_001, layout=FEW)

    assert merged == at_the_end == [f"value-{i:08d}.parquet" for i in range(1, 6)]
    assert files(tmp_path) == ["value-00000005.parquet"]
    assert len(published_samples(tmp_path)) == 4


def test_a_query_that_began_before_a_merge_ends_after_it(store: Store, mill: Mill, tmp_path: Path) -> None:
    writer = Writer(store, mill)
    for i in range(3):
        writer.commit(batch(scan(T0 + i, {"a": float(i)})))
        publish(store, mill, now_ms=NOW_MS, layout=FEW)

    with duckdb.connect(tmp_path / "store" / "published.duckdb", read_only=True) as reader:
        before = samples(reader)
        writer.commit(batch(scan(T0 + 3, {"a": 3.0})))
        publish(store, mill, now_ms=NOW_MS, layout=FEW)

        assert samples(reader) == before
    assert len(published_samples(tmp_path)) == len(before) + 1


# ---------------------------------------------------------------- a reader at work meanwhile

READER = """
    import json, sys, time
    from pathlib import Path
    import duckdb
    path, stop = Path(sys.argv[1]), Path(sys.argv[2])
    seen = []
    def opened():
        # DuckDB reads the header by one opening of the file and all else by the next: where another file comes in
        # between it looks torn. One that is torn in truth stays so for longer than it takes to look again.
        try:
            return duckdb.connect(path, read_only=True)
        except duckdb.IOException:
            return duckdb.connect(path, read_only=True)
    print("ready", flush=True)
    while not stop.exists():
        with opened() as connection:
            seen.append(connection.execute(
                "SELECT count(*), count(DISTINCT sampled_at), (SELECT count(*) FROM sample_text) FROM sample"
            ).fetchone())
    print(json.dumps(seen))
"""


@pytest.mark.slow
def test_a_reader_sees_whole_commits_and_never_less_than_before(store: Store, mill: Mill, tmp_path: Path) -> None:
    stop = tmp_path / "stop"
    publish(store, mill, now_ms=NOW_MS)
    command = [sys.executable, "-c", textwrap.dedent(READER), str(tmp_path / "store" / "published.duckdb"), str(stop)]
    writer = Writer(store, mill)
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as reader:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "ready\n"
        until_s = time.monotonic() + 8
        count = 0
        while time.monotonic() < until_s:
            writer.commit(batch(*(minute(T0 + i * MINUTE) for i in range(count, count + 50))))
            count += 50
            publish(store, mill, now_ms=NOW_MS + count, layout=FEW)
        stop.touch()
        seen = json.loads(reader.stdout.readline())

    assert len(seen) > 3
    for numbers, times, texts in seen:
        assert numbers == 4 * times == 4 * texts
        assert times % 50 == 0
    assert [times for _, times, _ in seen] == sorted(times for _, times, _ in seen)


# ---------------------------------------------------------------- killed in between


def run_until_killed(folder: Path, steps: int) -> tuple[int, str]:
    """How many turns were committed when the process was killed after so many steps, and at which step that was."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.killed"])
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=write_and_publish, args=(folder, steps, there))
    process.start()
    there.close()
    committed, said = 0, None
    while not isinstance(said, str):
        said = here.recv()
        committed += isinstance(said, int)
    process.join()
    assert process.exitcode == (0 if said == "done" else -signal.SIGKILL)
    return committed, said


@pytest.mark.crash
@pytest.mark.slow
def test_killed_between_any_two_steps_nothing_is_lost_and_nothing_doubled(tmp_path: Path, mill: Mill) -> None:
    names = set()
    for steps in itertools.count():
        folder = tmp_path / str(steps)
        folder.mkdir()
        opened(folder, mill=mill).close()
        committed, name = run_until_killed(folder, steps)
        names.add(name)

        if (folder / "store" / "published.duckdb").exists():
            assert published_samples(folder) in (after_turns(committed), after_turns(committed - 1))
        with opened(folder) as store:
            assert samples(store.connection) == after_turns(committed), name
            assert store.inconsistencies() == []
            publish(store, mill, now_ms=NOW_MS + 1, layout=LAYOUT)
            assert samples(store.connection) == published_samples(folder) == after_turns(committed)
            assert {path.name for path in store.folder.joinpath("parts").iterdir()} >= {
                f"{one.content}-{one.part_id:08d}.parquet" for one in store.parts()
            }
        if name == "done":
            break

    assert names == {
        "commit begins", "value parts written", "text parts written", "parts listed", "corrected parts written",
        "corrected parts listed", "merged value parts written", "merged value parts listed",
        "merged text parts written", "merged text parts listed", "reader's file filled", "reader's file in place",
        "retired parts deleted", "done",
    }  # fmt: skip
