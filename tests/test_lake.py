"""The lake gets whatever it lacks and no more, whole files only, from one writer a machine and time."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import msgspec
import pytest

from analysis.fleet.catalogue import NoLake, TornLake, read_catalogue
from analysis.fleet.opening import open_lake
from collector.fact import State
from collector.lake import Copying, LakeFault, LakeRefused, copy_round, make_lake
from collector.lake.checking import check_lake
from collector.lake.handover import take_over
from collector.message import Scan
from collector.publish import publish
from collector.settings import Mill
from collector.settings.model.service import LakeSettings
from collector.store import Store
from collector.writer import Writer
from tests.mills import readable_mill
from tests.servers import wait_until
from tests.stored import DAY_MS, MINUTE, NOW_MS, T0, batch, closing, downtime_id, note, opened, opening, scan, states

LATER = NOW_MS + DAY_MS
"""When most rounds take place: what is stored lies around it, so that the clock alone closes no day."""


@dataclass
class Collector:
    """A store that copies to the lake under a name."""

    folder: Path
    mill: Mill
    store: Store

    def keep(self, *scans: Scan, facts: tuple = (), context: tuple = ()) -> Collector:  # type: ignore[type-arg]
        """Commit and publish."""
        Writer(self.store, self.mill).commit(batch(*scans, facts=facts, context=context))
        publish(self.store, self.mill, now_ms=NOW_MS)
        return self

    def copy(self, now_ms: int = LATER) -> tuple[int, list[str]]:
        """A round; gives how many files were new, and the troubles."""
        done = copy_round(self.mill, now_ms=now_ms)
        return done.files, done.troubles


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    make_lake(tmp_path / "lake")
    return tmp_path / "lake"


@pytest.fixture
def one(tmp_path: Path, lake: Path) -> Iterator[Collector]:
    with collector(tmp_path / "one", lake, "one") as made:
        yield made


@pytest.fixture
def other(tmp_path: Path, lake: Path) -> Iterator[Collector]:
    with collector(tmp_path / "other", lake, "other") as made:
        yield made


class collector:
    """A collector with a store of its own, for a ``with``."""

    def __init__(self, folder: Path, lake: Path, writer: str) -> None:
        folder.mkdir(exist_ok=True)
        mill = readable_mill()
        mill = mill.model_copy(
            update={
                "store": mill.store.model_copy(update={"folder": folder / "store"}),
                "lake": LakeSettings(folder=lake, writer=writer),
            }
        )
        self._made = Collector(folder, mill, opened(folder, mill=mill))

    def __enter__(self) -> Collector:
        return self._made

    def __exit__(self, *_: object) -> None:
        self._made.store.close()


def days(first: int, last: int, **values: float) -> list[Scan]:
    """Scans each six hours of some days after the first day."""
    return [
        scan(at_ms, {**values} or {"a": at_ms / 1e3 % 97, "b": 1.0})
        for at_ms in range(T0 + first * DAY_MS, T0 + last * DAY_MS, DAY_MS // 4)
    ]


def in_lake(lake: Path, query: str) -> list[tuple]:  # type: ignore[type-arg]
    """The rows of a query over the lake."""
    with open_lake(lake) as fleet:
        return fleet.connection.execute(query).fetchall()


COUNTED = "SELECT machine, tag, epoch_ms(sampled_at), value, flags FROM sample ORDER BY ALL"


def stored(some: Collector, *, before_ms: int) -> list[tuple]:  # type: ignore[type-arg]
    """The samples of a store before a time, as ``COUNTED`` gives those of the lake."""
    query = COUNTED.replace("FROM sample", f"FROM sample WHERE epoch_ms(sampled_at) < {before_ms}")
    return some.store.connection.execute(query).fetchall()


def midnight(number: int) -> int:
    """Of a day after the first. [ms]"""
    return T0 - T0 % DAY_MS + number * DAY_MS


def test_closed_days_are_in_the_lake_and_the_open_one_is_not(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3))

    one.copy()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2)) != []
    assert in_lake(lake, "SELECT DISTINCT mill, machine, day FROM sample ORDER BY ALL") == [
        ("Ellerholm", "pm2", datetime(2026, 3, 1).date()),
        ("Ellerholm", "pm2", datetime(2026, 3, 2).date()),
    ]
    assert check_lake(lake).faults == []


def test_a_second_round_without_news_writes_nothing(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3)).copy()
    before = {path: path.stat().st_mtime_ns for path in lake.rglob("*") if path.is_file()}

    assert one.copy() == (0, [])

    assert {path: path.stat().st_mtime_ns for path in lake.rglob("*") if path.is_file()} == before


def test_a_late_sample_makes_its_day_anew_and_only_its_day(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 4)).copy()
    before = {path.name for path in lake.glob("sample/**/*.parquet")}

    one.keep(scan(T0 + 5 * MINUTE, {"late": 7.5}, heard_ms=T0 + 4 * DAY_MS)).copy()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(3))
    assert in_lake(lake, "SELECT value FROM sample WHERE tag = 'late'") == [(7.5,)]
    assert len({path.name for path in lake.glob("sample/**/*.parquet")} - before) == 1


def test_a_value_that_is_replaced_in_a_closed_day_is_replaced_in_the_lake(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3, a=1.0)).copy()

    one.keep(scan(T0, {"a": 2.0}, heard_ms=T0 + 3 * DAY_MS)).copy()

    assert in_lake(lake, f"SELECT value FROM sample WHERE epoch_ms(sampled_at) = {T0}") == [(2.0,)]
    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


def test_a_downtime_is_in_the_lake_as_the_crew_has_it_now(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 1), facts=(opening(T0), closing(T0, T0 + 20 * MINUTE))).copy()
    assert in_lake(lake, "SELECT mill, lost_s, cause FROM sheet_break") == [("Ellerholm", 1200.0, None)]

    one.keep(context=(note("n1", downtime=downtime_id(T0), cause="PR-FLT", certainty="likely"),)).copy()

    assert in_lake(lake, "SELECT mill, lost_s, cause FROM sheet_break") == [("Ellerholm", 1200.0, "PR-FLT")]


def test_every_view_has_the_columns_and_comments_of_the_published_store(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    query = (
        "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND NOT internal AND table_name NOT IN ('lake_file', 'configuration', "
        "'rejected_message', 'numbered_sample') AND column_name NOT IN ('mill', 'writer', 'tag_id') "
        "AND NOT (column_name = 'day' AND table_name IN ('sample', 'sample_text')) ORDER BY ALL"
    )

    there = in_lake(lake, query)

    assert there == one.store.connection.execute(query).fetchall() != []


def test_a_folder_that_is_no_lake_is_not_made_one(one: Collector, tmp_path: Path) -> None:
    one.mill = one.mill.model_copy(update={"lake": LakeSettings(folder=tmp_path / "unmounted", writer="one")})
    (tmp_path / "unmounted").mkdir()
    one.keep(*days(0, 2))

    with pytest.raises(LakeFault, match="is no lake: mount it, or make it one once with 'breakhorn lake make'"):
        one.copy()

    assert list((tmp_path / "unmounted").iterdir()) == []
    with pytest.raises(NoLake, match="is no lake"):
        read_catalogue(tmp_path / "unmounted")


def test_making_a_lake_twice_keeps_the_one_that_is_there(lake: Path) -> None:
    before = (lake / "lake.json").read_bytes()

    make_lake(lake)

    assert (lake / "lake.json").read_bytes() == before


def test_what_is_half_written_or_lies_there_by_chance_is_not_counted(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3)).copy()
    expected = in_lake(lake, COUNTED)
    file = next(iter(lake.glob("sample/**/*.parquet")))
    (file.parent / "copy.parquet").write_bytes(file.read_bytes())
    (file.parent / "one-0123456789abcdef.parquet").write_bytes(file.read_bytes()[:100])

    assert in_lake(lake, COUNTED) == expected


def test_a_torn_manifest_is_refused_by_readers_and_made_anew_by_its_writer(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3)).copy()
    (manifest,) = lake.glob("manifest/*/*/machine=pm2,year=2026.jsonl")
    manifest.write_bytes(manifest.read_bytes()[:-20])

    with pytest.raises(TornLake, match="is not whole"), open_lake(lake):
        pass
    one.keep(scan(T0 + 5 * MINUTE, {"a": 3.0}, heard_ms=T0 + 4 * DAY_MS))
    with pytest.raises(LakeFault, match="is torn: remove it"):
        one.copy()

    manifest.unlink()
    one.copy()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


@pytest.mark.parametrize("damage", [b"", b'{"writer": "o', b"{}", b"\xff"])
def test_a_damaged_writers_card_is_told_with_the_way_out_and_costs_nothing(
    one: Collector, lake: Path, damage: bytes
) -> None:
    one.keep(*days(0, 3)).copy()
    (card,) = lake.glob("manifest/*/writer=one/writer.json")
    card.write_bytes(damage)

    with pytest.raises(LakeFault, match=r"writer.json is damaged .*: remove it; nothing is lost"):
        one.copy()
    (fault,) = check_lake(lake).faults
    card.unlink()
    one.copy()

    assert f"{card} is damaged" in fault
    assert check_lake(lake).faults == []
    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


def test_a_reader_of_an_earlier_manifest_still_finds_its_files_for_a_day(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3, a=1.0)).copy()
    with open_lake(lake) as early:
        one.keep(scan(T0, {"a": 2.0}, heard_ms=T0 + 3 * DAY_MS)).copy()

        assert early.connection.execute(f"SELECT value FROM sample WHERE epoch_ms(sampled_at) = {T0}").fetchall() == [
            (1.0,)
        ]
    named = len(list(lake.glob("sample/*/*/day=2026-03-01/*")))

    one.copy(LATER + DAY_MS + 1)

    assert (named, len(list(lake.glob("sample/*/*/day=2026-03-01/*")))) == (2, 1)
    assert check_lake(lake).faults == []


def test_a_file_that_is_gone_from_the_lake_is_found_and_copied_again(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3)).copy()
    gone = next(iter(lake.glob("sample/**/*.parquet")))
    gone.unlink()

    (fault,) = check_lake(lake).faults
    (ledger,) = lake.glob("manifest/*/writer=one/days.json")
    ledger.unlink()
    one.copy()

    assert "No such file or directory; remove it and manifest/mill=Ellerholm/writer=one/days.json" in fault
    assert check_lake(lake).faults == []
    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


def test_a_store_with_the_name_of_another_is_refused(one: Collector, tmp_path: Path, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    with collector(tmp_path / "twin", lake, "one") as twin:
        twin.keep(*days(0, 2, a=5.0))

        with pytest.raises(LakeRefused, match=r"another store writes to the lake as 'one'.*name of its own"):
            twin.copy()

    assert in_lake(lake, "SELECT count(*) FROM sample WHERE value = 5") == [(0,)]


def test_a_writer_that_takes_the_mill_for_one_in_another_zone_is_refused(
    one: Collector, tmp_path: Path, lake: Path
) -> None:
    one.keep(*days(0, 2)).copy()
    (path,) = lake.glob("manifest/*/writer=one/writer.json")
    said = msgspec.json.decode(path.read_bytes())
    path.write_bytes(msgspec.json.encode(said | {"time_zone": "Europe/Oslo"}))
    with collector(tmp_path / "two", lake, "two") as two:
        two.keep(*days(0, 2))

        with pytest.raises(LakeRefused, match="'one' says of the mill 'Ellerholm': Europe/Oslo"):
            two.copy()


HANDED_MS = midnight(2) + 10 * 3_600_000


def test_a_machine_that_two_write_is_refused_until_somebody_says_whose_it_is(
    one: Collector, other: Collector, lake: Path
) -> None:
    one.keep(*days(0, 3, a=1.0)).copy()

    files, troubles = other.keep(*days(2, 6, a=2.0)).copy()

    assert files > 0, "what belongs to no machine is copied all the same"
    assert len(troubles) == 1
    assert "pm2 is in the lake already, written by 'one'" in troubles[0]
    assert "breakhorn lake take pm2" in troubles[0]
    assert in_lake(lake, "SELECT count(*) FROM sample WHERE value = 2") == [(0,)]


def test_a_machine_that_moved_in_the_midst_of_a_day_is_there_once_without_a_gap(
    one: Collector, other: Collector, lake: Path
) -> None:
    """Both received it from 08:00 to 12:00 of the day, and the handover is said to have been at 10:00."""
    hour = 3_600_000
    everything = [scan(at_ms, {"a": at_ms / 1e3 % 89}) for at_ms in range(midnight(0), midnight(5), hour)]
    before = [s for s in everything if s.at_ms < HANDED_MS + 2 * hour]
    after = [s for s in everything if s.at_ms >= HANDED_MS - 2 * hour]
    broken_ms, back_ms = HANDED_MS - hour, HANDED_MS + hour // 2
    one.keep(
        *before,
        facts=(
            *states((midnight(0), State.ON_REEL), (broken_ms, State.DOWN)),
            opening(broken_ms),
        ),
    ).copy()
    other.keep(
        *after,
        facts=(
            *states((HANDED_MS - 2 * hour, State.DOWN), (back_ms, State.ON_REEL)),
            opening(HANDED_MS - 2 * hour),
            closing(HANDED_MS - 2 * hour, back_ms),
        ),
    )

    take_over(other.mill, "pm2", from_at=datetime.fromtimestamp(HANDED_MS / 1e3, UTC), now_ms=LATER)
    assert other.copy(midnight(6))[1] == []
    one.copy(midnight(4))

    last_ms = midnight(5)
    assert in_lake(lake, COUNTED) == [("pm2", "a", s.at_ms, s.values["a"], 0) for s in everything if s.at_ms < last_ms]
    assert in_lake(
        lake, "SELECT state, epoch_ms(started_at), epoch_ms(ended_at) FROM machine_state ORDER BY started_at"
    ) == [
        ("on_reel", midnight(0), broken_ms),
        ("down", broken_ms, HANDED_MS),
        ("down", HANDED_MS, back_ms),
        ("on_reel", back_ms, None),
    ]
    # 60 min that one saw begin and not end, 30 min that the other saw end: 90 min lost in all.
    assert in_lake(lake, "SELECT kind, lost_s, start_uncertain, end_uncertain FROM downtime ORDER BY started_at") == [
        ("break", 3600.0, False, True),
        ("unknown", 1800.0, True, False),
    ]


def test_by_itself_a_handover_begins_with_the_first_data_of_the_new_store(
    one: Collector, other: Collector, lake: Path
) -> None:
    one.keep(*days(0, 2, a=1.0)).copy()
    other.keep(*days(2, 5, a=2.0))

    said = take_over(other.mill, "pm2", from_at=None, now_ms=LATER)
    other.copy()

    assert [(line.writer, line.from_at) for line in said] == [
        ("one", None),
        ("other", datetime.fromtimestamp((T0 + 2 * DAY_MS) / 1e3, UTC).isoformat()),
    ]
    # Of the first store the last day is still open: it is in the lake once its data go on or it is told to end.
    assert in_lake(lake, "SELECT count(*) FILTER (value = 1), count(*) FILTER (value = 2) FROM sample") == [(4, 8)]


def test_a_handover_before_the_last_one_is_refused(one: Collector, other: Collector) -> None:
    one.keep(*days(0, 2)).copy()
    other.keep(*days(1, 4))
    take_over(other.mill, "pm2", from_at=None, now_ms=LATER)

    with pytest.raises(LakeRefused, match=r"was handed to 'other' at .*: name a later time"):
        take_over(one.mill, "pm2", from_at=datetime(2026, 3, 1, tzinfo=UTC), now_ms=LATER)


def test_a_collector_that_still_gets_a_machine_it_handed_over_says_so(one: Collector, other: Collector) -> None:
    one.keep(*days(0, 2)).copy()
    other.keep(*days(2, 5))
    take_over(other.mill, "pm2", from_at=None, now_ms=LATER)

    _, troubles = one.keep(*days(2, 6)).copy()

    assert len(troubles) == 1
    assert "its data still come here and are not copied: take it out of this mill.toml" in troubles[0]


def test_a_lake_written_before_a_column_was_has_null_there(one: Collector, lake: Path) -> None:
    """As an older version would have written it: downtime files without ``absorbed``."""
    one.keep(*days(0, 1), facts=(opening(T0), closing(T0, T0 + MINUTE))).copy()
    make_older(lake, "downtime", "absorbed")

    assert in_lake(lake, "SELECT lost_s, absorbed FROM downtime") == [(60.0, None)]


def make_older(lake: Path, table: str, column: str) -> None:
    """Write a table's files again without a column, and their manifest."""
    from collector.lake.manifest import Manifest, decoded  # noqa: PLC0415

    (path,) = lake.glob("manifest/*/*/machine=pm2,year=2026.jsonl")
    head, files = decoded(path.read_bytes(), "")
    changed = []
    for file in files:
        if file.table == table:
            old = lake / file.path
            new = old.with_name("one-older.parquet")
            duckdb.execute(f"COPY (SELECT * EXCLUDE ({column}) FROM '{old}') TO '{new}'")
            columns = ",".join(name for name in file.columns.split(",") if name != column)
            file = msgspec.structs.replace(file, path=str(new.relative_to(lake)), columns=columns)
        changed.append(file)
    path.write_bytes(Manifest("", head, changed).encoded())


def test_a_newer_layout_is_refused_by_readers_and_writers(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    (lake / "lake.json").write_bytes(msgspec.json.encode({"lake_version": 2, "lake_id": "x"}))

    with pytest.raises(LakeFault, match="has layout 2, this Breakhorn knows 1: update it here first"):
        one.copy()
    with pytest.raises(TornLake, match="has layout 2"):
        read_catalogue(lake)


def _copy_and_die(mill: Mill, step: str, number: int) -> None:
    seen = 0

    def stop(name: str) -> None:
        nonlocal seen
        seen += name == step
        if seen == number:
            os.kill(os.getpid(), signal.SIGKILL)

    copy_round(mill, now_ms=LATER, step=stop)


@pytest.mark.crash
@pytest.mark.parametrize(("step", "number"), [("sample put", 3), ("manifests put", 1)])
def test_a_copy_that_is_killed_anywhere_ends_in_the_same_lake(
    one: Collector, lake: Path, step: str, number: int
) -> None:
    one.keep(*days(0, 5))
    killed = multiprocessing.get_context("spawn").Process(target=_copy_and_die, args=(one.mill, step, number))
    killed.start()
    killed.join(60)
    assert killed.exitcode == -signal.SIGKILL
    if list(lake.glob("manifest/*/*/mill.jsonl")):
        assert set(in_lake(lake, COUNTED)) <= set(stored(one, before_ms=midnight(4)))

    one.copy()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(4))
    assert check_lake(lake).faults == []
    assert list((lake / ".writing").rglob("*.parquet")) == []


def test_readers_never_see_anything_but_a_whole_state_while_days_are_written_anew(one: Collector, lake: Path) -> None:
    """Every value of a machine's days is raised by one again and again: whoever reads sees one value, and every row."""
    mine = days(0, 3)
    one.keep(*mine, *[scan(s.at_ms, {"n": 0.0}) for s in mine]).copy()
    rows = in_lake(lake, "SELECT count(*) FROM sample WHERE tag = 'n'")
    seen = set()

    for number in (1, 2):
        changed = [scan(s.at_ms, {"n": float(number)}, heard_ms=T0 + 3 * DAY_MS) for s in mine]
        one.keep(*changed)
        during: list[list[tuple[float, int]]] = []

        def look(_: str, during: list[list[tuple[float, int]]] = during) -> None:
            during.append(in_lake(lake, "SELECT value, count(*) FROM sample WHERE tag = 'n' GROUP BY ALL"))

        copy_round(one.mill, now_ms=LATER, step=look)
        assert all(len(found) == 1 and found[0][1] == rows[0][0] for found in during)
        seen |= {found[0][0] for found in during}

    assert seen == {0.0, 1.0, 2.0}


def test_the_thread_beside_the_writer_copies_and_says_what_is_wrong(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3))
    copying = Copying(one.mill)
    moved = lake.with_name("moved")
    lake.rename(moved)
    try:
        copying.turn(now_ms=LATER)
        wait_until(lambda: copying.idle, what="the end of the round")
        assert copying.state is not None
        assert "is no lake: mount it" in (copying.state.trouble or "")
        assert copying.state.failed == 1

        moved.rename(lake)
        copying.turn(now_ms=LATER + 1_000)
        assert copying.idle, "not again at once: it is not due"
        copying.turn(now_ms=LATER + 1_000_000)
        wait_until(lambda: copying.idle, what="the end of the round")
        assert copying.state.trouble is None
        assert copying.state.copied_ms == LATER + 1_000_000
    finally:
        copying.stop()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


def test_a_full_or_read_only_lake_is_a_fault_and_caught_up_later(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 3))
    in_the_way = lake / "sample"
    in_the_way.write_text("a file where a folder should be")

    with pytest.raises(LakeFault, match="look at the lake's disk, rights and mount"):
        one.copy()
    in_the_way.unlink()
    one.copy()

    assert in_lake(lake, COUNTED) == stored(one, before_ms=midnight(2))


def forged(lake: Path, of: str, said: dict[str, str]) -> None:
    """Have a manifest say something else of a table's files, with the digest that belongs to it."""
    for path in lake.glob("manifest/*/*/*.jsonl"):
        first, _, lines = path.read_bytes().partition(b"\n")
        files = [msgspec.json.decode(line) for line in lines.splitlines()]
        changed = [file | said if file["table"] == of else file for file in files]
        lines = b"".join(msgspec.json.encode(file) + b"\n" for file in changed)
        head = msgspec.json.decode(first) | {"digest": hashlib.sha256(lines).hexdigest()}
        path.write_bytes(msgspec.json.encode(head) + b"\n" + lines)


HARM = "1') ; COPY (SELECT 1) TO 'harm'; --"


def test_a_manifest_that_leads_out_of_the_lake_or_into_sql_is_refused(one: Collector, lake: Path) -> None:
    """Who may write to a lake is not who reads it, and reads with rights of their own."""
    one.keep(*days(0, 2)).copy()
    paths = ("../../other/tag.parquet", "/other/tag.parquet", "tag/*.parquet", "tag/./tag.parquet", "tag/t.parquet\n")
    kept = {path: path.read_bytes() for path in lake.glob("manifest/*/*/*.jsonl")}

    for said in [{"path": path} for path in paths] + [
        {key: HARM} for key in ("written_at", "first_at", "last_at", "time", "until", "table", "day")
    ]:
        forged(lake, "tag", said)
        with pytest.raises(TornLake), open_lake(lake):
            pass
        for path, content in kept.items():
            path.write_bytes(content)

    with open_lake(lake) as fleet:
        assert fleet.connection.execute("SELECT count(*) > 0 FROM tag").fetchone() == (True,)


def test_a_dictionary_that_would_run_as_sql_is_refused_and_could_reach_nothing(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    (path,) = lake.glob("dictionary/**/*.parquet")
    harm = lake.parent / "harm"
    text = f"VARCHAR AS x WHERE FALSE; COPY (SELECT 1) TO '{harm}'; --".replace("'", "''")

    for column in ("data_type", "column_name"):
        with duckdb.connect() as there:
            there.execute(f"CREATE TABLE said AS SELECT * REPLACE ('{text}' AS {column}) FROM read_parquet('{path}')")
            there.execute(f"COPY said TO '{path}' (FORMAT parquet)")
        with pytest.raises(TornLake), open_lake(lake):
            pass

    assert not harm.exists()


def test_a_handover_that_would_run_as_sql_is_refused(one: Collector, other: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    other.keep(*days(1, 3))
    take_over(other.mill, "pm2", from_at=None, now_ms=LATER)
    (path,) = lake.glob("tenure/*/*.jsonl")
    first, last = path.read_bytes().splitlines()

    path.write_bytes(first + b"\n" + msgspec.json.encode(msgspec.json.decode(last) | {"from_at": HARM}) + b"\n")

    with pytest.raises(TornLake), open_lake(lake):
        pass


def test_nothing_outside_the_lake_is_deleted_whatever_a_manifest_lets_go_of(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    theirs = lake.parent / "theirs.parquet"
    theirs.touch()
    for path in lake.glob("manifest/*/*/*.jsonl"):
        first, _, lines = path.read_bytes().partition(b"\n")
        head = msgspec.json.decode(first) | {"retired": [["../theirs.parquet", "2020-01-01T00:00:00+00:00"]]}
        path.write_bytes(msgspec.json.encode(head) + b"\n" + lines)

    with pytest.raises(LakeFault, match="is no manifest"):
        one.keep(*days(2, 4)).copy()

    assert theirs.exists()


def test_a_link_that_leads_out_of_the_lake_is_not_followed(one: Collector, lake: Path) -> None:
    one.keep(*days(0, 2)).copy()
    theirs = lake.parent / "theirs.parquet"
    path = next(lake.glob("tag/**/*.parquet"))
    path.rename(theirs)
    path.symlink_to(theirs)

    with pytest.raises(duckdb.PermissionException), open_lake(lake):
        pass
