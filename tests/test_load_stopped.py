"""A load that is told to end, or killed, leaves what was committed; the same load again goes on and doubles nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from collector.history import HistoryOptions, Spool
from collector.interrupt import interruptible
from collector.load import load, load_blocks
from collector.scratch import scratch
from tests.exports import YEARS_LATER_MS
from tests.mills import example, message, readable_mill
from tests.servers import wait_until
from tests.stored import opened

ROWS_A_BLOCK = 2_000
"""So that one file makes several transactions."""

QUERIES = (
    "SELECT tag_id, sampled_at, value FROM base.hot_sample ORDER BY ALL",
    "SELECT machine, kind, started_at, ended_at, section FROM base.downtime ORDER BY ALL",
    "SELECT machine, state, started_at, ended_at FROM main.machine_state ORDER BY ALL",
)

KILLED = """
import os, signal, sys
from pathlib import Path
from tests.test_load_stopped import blocks_into
left = [3]
def told(counts):
    left[0] -= 1
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
blocks_into(Path(sys.argv[1]), Path(sys.argv[2]), progress=told)
"""


def blocks_into(folder: Path, export: Path, **more: Any) -> Any:
    """Load an export in small blocks into the store of a folder."""
    mill = readable_mill()
    with Spool(mill, HistoryOptions(), now_ms=YEARS_LATER_MS) as spool, opened(folder) as store:
        spool.take(export)
        return load_blocks(mill, store, spool.blocks(rows=ROWS_A_BLOCK), **more)


def found(folder: Path) -> list[Any]:
    with opened(folder) as store:
        return [store.connection.execute(query).fetchall() for query in QUERIES]


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two hours each second, the sheet off for two minutes in every twenty: breaks on both sides of any cut."""
    path = tmp_path_factory.mktemp("export") / "day.csv"
    rows = (
        f"2026-03-01T{2 + second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z,"
        f"{800 + second % 7},1,{int(second % 1200 > 120)}\n"
        for second in range(7_200)
    )
    path.write_text("ts,reel.speed,headbox.stock_on,sheet.press\n" + "".join(rows))
    return path


def test_a_load_killed_in_the_middle_of_a_file_goes_on_to_the_rows_of_an_undisturbed_one(
    export: Path, tmp_path: Path
) -> None:
    (tmp_path / "cut").mkdir()
    (tmp_path / "whole").mkdir()
    undisturbed = blocks_into(tmp_path / "whole", export)

    killed = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "cut"), str(export)], check=False)
    after_kill = found(tmp_path / "cut")
    again = blocks_into(tmp_path / "cut", export)

    assert killed.returncode == -signal.SIGKILL
    assert 0 < len(after_kill[0]) < undisturbed.samples
    assert len(after_kill[0]) + again.samples == undisturbed.samples
    assert found(tmp_path / "cut") == found(tmp_path / "whole")
    assert len(found(tmp_path / "cut")[1]) == 6


def test_a_load_that_is_told_to_stop_ends_after_a_whole_block(export: Path, tmp_path: Path) -> None:
    counts = blocks_into(tmp_path, export, stopping=lambda: True)

    assert ROWS_A_BLOCK - 3 <= counts.samples <= ROWS_A_BLOCK
    assert len(found(tmp_path)[0]) == counts.samples


def test_a_stream_that_is_told_to_stop_ends_after_a_whole_batch(tmp_path: Path) -> None:
    def messages() -> Iterator[Any]:
        for place in range(60_000):
            yield message({"ts": 1_772_330_400_000 + place, "values": {"a": place}})

    with opened(tmp_path) as store:
        counts = load(readable_mill(), store, messages(), stopping=lambda: True)

    assert 50_000 <= counts.messages < 60_000


HOLDS = """
import sys
sys.modules.update(dict.fromkeys(sys.argv[1:]))  # what is not there
from collector.scratch import scratch
with scratch("load") as folder, scratch("survey"), scratch("broker"):
    print(folder, flush=True)
    sys.stdin.read()
"""


@contextmanager
def holding(folder: Path, *missing: str) -> Iterator[subprocess.Popen[str]]:
    """Another process that has a folder of each use there; without some modules."""
    command = [sys.executable, "-c", HOLDS, *missing]
    environment = {**os.environ, "TMPDIR": str(folder), "PYTHONPATH": str(Path(__file__).parents[1])}
    with subprocess.Popen(
        command, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith(str(folder))
        yield process


def test_what_killed_commands_left_in_the_temporary_folder_is_taken_away_and_of_living_ones_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    with holding(tmp_path) as process:
        held = set(tmp_path.iterdir())
        with Spool(readable_mill(), HistoryOptions(), now_ms=YEARS_LATER_MS):
            assert held < set(tmp_path.iterdir())
        process.kill()
    assert len(held) == 3
    assert set(tmp_path.iterdir()) == held

    with Spool(readable_mill(), HistoryOptions(), now_ms=YEARS_LATER_MS):
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_others_put_into_the_temporary_folder_stays_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    somebodys = tmp_path / "somebodys"
    names = ("load-99999999999-aaaaaaaa", "load-without_", "demo-abcd_123")
    for folder in (somebodys, *(tmp_path / f"breakhorn-{name}" for name in names)):
        folder.mkdir()
    for folder in (somebodys, tmp_path / "breakhorn-demo-abcd_123"):
        (folder / "scratch.lock").touch()
    (tmp_path / "breakhorn-load-linked_1").symlink_to(somebodys)
    (tmp_path / "breakhorn-load-no_folder").touch()
    there = sorted(tmp_path.rglob("*"))

    with scratch("load"):
        pass

    assert sorted(tmp_path.rglob("*")) == there


def test_where_files_cannot_be_locked_nothing_is_swept(tmp_path: Path) -> None:
    with holding(tmp_path, "fcntl") as first:
        first.kill()
    left = set(tmp_path.iterdir())

    with holding(tmp_path, "fcntl") as second:
        second.communicate()

    assert len(left) == 3
    assert set(tmp_path.iterdir()) == left


def test_a_load_may_be_stopped_while_it_reads(tmp_path: Path) -> None:
    """The file is long enough that the signal comes while it is being read, as the folder beside it shows."""
    (tmp_path / "mill.toml").write_text(example(), encoding="utf-8")
    (tmp_path / "tmp").mkdir()
    block = "".join(f"2026-03-01T02:{n // 60 % 60:02}:{n % 60:02}Z,tag.{n},{n}\n" for n in range(5_000))
    with (tmp_path / "long.csv").open("w") as file:
        file.write("ts,tag,value\n")
        for _ in range(600):
            file.write(block)
    command = [sys.executable, "-m", "breakhorn", "--mill", "mill.toml", "load", "long.csv"]
    environment = {**os.environ, "TMPDIR": str(tmp_path / "tmp"), "PYTHONPATH": str(Path(__file__).parents[1])}

    with subprocess.Popen(command, cwd=tmp_path, env=environment, stderr=subprocess.PIPE, text=True) as process:
        wait_until(lambda: list((tmp_path / "tmp").glob("breakhorn-load-*/spool.duckdb")), what="the reading")
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60)

    assert process.returncode == 1
    assert "stopped while reading: nothing was stored" in said
    assert not (tmp_path / "store").exists()
    assert list((tmp_path / "tmp").iterdir()) == []


def test_asked_once_the_work_stops_where_it_is_safe_and_asked_twice_at_once() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with interruptible() as interrupt:
        interrupt.safe = False
        signal.raise_signal(signal.SIGTERM)
        asked_once = interrupt()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)

    assert asked_once
    assert signal.getsignal(signal.SIGTERM) == before


def test_work_with_nothing_to_finish_ends_at_once() -> None:
    with interruptible() as interrupt, pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)

    assert interrupt.asked


def test_how_far_a_file_is_read_is_known_from_beside(export: Path) -> None:
    shares: list[float | None] = []
    with Spool(readable_mill(), HistoryOptions(), now_ms=YEARS_LATER_MS) as spool:
        spool.take(export)
        shares.append(spool.share_read())

        assert spool.count == 21_600
        assert spool.reading == "day.csv"
    assert all(share is None or 0 <= share <= 1 for share in shares)
