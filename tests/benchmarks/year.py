"""Prints how long the time ledger and the Pareto of a year of three machines take, as whole commands:

python -m tests.benchmarks.year

A synthetic year (4,500 downtimes, 101 million samples in Parquet) is written first, which takes some minutes;
``--quick`` takes a twentieth. The baseline reads the very rows that the figures need, in DuckDB alone.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from tests.analysis_store import HandMadeStore

HERE = Path(__file__).parent
FIRST = "2025-03-01 02:00"
TAGS = 32
EVERY_S = 30

BASELINE = """
import sys, duckdb
with duckdb.connect(sys.argv[1], read_only=True, config={"threads": 2}) as store:
    for view in ("downtime", "machine_state", "grade_run", "production", "threading_attempt", "shift"):
        store.execute(f"FROM {view}").fetchall()
"""


def write_year(folder: Path, days: int) -> Path:
    """A store of so many days; gives its mill.toml."""
    store = HandMadeStore(folder)
    last = _day_after(days)
    for number in (1, 2, 3):
        store.machine(FIRST, last, machine=f"pm{number}", name=f"PM {number}")
    store.connection.execute("SET TimeZone = 'UTC'")
    store.connection.execute(f"SET VARIABLE days = {days}.0")
    store.connection.execute(f"SET VARIABLE losses = {round(days * 1_500 / 365)}")
    store.connection.execute((HERE / "year.sql").read_text(encoding="utf-8"))
    _archive(store, days)
    return store.close(published=last, data_to=last)


def _day_after(days: int) -> str:
    return f"{datetime.fromisoformat(FIRST) + timedelta(days=days):%Y-%m-%d %H:%M}"


def _archive(store: HandMadeStore, days: int) -> None:
    """Samples of 96 tags each 30 s, a Parquet file a day, named in the view as the collector names its parts."""
    files = []
    for day in range(days):
        file = store.store / "parts" / f"day-{day:03d}.parquet"
        store.connection.execute(
            "COPY (SELECT CAST(tag AS INTEGER) AS tag_id, "
            f"TIMESTAMPTZ '2025-03-01 00:00:00+00' + to_days({day}) + to_seconds({EVERY_S} * n) AS sampled_at, "
            "round(50 + 10 * sin((n + 97 * tag) / 180.0), 1) AS value, CAST(0 AS UTINYINT) AS flags "
            f"FROM range(1, {3 * TAGS + 1}) AS tags(tag), range({86_400 // EVERY_S}) AS times(n)) "
            f"TO '{file}' (FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2)"
        )
        files.append(f"'{file}'")
    store.connection.execute(
        "CREATE OR REPLACE VIEW base.stored_sample AS SELECT tag_id, sampled_at, value, flags "
        f"FROM read_parquet([{', '.join(files)}])"
    )


def seconds(command: Sequence[str], times: int, environment: dict[str, str]) -> tuple[float, float]:
    """Median time of a whole command from start to end, by the clock and of the processors. [s]"""
    taken = []
    for _ in range(times + 1 if times > 1 else 1):
        began, used = time.perf_counter(), _used_s()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
        taken.append((time.perf_counter() - began, _used_s() - used))
    # The first one compiles and reads from disk what an installed command finds compiled and read.
    counted = taken[-times:]
    return statistics.median(clock for clock, _ in counted), statistics.median(used for _, used in counted)


def _used_s() -> float:
    of_children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return of_children.ru_utime + of_children.ru_stime


def _as_installed(folder: Path) -> dict[str, str]:
    """The environment, with a place for compiled modules: an installed package has them compiled."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(folder / "compiled")}


def measure(mill: Path, times: int) -> None:
    """Print the table."""
    published = mill.parent / "kept" / "published.duckdb"
    with duckdb.connect(str(published), read_only=True) as store:
        (found,) = store.execute(
            "SELECT (SELECT count(*) FROM downtime), (SELECT count(*) FROM machine_state), "
            "(SELECT count(*) FROM base.stored_sample)"
        ).fetchall()
    sys.stdout.write("{:,} downtimes, {:,} stretches of machine state, {:,} samples\n".format(*found))
    environment = _as_installed(mill.parent)
    clock, baseline = seconds([sys.executable, "-c", BASELINE, str(published)], times, environment)
    sys.stdout.write(f"{'way':<66} {'s':>6} {'CPU s':>6} {'CPU ÷ DuckDB':>13}\n")
    sys.stdout.write(f"{'DuckDB alone: start Python, read the rows':<66} {clock:6.2f} {baseline:6.2f} {1.0:13.1f}\n")
    breakhorn = [sys.executable, "-m", "breakhorn", "--mill", str(mill)]
    for asked in (
        ["--help"],
        ["efficiency"],
        ["efficiency", "--by", "crew", "--by", "section", "--json"],
        ["pareto"],
        ["pareto", "--by", "section", "--json"],
        ["pareto", "--by", "crew", "--by", "hour", "--json"],
        ["pareto", "--within", "section=press", "--by", "cause", "--year", "--json"],
        ["efficiency", "--machine", "pm2"],
        ["pareto", "--machine", "pm2"],
    ):
        clock, used = seconds([*breakhorn, *asked], times, environment)
        said = " ".join(["breakhorn", *asked])
        sys.stdout.write(f"{said:<66} {clock:6.2f} {used:6.2f} {used / baseline:13.1f}\n")


def main() -> None:
    """Write a year and measure; ``--quick`` a twentieth of it, once."""
    quick = "--quick" in sys.argv
    with TemporaryDirectory() as name:
        measure(write_year(Path(name), 18 if quick else 365), 1 if quick else 5)


if __name__ == "__main__":
    main()
