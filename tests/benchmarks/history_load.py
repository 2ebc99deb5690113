"""What it costs to load a historian's export, beside what DuckDB alone takes to read and to write the same samples.

    python -m tests.benchmarks.history_load [--quick]

A year's beginning of one machine: 30 numbers and 7 sheet detectors every 10 s, one row a value, as CSV and as Parquet.
Once as a historian with a dead band keeps it, where speed and basis weight change now and then, and once with both new
in every scan, so that the tracker has to see every one. Then the sieve before the tracker alone, on scans that hardly
ever change. Wall time and CPU time of this process, all its threads together.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np

from collector import sheet
from collector.block import NUMBER, TRUTH, Block
from collector.history import FILE_SOURCE, HistoryOptions, Spool, take_all
from collector.load import load_blocks
from collector.pipeline import rules_of
from collector.settings import Mill, load_mill
from collector.sieve import Sieve
from collector.store import Store

MILL = Path(__file__).parents[2] / "replay_data" / "mill.toml"
START_MS = 1_772_330_400_000
NUMBERS = 30


@dataclass(frozen=True)
class Took:
    """Wall and CPU time. [s]"""

    wall_s: float
    cpu_s: float

    def line(self, name: str, samples: int, base: Took | None = None) -> str:
        ratio = "" if base is None else f"  CPU ÷ DuckDB alone {self.cpu_s / base.cpu_s:.1f}"
        rate = samples / self.wall_s
        return f"{name:44} {rate:12,.0f} samples/s  {self.cpu_s / samples * 1e6:5.2f} CPU µs a sample{ratio}"


def timed(run: Callable[[], object]) -> Took:
    wall, cpu = time.perf_counter(), time.process_time()
    run()
    return Took(time.perf_counter() - wall, time.process_time() - cpu)


def export(path: Path, mill: Mill, scans: int, *, steady: bool) -> None:
    """Write the export; the ending of its name says how."""
    speed = "(700 + i // 3000)" if steady else "round(700 + random(), 1)"
    weight = "round(80 + (i // 1000) % 3 / 10.0, 1)" if steady else "round(80 + random(), 2)"
    columns = [f'{speed} AS "reel.speed"', f'{weight} AS "scanner.basis_weight"']
    columns += [f'true AS "{detector.tag}"' for detector in mill.machines[0].sheet_detectors]
    columns += [f'round(50 + 5 * random(), 2) AS "tag.{number}"' for number in range(NUMBERS - 2)]
    moment = f"make_timestamptz({START_MS} * 1000 + i * 10000000) AS t"
    wide = f"SELECT {moment}, {', '.join(columns)} FROM range({scans}) r(i)"
    long = f"""
        SELECT strftime(t AT TIME ZONE 'UTC', '%Y-%m-%dT%H:%M:%SZ') AS ts, tag, value
        FROM (UNPIVOT (SELECT t, COLUMNS('\\.')::VARCHAR FROM ({wide})) ON COLUMNS('\\.') INTO NAME tag VALUE value)
    """
    connection = duckdb.connect()
    connection.execute(f"COPY ({long}) TO '{path}'")
    connection.close()


def load(path: Path, mill: Mill, folder: Path) -> None:
    now_ms = START_MS + 400 * 86_400_000
    with Spool(mill, HistoryOptions(), now_ms=now_ms) as spool, Store.open(folder, mill, now_ms=now_ms) as store:
        take_all(spool, [path], mill, told=lambda _: None)
        load_blocks(mill, store, spool.blocks())


def alone(path: Path, folder: Path) -> None:
    """The least that any loader must do: read the file, put it in order of time, write it to a table."""
    connection = duckdb.connect(folder / "alone.duckdb")
    connection.execute(
        f"CREATE TABLE sample AS SELECT (hash(tag) % 65536)::INTEGER AS tag_id, ts::TIMESTAMPTZ AS sampled_at, "
        f"coalesce(TRY_CAST(value AS DOUBLE), (value = 'true')::DOUBLE) AS value FROM '{path}' ORDER BY sampled_at"
    )
    connection.close()


def calm_block(mill: Mill, scans: int) -> Block:
    """Scans of speed and seven detectors, every second, of which one in a thousand changes the speed."""
    machine = mill.machines[0]
    tags = ("reel.speed", *(detector.tag for detector in machine.sheet_detectors))
    second = np.repeat(np.arange(scans, dtype=np.int64), len(tags))
    tag_no = np.tile(np.arange(len(tags), dtype=np.int32), scans)
    numbers = np.where(tag_no == 0, 700.0 + second // 1000 % 50, 1.0)
    return Block(
        source=FILE_SOURCE,
        tags=tuple((machine.id, tag) for tag in tags),
        tag_no=tag_no,
        at_ms=START_MS + second * 1000,
        kinds=np.where(tag_no == 0, NUMBER, TRUTH).astype(np.uint8),
        numbers=numbers,
        texts=np.full(len(second), None, np.object_),
    )


def sieve_alone(mill: Mill, scans: int) -> Took:
    rules, block = rules_of(mill.machines[0], mill.heartbeats_s), calm_block(mill, scans)
    state = sheet.fresh(len(rules.detectors))
    sieve = Sieve(rules=rules, source=FILE_SOURCE)
    return timed(lambda: sheet.advance(rules, state, sieve.scans(block, state)))


def main() -> None:
    """Print a line for each."""
    quick = "--quick" in sys.argv
    scans = 5_000 if quick else 270_000
    mill = load_mill(MILL)
    samples = scans * (NUMBERS + len(mill.machines[0].sheet_detectors))
    print(f"{samples:,} samples in {scans:,} scans")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for suffix in ("csv", "parquet"):
            for steady in (True, False):
                path = folder / f"{'steady' if steady else 'lively'}.{suffix}"
                export(path, mill, scans, steady=steady)
                (folder / "alone.duckdb").unlink(missing_ok=True)
                base = timed(lambda path=path: alone(path, folder))  # type: ignore[misc]
                ours = timed(lambda path=path: load(path, mill, folder / f"store-{path.name}"))  # type: ignore[misc]
                print(base.line(f"{path.name}: DuckDB alone", samples))
                print(ours.line(f"{path.name}: load", samples, base))
    count = 20_000 if quick else 1_000_000
    took = sieve_alone(mill, count)
    print(f"sieve and tracker, hardly a change: {count / took.wall_s:,.0f} scans/s of 8 role values")


if __name__ == "__main__":
    main()
