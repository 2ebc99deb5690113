"""Opening a store, and what it says when it cannot be opened."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from collector.publish import publish
from collector.store import (
    Store,
    StoreConflict,
    StoreDamaged,
    StoreDead,
    StoreError,
    StoreFull,
    StoreHeld,
    StoreNewer,
    StoreReadOnly,
)
from collector.store.error import file_error, store_error
from collector.store.schema import Migration, bring_up_to_date, migrations, schema_version, sql_text
from collector.writer import Writer
from tests.mills import readable_mill
from tests.stored import DAY_MS, NOW_MS, T0, batch, opened, rows, samples, scan

ROOT = Path(__file__).parent.parent


def run(script: str, folder: Path, *, before: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    """Run a script in a process of its own, with a folder for its argument.

    From a file: DuckDB takes ``python -c`` for a person at work, and shows the progress of what lasts longer than 2 s.
    """
    file = folder / "script.py"
    file.write_text(textwrap.dedent(script))
    return subprocess.run(
        [*before, sys.executable, str(file), str(folder)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


# ---------------------------------------------------------------- making and reopening


def test_a_folder_without_a_store_gets_one(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a" / "b", readable_mill(), now_ms=NOW_MS) as store:
        found = rows(store.connection, "SELECT version, epoch_ms(applied_at) FROM base.schema_version")

    assert found == [(migrations()[-1].version, NOW_MS)]
    assert sorted(path.name for path in (tmp_path / "a" / "b").iterdir()) == ["collector.duckdb", "parts"]


def test_what_was_committed_is_there_after_reopening(tmp_path: Path) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 780.0})))
        before = samples(store.connection)

    with opened(tmp_path) as store:
        assert samples(store.connection) == before != {}


def test_a_store_that_was_moved_still_finds_its_parts(tmp_path: Path) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 780.0})))
        publish(store, mill, now_ms=NOW_MS)
        before = samples(store.connection)
    (tmp_path / "store").rename(tmp_path / "elsewhere")

    with Store.open(tmp_path / "elsewhere", mill, now_ms=NOW_MS) as store:
        assert samples(store.connection) == before != {}


def test_schema_and_migrations_meet() -> None:
    # What the catalogue says of every table: both ways of making them must agree in all of it.
    query = (
        "SELECT table_name, column_name, data_type, is_nullable, column_default FROM duckdb_columns() "
        "WHERE schema_name = 'base' ORDER BY ALL",
        "SELECT table_name, constraint_type, constraint_text FROM duckdb_constraints() "
        "WHERE schema_name = 'base' ORDER BY ALL",
        "SELECT * FROM base.next_part",
    )
    with duckdb.connect() as at_once, duckdb.connect() as in_steps:
        at_once.execute(sql_text("schema.sql"))
        for step in migrations():
            in_steps.execute(step.text)

        for one in query:
            assert rows(at_once, one) == rows(in_steps, one)


def test_migrations_are_numbered_without_a_gap() -> None:
    steps = migrations()

    assert [step.version for step in steps] == list(range(1, len(steps) + 1))


def later(text: str) -> list[Migration]:
    """The migrations of a version to come."""
    steps = migrations()
    return [*steps, Migration(version=steps[-1].version + 1, name="add_tail_width", text=text)]


def test_an_older_store_is_migrated_and_keeps_its_rows() -> None:
    with duckdb.connect() as connection:
        bring_up_to_date(connection, now_ms=NOW_MS)
        connection.execute("INSERT INTO base.lab VALUES (1, 'pm2', now(), now(), 'moisture', 5.1, '%', NULL, false)")

        bring_up_to_date(connection, now_ms=NOW_MS, steps=later("ALTER TABLE base.lab ADD COLUMN tail_width_m DOUBLE"))

        assert rows(connection, "SELECT value, tail_width_m FROM base.lab") == [(5.1, None)]
        assert schema_version(connection) == migrations()[-1].version + 1


def test_a_migration_that_fails_changes_nothing() -> None:
    text = "ALTER TABLE base.lab ADD COLUMN tail_width_m DOUBLE; SELECT no_such_thing;"
    with duckdb.connect() as connection:
        bring_up_to_date(connection, now_ms=NOW_MS)

        with pytest.raises(duckdb.BinderException):
            bring_up_to_date(connection, now_ms=NOW_MS, steps=later(text))

        assert schema_version(connection) == migrations()[-1].version
        assert rows(connection, "SELECT 1 FROM duckdb_columns() WHERE column_name = 'tail_width_m'") == []


def test_views_of_an_earlier_version_are_made_anew(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.connection.execute("CREATE VIEW main.of_old AS SELECT 1 AS one; CREATE OR REPLACE VIEW mill AS SELECT 2")
        store.connection.execute("UPDATE base.view_text SET digest = 'another'")

    with opened(tmp_path) as store:
        assert rows(store.connection, "SELECT name FROM mill") == [("Ellerholm",)]
        assert rows(store.connection, "SELECT 1 FROM duckdb_views() WHERE view_name = 'of_old'") == []


# ---------------------------------------------------------------- what keeps it from being opened


def test_a_store_held_by_another_process_names_it(tmp_path: Path) -> None:
    with opened(tmp_path):
        pid = os.getpid()

        done = run(
            """
            import sys
            from pathlib import Path
            from collector.store import Store, StoreHeld
            from tests.mills import readable_mill
            try:
                Store.open(Path(sys.argv[1]) / "store", readable_mill(), now_ms=0)
            except StoreHeld as error:
                print(error)
            """,
            tmp_path,
        )

    assert f"held by another collector (process {pid})" in done.stdout, done.stderr
    assert "stop it" in done.stdout


def test_a_store_is_opened_once_in_a_process(tmp_path: Path) -> None:
    with opened(tmp_path), pytest.raises(StoreHeld, match="open in this process already"):
        opened(tmp_path)

    opened(tmp_path).close()


def test_a_store_of_a_later_version_is_not_touched(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.connection.execute("INSERT INTO base.schema_version VALUES (99, 'of_times_to_come', now())")
    before = (tmp_path / "store" / "collector.duckdb").read_bytes()

    with pytest.raises(StoreNewer, match="schema version 99"):
        opened(tmp_path)

    assert (tmp_path / "store" / "collector.duckdb").read_bytes() == before


def spoil(make: Callable[[Path], object]) -> Callable[[Path], None]:
    """Let something that is no store of ours stand in the place of one."""

    def put(path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        make(path)

    return put


def of_something_else(path: Path) -> None:
    """A DuckDB file with tables that are not ours."""
    with duckdb.connect(path) as connection:
        connection.execute("CREATE TABLE wages (name VARCHAR)")


@pytest.mark.parametrize(
    "make",
    [
        spoil(lambda path: path.write_bytes(b"this is no database" * 1_000)),
        spoil(of_something_else),
    ],
    ids=["garbage", "another database"],
)
def test_what_is_no_store_is_left_as_it_is(tmp_path: Path, make: Callable[[Path], None]) -> None:
    database = tmp_path / "store" / "collector.duckdb"
    make(database)
    before = database.read_bytes()

    with pytest.raises(StoreDamaged):
        Store.open(tmp_path / "store", readable_mill(), now_ms=NOW_MS)

    assert database.read_bytes() == before


@pytest.mark.parametrize("harm", ["missing", "cut short"])
def test_a_part_that_is_gone_or_cut_short_is_found_at_opening(tmp_path: Path, harm: str) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 780.0})))
        publish(store, mill, now_ms=NOW_MS)
    (part,) = (tmp_path / "store" / "parts").glob("value-*.parquet")
    if harm == "missing":
        part.unlink()
    else:
        part.write_bytes(part.read_bytes()[:-1])

    with pytest.raises(StoreDamaged, match=part.name):
        opened(tmp_path)


def test_a_folder_that_cannot_be_made_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")

    with pytest.raises(StoreReadOnly, match="cannot be written"):
        Store.open(tmp_path / "file" / "store", readable_mill(), now_ms=NOW_MS)


IN_A_SMALL_DISK = """
    import subprocess, sys
    from pathlib import Path
    folder = Path(sys.argv[1])
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "none", str(folder)], check=True)
    from collector.publish import publish
    from collector.store import StoreFull, StoreDead
    from collector.writer import Writer
    from tests.mills import readable_mill
    from tests.stored import NOW_MS, T0, batch, opened, published_samples, samples, scan
    mill = readable_mill()
    store = opened(folder, mill=mill)
    writer = Writer(store, mill)
    def fill(n):
        values = [{f"t{j}": (n * i * j % 997) / 7 for j in range(40)} for i in range(500)]
        return batch(*(scan(T0 + n * 10_000 + i, some) for i, some in enumerate(values)))
"""


def in_a_small_disk(script: str, tmp_path: Path) -> str:
    """What a script prints that has a disk of 24 MB to itself; ``store``, ``writer`` and ``fill`` are there."""
    probe = subprocess.run(["unshare", "-rm", "true"], check=False, capture_output=True)
    if probe.returncode:
        pytest.skip("needs a user name space, to mount a small disk")
    done = run(textwrap.dedent(IN_A_SMALL_DISK) + textwrap.dedent(script), tmp_path, before=("unshare", "-rm"))
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_full_disk_stops_commits_and_they_go_on_when_there_is_room(tmp_path: Path) -> None:
    out = in_a_small_disk(
        """
        ballast = folder / "ballast"
        ballast.write_bytes(bytes(12_000_000))
        n = 0
        try:
            while True:
                writer.commit(fill(n))
                n += 1
        except StoreFull as error:
            print("full:", "make room" in str(error), n > 0)
        ballast.unlink()
        print("then:", writer.commit(fill(n)).new, len(samples(store.connection)) == (n + 1) * 20_000)
        """,
        tmp_path,
    )

    assert out == "full: True True\nthen: 20000 True\n"


def test_a_full_disk_at_a_checkpoint_kills_the_database_but_nothing_in_it(tmp_path: Path) -> None:
    out = in_a_small_disk(
        """
        ballast = folder / "ballast"
        ballast.write_bytes(bytes(10_000_000))
        store.connection.execute("SET checkpoint_threshold = '1MB'")
        n = 0
        try:
            while True:
                writer.commit(fill(n))
                n += 1
        except StoreDead as error:
            print("dead:", "make room" in str(error), n > 0)
        try:
            writer.commit(fill(n))
        except StoreDead as error:
            print("still:", "opened again" in str(error))
        store.close()
        ballast.unlink()
        store = opened(folder, mill=mill)
        there = len(samples(store.connection)) // 20_000
        print("reopened:", there in (n, n + 1), store.inconsistencies())
        done = Writer(store, mill).commit(fill(n))
        print("then:", done.new + done.repeated, len(samples(store.connection)) == (n + 1) * 20_000)
        """,
        tmp_path,
    )

    assert out == "dead: True True\nstill: True\nreopened: True []\nthen: 20000 True\n"


def test_a_full_disk_stops_publishing_and_readers_keep_what_they_had(tmp_path: Path) -> None:
    out = in_a_small_disk(
        """
        writer.commit(fill(0))
        publish(store, mill, now_ms=NOW_MS)
        writer.commit(fill(1))
        room = (folder / "ballast").open("wb")
        free = __import__("shutil").disk_usage(folder).free
        room.write(bytes(free - 60_000)); room.flush()
        try:
            publish(store, mill, now_ms=NOW_MS)
        except StoreFull as error:
            print("full:", "make room" in str(error))
        print("readers:", len(published_samples(folder)), "left over:", len(list((folder / "store").glob("*.new*"))))
        room.truncate(0); room.close()
        publish(store, mill, now_ms=NOW_MS)
        print("then:", len(published_samples(folder)), store.inconsistencies())
        """,
        tmp_path,
    )

    assert out == "full: True\nreaders: 20000 left over: 0\nthen: 40000 []\n"


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (duckdb.TransactionException("Failed to commit: No space left on device"), StoreFull),
        (duckdb.IOException("Could not write file: No space left on device"), StoreFull),
        (duckdb.FatalException("No space left on device; database has been invalidated"), StoreDead),
        (duckdb.InternalException("something that never happens"), StoreDead),
        (duckdb.ConstraintException("Duplicate key"), StoreConflict),
        (duckdb.IOException('Cannot open file "x": Permission denied'), StoreReadOnly),
        (duckdb.IOException('Cannot open file "x": Read-only file system'), StoreReadOnly),
        (duckdb.IOException('Could not set lock on file "x": Conflicting lock is held'), StoreHeld),
        (duckdb.SerializationException("Failed to deserialize"), StoreDamaged),
        (duckdb.Error("Corrupt database file: computed checksum 1 does not match stored checksum 2"), StoreDamaged),
        (duckdb.BinderException("Referenced column not found"), StoreError),
    ],
)
def test_errors_of_the_database_become_ours(error: duckdb.Error, kind: type[StoreError]) -> None:
    assert type(store_error(error, Path("store/collector.duckdb"))) is kind


@pytest.mark.parametrize(
    ("number", "kind"),
    [(errno.ENOSPC, StoreFull), (errno.EDQUOT, StoreFull), (errno.EROFS, StoreReadOnly), (errno.EIO, StoreDamaged)],
)
def test_errors_of_the_file_system_become_ours(number: int, kind: type[StoreError]) -> None:
    assert type(file_error(OSError(number, os.strerror(number)), Path("store"))) is kind


def test_an_error_within_a_batch_is_not_hidden_by_what_follows_from_it(tmp_path: Path) -> None:
    # A lone surrogate is no text that can be stored; no decoder lets one through.
    mill = readable_mill()
    with opened(tmp_path) as store:
        writer = Writer(store, mill)

        with pytest.raises(StoreError, match="surrogate"):
            writer.commit(batch(scan(T0, {"order.grade": "\ud800"})))

        assert writer.commit(batch(scan(T0, {"order.grade": "C80"}))).new == 1


def test_a_log_with_a_flipped_byte_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        Writer(store, mill).commit(batch(scan(T0, {"reel.speed": 780.0})))
        shutil.copytree(store.folder, tmp_path / "copy" / "store")
    log = tmp_path / "copy" / "store" / "collector.duckdb.wal"
    content = bytearray(log.read_bytes())
    # Within a record: were it the length of one, the rest would look like what a power cut leaves, and be left out.
    content[content.index(b"pm2") + 1] ^= 0xFF
    log.write_bytes(content)

    with pytest.raises(StoreDamaged, match="restore a backup"):
        opened(tmp_path / "copy")

    assert log.read_bytes() == content


# ---------------------------------------------------------------- runs and settings


def test_a_run_that_ends_by_order_says_so_and_a_killed_one_does_not(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.begin_run(T0, "0.1.0")
    with opened(tmp_path) as store:
        store.begin_run(T0 + 10, "0.1.0")
        store.end_run(T0 + 20, True, {"messages": 7})

        found = rows(
            store.connection, "SELECT run, epoch_ms(ended_at), ended_cleanly, counts FROM collector_run ORDER BY run"
        )

    assert found == [(1, None, False, None), (2, T0 + 20, True, '{"messages":7}')]


def test_the_store_says_what_mill_toml_says(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        ask = store.connection

        assert rows(ask, "SELECT name, time_zone, topic_root, margin_per_t FROM mill") == [
            ("Ellerholm", "Europe/Helsinki", "ellerholm", 300.0)
        ]
        assert rows(ask, "SELECT machine, trim_m, debounce_s, secondary_within_min FROM machine") == [
            ("pm2", 3.4, 2, 30)
        ]
        assert rows(ask, "SELECT number, tag, section, position_m FROM sheet_detector") == [
            (1, "sheet.press", "press", 31.0)
        ]
        assert ("speed", "reel.speed") in rows(ask, "SELECT role, tag FROM signal")
        assert rows(ask, "FROM cause") == [("PR-FLT", "press", "Felt plugged, worn or streaked", None)]
        assert rows(ask, "FROM grade") == [("C80", 80, 780, 4.0, 6.0, 290, None)]
        assert rows(ask, "FROM broke_pit") == [("couch pit", "couch", 3.5), ("couch pit", "press", 3.5)]
        assert rows(ask, "FROM broke_tower") == [
            ("white tower", 800, "broke.tower_level", "broke.dosing", ["white"], None, None, None, None, ["white"])
        ]


def test_settings_that_changed_take_the_place_of_the_old_and_are_numbered(tmp_path: Path) -> None:
    changed = readable_mill(("trim_m = 3.40", "trim_m = 3.50"))
    numbers = []
    for mill in (readable_mill(), changed, readable_mill()):
        with opened(tmp_path, mill=mill) as store:
            numbers.append((store.configuration_id, *rows(store.connection, "SELECT trim_m FROM machine")[0]))

    assert numbers == [(1, 3.4), (2, 3.5), (1, 3.4)]


def test_the_broker_and_its_secrets_are_not_in_the_configuration(tmp_path: Path) -> None:
    mill = readable_mill(("port = 1883", 'port = 1883\nusername = "hush"\npassword_env = "HUSH_TOO"'))
    with opened(tmp_path, mill=mill) as store:
        (text,) = rows(store.connection, "SELECT string_agg(text, '') FROM configuration")[0]

    assert "Ellerholm" in text
    assert "hush" not in text.lower()


def test_shifts_cover_the_data_and_grow_with_them(tmp_path: Path) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        writer = Writer(store, mill)
        spans = []
        for days in (0, 3, -2):
            writer.commit(batch(scan(T0 + days * DAY_MS, {f"t{days}": 1.0})))
            publish(store, mill, now_ms=NOW_MS)
            spans += rows(
                store.connection,
                "SELECT count(*), count(DISTINCT started_at), epoch_ms(min(started_at)) <= epoch_ms(min(first_at)), "
                "max(ended_at) > max(last_at) FROM shift, machine",
            )
        gaps = rows(
            store.connection,
            "SELECT count(*) FROM (SELECT ended_at, lead(started_at) OVER (ORDER BY started_at) AS next FROM shift) "
            "WHERE next <> ended_at",
        )

    # Two shifts a day; T0 is 04:00 mill time, in the night shift that began at 18:00 the day before.
    assert spans == [(1, 1, True, True), (7, 7, True, True), (11, 11, True, True)]
    assert gaps == [(0,)]


def test_a_store_without_a_rota_has_no_shifts(tmp_path: Path) -> None:
    without = readable_mill().model_copy(update={"shifts": None})
    with opened(tmp_path) as store:
        Writer(store, without).commit(batch(scan(T0, {"t": 1.0})))
        publish(store, without, now_ms=NOW_MS)

    with opened(tmp_path, mill=without) as store:
        assert rows(store.connection, "SELECT count(*) FROM shift") == [(0,)]
