"""A load that is told to end, or killed, leaves what was committed; the same load again goes on and doubles nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.history import HistoryOptions, Spool
from collector.interrupt import interruptible
from collector.load import load, load_blocks
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


def test_what_killed_commands_left_in_the_temporary_folder_is_taken_away(
    export: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    gone = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, text=True)
    dead = gone.stdout.strip()
    left = [tmp_path / f"breakhorn-{use}-{dead}-abcd_123" for use in ("load", "survey", "broker")]
    others = [tmp_path / f"breakhorn-load-{os.getpid()}-abcd_123", tmp_path / f"breakhorn-demo-{dead}-abcd_123"]
    for folder in left + others:
        folder.mkdir()

    with Spool(readable_mill(), HistoryOptions(), now_ms=YEARS_LATER_MS):
        pass

    assert sorted(tmp_path.iterdir()) == sorted(others)


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
