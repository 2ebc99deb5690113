"""What somebody sees who starts the collector on a store that cannot be used: one line with the way out, exit 1."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from collector.settings import Mill
from collector.store import Store, StoreDamaged
from collector.writer import Writer
from tests.mills import readable_mill
from tests.stored import NOW_MS, T0, batch, opened, scan
from tests.test_full_disk import ROOT, in_a_name_space
from tests.test_service import mill_at

COLLECT = ("-m", "breakhorn", "--mill")


def collect(mill_file: Path) -> subprocess.CompletedProcess[str]:
    """Start the collector; it ends by itself, since it cannot begin."""
    command = [sys.executable, *COLLECT, str(mill_file), "collect"]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=60
    )  # fmt: skip


def digests(folder: Path) -> dict[str, str]:
    """Every file of a folder, and what is in it."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture
def mill(tmp_path: Path) -> Mill:
    return mill_at(tmp_path, 9)


def left_behind(mill: Mill, folder: Path) -> Path:
    """The store of a collector that was killed: some of its rows are in the log only. Gives the database's path."""
    with Store.open(folder / "of the killed", mill, now_ms=NOW_MS) as store:
        writer = Writer(store, mill)
        for number in range(20):
            writer.commit(batch(scan(T0 + number, {"reel.speed": float(number)})))
        shutil.copytree(store.folder, mill.store.folder)
    return mill.store.folder / "collector.duckdb"


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 0xFF
    path.write_bytes(content)


def of_times_to_come(path: Path) -> None:
    """The later version was killed too: that it is later stands in its log."""
    with duckdb.connect(path) as connection:
        connection.execute("INSERT INTO base.schema_version VALUES (99, 'of_times_to_come', now())")
        shutil.copytree(path.parent, path.parent.with_name("copy"))
    shutil.rmtree(path.parent)
    path.parent.with_name("copy").rename(path.parent)


def flip_the_head(path: Path) -> None:
    for at in (100, 4_200, 8_300):
        flip(path, at)


def flip_the_log(path: Path) -> None:
    log = path.with_name(path.name + ".wal")
    flip(log, log.stat().st_size // 2)


def of_something_else(path: Path) -> None:
    path.unlink()
    path.with_name(path.name + ".wal").unlink()
    with duckdb.connect(path) as connection:
        connection.execute("CREATE TABLE wages (name VARCHAR)")


def lose_a_part(path: Path) -> None:
    with duckdb.connect(path) as connection:
        connection.execute("INSERT INTO base.part VALUES (1, 'value', 0, NULL, 1, 100, now(), now(), FALSE)")


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (of_times_to_come, ("schema version 99", "run a later version")),
        (flip_the_head, ("cannot be read", "restore a backup")),
        (flip_the_log, ("cannot be read", "restore a backup")),
        (of_something_else, ("no store of Breakhorn", "choose another folder")),
        (lose_a_part, ("value-00000001.parquet is missing", "backup")),
    ],
)
def test_a_store_that_cannot_be_used_is_left_as_it_is(
    tmp_path: Path, mill: Mill, harm: Callable[[Path], None], said: tuple[str, ...]
) -> None:
    harm(left_behind(mill, tmp_path))
    before = digests(mill.store.folder)

    done = collect(tmp_path / "mill.toml")

    assert done.returncode == 1
    assert is_one_line(done.stderr)
    assert all(words in done.stderr for words in said), done.stderr
    assert digests(mill.store.folder) == before


def is_one_line(said: str) -> bool:
    """Whether it is one line of the log, with the error in words."""
    return len(said.splitlines()) == 1 and " error breakhorn: " in said


HOLD = """
    import sys
    from collector.store import Store
    from pathlib import Path
    from tests.test_service import mill_at
    mill = mill_at(Path(sys.argv[1]), 9)
    with Store.open(mill.store.folder, mill, now_ms=0):
        print("held", flush=True)
        sys.stdin.read()
"""


def test_a_store_that_another_collector_holds_is_left_to_it(tmp_path: Path, mill: Mill) -> None:
    Store.open(mill.store.folder, mill, now_ms=NOW_MS).close()
    command = [sys.executable, "-c", textwrap.dedent(HOLD), str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        before = digests(mill.store.folder)

        done = collect(tmp_path / "mill.toml")

        assert digests(mill.store.folder) == before
        holder.communicate("")
    assert done.returncode == 1
    assert f"held by another collector (process {holder.pid}): stop it, or choose another folder" in done.stderr


ON_A_SMALL_DISK = """
    import json, shutil, subprocess, sys
    from pathlib import Path
    from tests.test_refusals import collect, digests
    from tests.test_service import mill_at
    folder, harm = Path(sys.argv[1]), sys.argv[2]
    small = folder / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=40m", "none", str(small)], check=True)
    shutil.copytree(folder / "store", small / "store")
    mill_at(small, 9)
    if harm == "read-only":
        subprocess.run(["mount", "-o", "remount,ro", str(small)], check=True)
    else:
        (small / "ballast").write_bytes(bytes(shutil.disk_usage(small).free))
    before = digests(small / "store")
    done = collect(small / "mill.toml")
    print(json.dumps([done.returncode, done.stderr, digests(small / "store") == before]))
"""


@pytest.mark.parametrize(
    ("harm", "said"), [("full", "no space left on the disk of"), ("read-only", "cannot be written: give the collector")]
)
@pytest.mark.parametrize("was", ["closed", "killed"])
def test_a_disk_that_takes_nothing_is_named(tmp_path: Path, mill: Mill, harm: str, said: str, was: str) -> None:
    left_behind(mill, tmp_path)
    if was == "closed":
        Store.open(mill.store.folder, mill, now_ms=NOW_MS).close()

    done = in_a_name_space("-c", textwrap.dedent(ON_A_SMALL_DISK), str(tmp_path), harm)

    assert done.returncode == 0, done.stderr
    returned, stderr, unchanged = json.loads(done.stdout)
    assert returned == 1
    assert said in stderr
    assert is_one_line(stderr)
    assert unchanged


def test_a_log_cut_short_anywhere_opens_sound_or_not_at_all(tmp_path: Path) -> None:
    mill = readable_mill()
    with opened(tmp_path) as store:
        writer = Writer(store, mill)
        for number in range(8):
            writer.commit(batch(scan(T0 + number, {"reel.speed": float(number), "order.grade": "C80"})))
        shutil.copytree(store.folder, tmp_path / "copy" / "store")
    database = tmp_path / "copy" / "store" / "collector.duckdb"
    log = database.with_name("collector.duckdb.wal")
    whole, content = log.read_bytes(), database.read_bytes()
    outcomes = set()

    for left in range(0, len(whole), len(whole) // 16):
        log.write_bytes(whole[:left])
        database.write_bytes(content)
        try:
            with opened(tmp_path / "copy") as store:
                outcomes.add("opened")
                assert store.inconsistencies() == []
        except StoreDamaged:
            outcomes.add("refused")
            assert log.read_bytes() == whole[:left]

    # What is cut off looks like a commit that the power cut: those before it are there.
    assert "opened" in outcomes
