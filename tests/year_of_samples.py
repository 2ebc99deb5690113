"""A year of a machine written straight to the archive, and what is timed over it: shared by benchmarks.

The samples lie in a file a day, sorted by tag and time as the collector leaves them. 0.5 GB for a year.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np

from analysis.read import PUBLISHED, store_folder
from tests.analysis_store import SQL, HandMadeStore, at

TAGS = 200
SCAN_S = 10
BREAKS_A_DAY = 500 / 365
FIRST_MS = round(datetime(2025, 1, 1, tzinfo=UTC).timestamp() * 1000)
DAY_MS, MINUTE_MS = 86_400_000, 60_000
REPEATS = 3


def write_store(folder: Path, days: int) -> Path:
    """A published store of so many days; gives its mill.toml."""
    made = HandMadeStore(folder)
    until_ms = FIRST_MS + days * DAY_MS
    made.machine(FIRST_MS, until_ms - 1)  # type: ignore[arg-type]  # takes milliseconds as well
    made.insert("signal", machine="pm2", role="speed", tag="reel.speed")
    for tag_id in range(2, TAGS + 1):
        name = f"process.tag_{tag_id:03}"
        made.insert("tag", tag_id=tag_id, machine="pm2", tag=name, first_at=at(FIRST_MS), last_at=at(until_ms - 1))
    _course(made, days)
    mill_toml = made.close(published=until_ms, data_to=until_ms)  # type: ignore[arg-type]  # as above
    paths = [_write_day(made.store / "parts" / f"{day}.parquet", day) for day in range(days)]
    with duckdb.connect(str(made.store / PUBLISHED)) as connection:
        files = ", ".join(f"'{path}'" for path in paths)
        connection.execute(
            "CREATE OR REPLACE VIEW base.stored_sample AS "
            f"SELECT tag_id, sampled_at, value, flags FROM read_parquet([{files}])"
        )
    return mill_toml


def _course(made: HandMadeStore, days: int) -> None:
    rng = np.random.default_rng(7)
    until_ms, now = FIRST_MS + days * DAY_MS, FIRST_MS
    for number in range(0, days, 2):
        began = at(FIRST_MS + number * DAY_MS)
        made.insert("grade_run", machine="pm2", grade=f"C{60 + 20 * (number // 2 % 3)}", started_at=began)
    made.insert("machine_state", machine="pm2", state="on_reel", started_at=at(now))
    while True:
        run_ms = 40 * MINUTE_MS + round(float(rng.exponential(DAY_MS / BREAKS_A_DAY - 65 * MINUTE_MS)))
        lost_ms = round(float(rng.lognormal(np.log(20), 0.5)) * MINUTE_MS)
        started, now = now + run_ms, now + run_ms + lost_ms
        if now >= until_ms:
            return
        made.insert("machine_state", machine="pm2", state="down", started_at=at(started))
        made.insert("machine_state", machine="pm2", state="on_reel", started_at=at(now))
        made.insert(
            "downtime",
            downtime_id=f"pm2-{at(started):%Y%m%dT%H%M%SZ}",
            machine="pm2",
            kind="break",
            started_at=at(started),
            ended_at=at(now),
            section="press",
            on_reel_before_ms=run_ms,
        )


def _write_day(path: Path, day: int) -> Path:
    scans = DAY_MS // 1000 // SCAN_S
    with duckdb.connect(config={"threads": 2}) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute(f"""
            COPY (
                SELECT
                    tag::INTEGER AS tag_id,
                    make_timestamptz({(FIRST_MS + day * DAY_MS) * 1000} + scan * {SCAN_S * 1_000_000}) AS sampled_at,
                    50 + tag + 0.1 * round(8 * sin(({day * scans} + scan) / (2000.0 + 37 * tag) + tag) + 6 * random())
                        AS value,
                    0::UTINYINT AS flags
                FROM range(1, {TAGS + 1}) AS tags(tag), range({scans}) AS scans(scan)
                ORDER BY tag_id, sampled_at
            ) TO '{path}' (FORMAT parquet, PARQUET_VERSION v2, COMPRESSION zstd, ROW_GROUP_SIZE 40960)""")
    return path


def renew_views(mill_toml: Path) -> None:
    """Give a store that was written earlier the views of today."""
    with duckdb.connect(str(store_folder(mill_toml) / PUBLISHED)) as connection:
        connection.execute((SQL / "views.sql").read_text(encoding="utf-8"))


def breakhorn(mill_toml: Path, *words: str) -> None:
    """A whole command, as a user starts it: with its modules compiled, which a test environment may forbid."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    subprocess.run(
        [sys.executable, "-m", "breakhorn", "--mill", str(mill_toml), *words],
        env=environment | {"PYTHONPYCACHEPREFIX": str(mill_toml.parent / "compiled")},
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@contextmanager
def year(doc: str | None) -> Iterator[tuple[Path, int, int]]:
    """What the command line asks for: the mill.toml of a store, how many days it holds, and how often to time."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a twentieth of a year, once")
    parser.add_argument("--store", type=Path, help="write the store here, or use the one that is here, and keep it")
    asked = parser.parse_args()
    days, repeats = (18, 1) if asked.quick else (365, REPEATS)
    with TemporaryDirectory() as folder:
        place = asked.store or Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        mill_toml = place / "mill.toml"
        if mill_toml.exists():
            renew_views(mill_toml)
            days = len(list((store_folder(mill_toml) / "parts").glob("*.parquet")))
        else:
            write_store(place, days)
        yield mill_toml, days, repeats


def samples_in(days: int) -> int:
    """How many samples so many days hold."""
    return days * TAGS * DAY_MS // 1000 // SCAN_S


def timed(work: Callable[[Path], None], mill_toml: Path, repeats: int) -> tuple[float, float]:
    """Best time by the clock, and the least time of the processors. [s]"""
    clocks, used = [], []
    for _ in range(repeats):
        clock, before = time.perf_counter(), _used_s()
        work(mill_toml)
        clocks.append(time.perf_counter() - clock)
        used.append(_used_s() - before)
    return min(clocks), min(used)


def _used_s() -> float:
    spent = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in spent)
