"""A backup taken while the collector writes can be brought back elsewhere, and the collector goes on from it."""

from __future__ import annotations

import hashlib
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import duckdb
import msgspec
import pytest
from click.testing import CliRunner, Result

from breakhorn import cli
from collector.backup import Answering, BackupFault, restore, take
from collector.backup.manifest import read_manifest
from collector.backup.request import FAILED, WANTED, asking
from collector.publish import Layout, publish
from collector.settings import Mill, load_mill
from collector.store import Store
from collector.store.asked import asked_folder, is_held
from collector.writer import Writer
from replay_data.demo import write_mill
from tests.mills import EXAMPLE, readable_mill
from tests.servers import mosquitto_at, wait_until
from tests.stored import NOW_MS, T0, Samples, batch, opened, published_samples, rows, samples, scan
from tests.test_service import mill_at
from tests.test_stopping import end, events, flooding, service, stored

FEW = Layout(together=3, grace_s=0)


def quiet(done: int, of_all: int) -> None:
    """Nobody watches."""


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def filled(tmp_path: Path, mill: Mill) -> Iterator[Store]:
    """An open store with parts, something hot, and a value that was replaced in a part."""
    with opened(tmp_path) as store:
        writer = Writer(store, mill)
        for turn in range(3):
            writer.commit(batch(*(scan(T0 + turn * 1000 + i, {"a": float(i), "g": "C80"}) for i in range(20))))
            publish(store, mill, now_ms=NOW_MS, tidy=False)
        writer.commit(batch(scan(T0, {"a": 99.0}), scan(T0 + 5000, {"a": 7.0}), trackers={"pm2": b"state"}))
        yield store


def taken(tmp_path: Path, name: str = "backup") -> Path:
    """A backup of the store in the folder."""
    take(EXAMPLE, tmp_path / "store", tmp_path / name, version="test", progress=quiet)
    return tmp_path / name


def brought_back(mill: Mill, backup: Path, folder: Path) -> Mill:
    """The mill with its store in another folder, to which a backup was brought."""
    moved = mill.model_copy(update={"store": mill.store.model_copy(update={"folder": folder / "store"})})
    restore(moved, backup, progress=quiet)
    return moved


def test_all_that_was_committed_is_in_the_backup_of_a_store_at_rest(filled: Store, mill: Mill, tmp_path: Path) -> None:
    expected: Samples = samples(filled.connection)
    filled.close()

    moved = brought_back(mill, taken(tmp_path), tmp_path / "elsewhere")

    assert published_samples(tmp_path / "elsewhere") == expected
    with Store.open(moved.store.folder, moved, now_ms=NOW_MS) as store:
        assert samples(store.connection) == expected
        assert store.tracker_states() == {"pm2": b"state"}
        assert store.inconsistencies() == []


def test_a_store_that_is_killed_with_a_log_of_its_last_commits_is_backed_up_with_them(
    filled: Store, mill: Mill, tmp_path: Path
) -> None:
    expected = samples(filled.connection)
    shutil.copytree(tmp_path / "store", tmp_path / "as killed" / "store")
    assert (tmp_path / "as killed" / "store" / "collector.duckdb.wal").stat().st_size > 0
    filled.close()

    brought_back(mill, taken(tmp_path / "as killed"), tmp_path / "elsewhere")

    assert published_samples(tmp_path / "elsewhere") == expected


def test_a_backup_is_of_one_instant_however_the_writer_goes_on(filled: Store, mill: Mill, tmp_path: Path) -> None:
    expected = samples(filled.connection)
    writer, answering = Writer(filled, mill), Answering(filled)

    with asking(filled.folder) as folder:
        (folder / "wanted").touch()
        answering.turn()
        for i in range(50):
            writer.commit(batch(scan(T0 + 10_000 + i, {"a": 1.0})))
        wait_until((folder / "collector.duckdb").exists, what="the copy")
        answering.turn()
        with duckdb.connect(folder / "collector.duckdb", read_only=True) as copy:
            (hot,) = rows(copy, "SELECT count(*) FROM base.hot_sample")

    # 99.0 in the place of a part's row, and 7.0; or so many of the fifty as had been committed when the copy began.
    assert hot[0] in range(2, 53)
    assert len(samples(filled.connection)) == len(expected) + 50


def test_while_a_backup_is_alive_no_part_is_deleted(filled: Store, mill: Mill, tmp_path: Path) -> None:
    before = {path.name for path in (filled.folder / "parts").iterdir()}

    with asking(filled.folder):
        publish(filled, mill, now_ms=NOW_MS + 1, layout=FEW)
        publish(filled, mill, now_ms=NOW_MS + 2, layout=FEW)
        assert {path.name for path in (filled.folder / "parts").iterdir()} > before
    publish(filled, mill, now_ms=NOW_MS + 3, layout=FEW)

    assert not before & {path.name for path in (filled.folder / "parts").iterdir()}


def test_what_a_killed_backup_has_left_is_taken_away_and_nothing_waits_for_it(filled: Store, tmp_path: Path) -> None:
    folder = asked_folder(filled.folder)
    folder.mkdir()
    for name in ("held", "wanted", "making.duckdb"):
        (folder / name).touch()

    Answering(filled).turn()

    assert not is_held(filled.folder)
    assert not folder.exists()


def test_a_backup_that_finds_no_room_even_for_the_reason_is_told_of_in_the_log(
    filled: Store, caplog: pytest.LogCaptureFixture
) -> None:
    answering = Answering(filled)
    with asking(filled.folder) as folder:
        # Nothing can be written under a name that a folder has.
        for name in ("making.duckdb", FAILED):
            (folder / name).mkdir()
        (folder / WANTED).touch()

        answering.turn()
        wait_until(lambda: "no backup: " in caplog.text, what="the reason")
        answering.stop()

        assert not any(thread.name == "backup" for thread in threading.enumerate())


def test_a_backup_that_was_cut_off_goes_on_where_it_was(filled: Store, tmp_path: Path) -> None:
    filled.close()

    def cut_off(done: int, _: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take(EXAMPLE, tmp_path / "store", tmp_path / "backup", version="test", progress=cut_off)
    unfinished = tmp_path / "backup.unfinished" / "parts"
    kept = {path.name: path.stat().st_ino for path in unfinished.iterdir()}
    assert len(kept) == 2
    assert not (tmp_path / "backup").exists()

    backup = taken(tmp_path)

    assert {name: (backup / "parts" / name).stat().st_ino for name in kept} == kept
    assert not unfinished.exists()
    assert not is_held(tmp_path / "store")


def test_a_folder_in_use_a_store_that_is_not_there_and_a_second_backup_are_refused(
    filled: Store, tmp_path: Path
) -> None:
    with pytest.raises(BackupFault, match="is there already"):
        take(EXAMPLE, tmp_path / "store", tmp_path / "store", version="test", progress=quiet)
    with pytest.raises(BackupFault, match="there is no store"):
        take(EXAMPLE, tmp_path / "nowhere", tmp_path / "backup", version="test", progress=quiet)


def test_a_process_that_holds_the_store_and_does_not_answer_is_not_waited_for_for_ever(
    filled: Store, tmp_path: Path
) -> None:
    path = write_mill(tmp_path, 9)
    command = [sys.executable, "-m", "breakhorn", "--mill", str(path), "backup", str(tmp_path / "b"), "--wait", "1"]

    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 1
    assert "did not answer within 1 s" in done.stderr
    assert not is_held(filled.folder)


@pytest.mark.parametrize("what", ["changed", "missing", "no manifest", "not json"])
def test_a_backup_that_is_not_what_it_was_is_not_brought_back(
    filled: Store, mill: Mill, tmp_path: Path, what: str
) -> None:
    filled.close()
    backup = taken(tmp_path)
    (part, *_) = sorted((backup / "parts").iterdir())
    match what:
        case "changed":
            part.write_bytes(part.read_bytes()[:-1] + b"x")
        case "missing":
            part.unlink()
        case "no manifest":
            (backup / "backup.json").unlink()
        case _:
            (backup / "backup.json").write_text("{")

    with pytest.raises(BackupFault):
        brought_back(mill, backup, tmp_path / "elsewhere")

    assert not (tmp_path / "elsewhere" / "store").exists()


@pytest.mark.parametrize("name", ["../harm.txt", "/harm.txt", "parts/../../harm.txt", "parts/harm.txt\n"])
def test_a_backup_that_names_a_file_elsewhere_writes_nothing_there(
    filled: Store, mill: Mill, tmp_path: Path, name: str
) -> None:
    filled.close()
    backup = taken(tmp_path)
    said = msgspec.json.decode((backup / "backup.json").read_bytes())
    digest = hashlib.sha256(b"harm").hexdigest()
    said["files"].append({"name": name, "bytes": 4, "sha256": digest})
    (backup / "backup.json").write_bytes(msgspec.json.encode(said))
    (backup.parent / "harm.txt").write_bytes(b"harm")

    with pytest.raises(BackupFault):
        brought_back(mill, backup, tmp_path / "elsewhere")

    assert not (tmp_path / "elsewhere").exists()


def test_a_part_that_lost_rows_makes_no_backup(filled: Store, tmp_path: Path) -> None:
    filled.close()
    first, second, *_ = sorted((tmp_path / "store" / "parts").glob("value*"))
    with duckdb.connect() as connection:
        connection.execute(f"COPY (FROM '{second}' LIMIT 1) TO '{first}' (FORMAT parquet)")

    with pytest.raises(BackupFault, match="20 rows"):
        taken(tmp_path)

    assert not (tmp_path / "backup").exists()


def test_nothing_is_brought_back_over_a_store_that_is_there(filled: Store, mill: Mill, tmp_path: Path) -> None:
    filled.close()
    backup = taken(tmp_path)
    before = (tmp_path / "store" / "collector.duckdb").read_bytes()

    with pytest.raises(BackupFault, match="is not empty"):
        brought_back(mill, backup, tmp_path)

    assert (tmp_path / "store" / "collector.duckdb").read_bytes() == before


def call(mill: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["--mill", str(mill), *arguments])


@pytest.mark.broker
@pytest.mark.crash
@pytest.mark.slow
def test_backed_up_under_load_killed_and_brought_back_elsewhere_the_collector_goes_on(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    with mosquitto_at(tmp_path / "mosquitto") as port:
        mill, moved = mill_at(first, port, publish_every_s=1), mill_at(second, port, publish_every_s=1)
        with service(first) as process:
            wait_until(lambda: "connected" in events(first), what="the connection")
            with flooding(mill) as sent:
                wait_until(lambda: stored(mill) > 50_000, what="50,000 samples")
                backup = call(first / "mill.toml", "backup", str(tmp_path / "backup"))
                at_backup = stored(mill)
                process.send_signal(signal.SIGKILL)
                process.wait(30)
        assert backup.exit_code == 0, backup.stderr
        with Store.open(mill.store.folder, mill, now_ms=0) as killed:
            publish(killed, mill, now_ms=1)
        acknowledged = stored(mill)
        back = call(second / "mill.toml", "restore", str(tmp_path / "backup"))
        assert back.exit_code == 0, back.stderr
        held = stored(moved)
        with service(second) as process:
            wait_until(lambda: "connected" in events(second), what="the connection of the second")
            whole = sent[0] * 24 * 32
            # What the first had committed after the backup the broker had been told of: that much is not there.
            wait_until(
                lambda: stored(moved) >= whole - (acknowledged - held), seconds=120, what="what the broker had kept"
            )
            assert end(process, signal.SIGTERM) < 30

    assert 50_000 < held <= acknowledged
    assert at_backup <= acknowledged
    assert read_manifest(tmp_path / "backup").data_to is not None
    with Store.open(moved.store.folder, load_mill(second / "mill.toml"), now_ms=0) as store:
        assert store.inconsistencies() == []
        kept = rows(store.connection, "SELECT count(*), count(DISTINCT (tag, sampled_at)) FROM sample")
        before = rows(store.connection, f"SELECT count(*) FROM sample WHERE sampled_at <= {_end_of(backup)}")
    assert kept[0][0] == kept[0][1]
    assert before[0][0] == held


def _end_of(backup: Result) -> str:
    """The newest source time of the backup, as its own words give it, as SQL."""
    return f"TIMESTAMPTZ '{backup.stdout.rsplit(' ', 1)[1].strip()}'"
