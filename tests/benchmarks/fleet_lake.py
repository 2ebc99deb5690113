"""A lake written straight, without collectors, to see how questions grow with files and rows.

python -m tests.benchmarks.fleet_lake            50 machines × 30 days, a mean a minute of 100 tags
python -m tests.benchmarks.fleet_lake --quick    a smoke test
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb

from analysis.fleet.opening import open_lake
from collector.lake import make_lake
from collector.lake.manifest import File, Head, Manifest
from collector.lake.place import LAKE_VERSION, digest_of

HEAD = f"{'question':30} {'files':>8} {'rows':>12} {'s':>7} {'CPU s':>7} {'÷ scan':>8}"
FIRST = date(2026, 3, 1)
NOW = "2026-06-01T00:00:00+00:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One question.

    files, rows
        How many it may look at.
    ratio
        Processor time over that of the same rows scanned by DuckDB with nothing around it; None where no row is read.
    """

    name: str
    files: int
    rows: int
    wall_s: float
    cpu_s: float
    ratio: float | None

    def __str__(self) -> str:
        """One row of the table."""
        ratio = "" if self.ratio is None else f"{self.ratio:.2f}"
        return f"{self.name:30} {self.files:8,} {self.rows:12,} {self.wall_s:7.2f} {self.cpu_s:7.2f} {ratio:>8}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A lake, and how much is in it."""

    folder: Path
    files: tuple[Path, ...]
    rows: int


def write_lake(folder: Path, *, machines: int, days: int, rows: int) -> Written:
    """A lake of so many machines and days; a day is one file, linked under each machine."""
    lake = folder / "lake"
    make_lake(lake)
    paths: list[Path] = []
    manifests: dict[str, list[File]] = {}
    for number in range(days):
        day = FIRST + timedelta(days=number)
        made = _day_file(folder, day, rows)
        sha256, size = digest_of(made), made.stat().st_size
        for machine in (f"pm{one}" for one in range(1, machines + 1)):
            path = f"sample/mill=Ellerholm/machine={machine}/day={day}/plan-{sha256[:16]}.parquet"
            (lake / path).parent.mkdir(parents=True)
            os.link(made, lake / path)
            paths.append(lake / path)
            file = File(
                table="sample", mill="Ellerholm", machine=machine, day=str(day), writer="plan", path=path, rows=rows,
                bytes=size, sha256=sha256, columns="tag,sampled_at,value,flags", time="sampled_at",
                first_at=f"{day}T00:00:00+00:00", last_at=f"{day}T23:59:00+00:00", written_at=NOW,
            )  # fmt: skip
            manifests.setdefault(machine, []).append(file)
    for machine, files in manifests.items():
        _write_manifest(lake, f"machine={machine},year=2026.jsonl", machine, files)
    _write_dictionary(lake)
    return Written(folder=lake, files=tuple(paths), rows=machines * days * rows)


def _day_file(folder: Path, day: date, rows: int) -> Path:
    """A mean a minute of 100 tags, or as many tags as there are rows for, as a collector's copy writes it."""
    made = folder / f"{day}.parquet"
    start_us = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1e6)
    duckdb.execute(
        f"COPY (SELECT 'tag' || lpad((range // 1440)::VARCHAR, 3, '0') AS tag, "
        f"make_timestamptz(({start_us} + (range % 1440) * 60000000)::BIGINT) AS sampled_at, "
        f"round(100 + 10 * sin(range / 90.0), 2) AS value, 0::UTINYINT AS flags FROM range({rows})) TO '{made}' "
        "(FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE 1_000_000, DICTIONARY_SIZE_LIMIT 200_000)"
    )
    return made


def _write_dictionary(lake: Path) -> None:
    """What the views need to know of the tables: of sample alone, and of downtime, since a view is made of it."""
    path = lake / "dictionary" / "mill=Ellerholm" / "plan.parquet"
    path.parent.mkdir(parents=True)
    columns = [
        ("sample", "machine", "VARCHAR"), ("sample", "tag", "VARCHAR"), ("sample", "sampled_at", "TIMESTAMPTZ"),
        ("sample", "value", "DOUBLE"), ("sample", "flags", "UTINYINT"), ("downtime", "machine", "VARCHAR"),
        ("downtime", "kind", "VARCHAR"), ("sheet_break", "machine", "VARCHAR"), ("sheet_break", "kind", "VARCHAR"),
    ]  # fmt: skip
    rows = [(*column, place, None) for place, column in enumerate(columns)]
    with duckdb.connect() as connection:
        connection.execute(
            "CREATE TABLE d (table_name TEXT, column_name TEXT, data_type TEXT, position INTEGER, comment TEXT)"
        )
        connection.executemany("INSERT INTO d VALUES (?, ?, ?, ?, ?)", rows)
        connection.execute(f"COPY d TO '{path}'")
    file = File(
        table="dictionary", mill="Ellerholm", writer="plan", path=str(path.relative_to(lake)), rows=len(columns),
        bytes=path.stat().st_size, sha256=digest_of(path), columns="table_name,column_name,data_type,position,comment",
        written_at=NOW,
    )  # fmt: skip
    _write_manifest(lake, "mill.jsonl", None, [file])


def _write_manifest(lake: Path, name: str, machine: str | None, files: list[File]) -> None:
    path = lake / "manifest" / "mill=Ellerholm" / "writer=plan" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    head = Head(lake_version=LAKE_VERSION, writer="plan", writer_id="0", mill="Ellerholm", machine=machine)
    path.write_bytes(Manifest("", head, files).encoded())


def ask(lake: Written) -> list[Asked]:
    """How long opening and some questions take, beside a plain scan of the same rows."""
    whole_s, whole_cpu_s = _timed(lambda: _plain(lake.files))
    a_row_s = whole_cpu_s / lake.rows
    per_file = lake.rows // len(lake.files)
    found = [_figure("all rows, DuckDB alone", len(lake.files), lake.rows, (whole_s, whole_cpu_s), a_row_s)]
    found.append(_figure("open", len(lake.files), 0, _timed(lambda: _ask(lake, "SELECT 1")), a_row_s))
    machines = len({path.parent.parent for path in lake.files})
    for name, where, files in (
        ("a tag, a machine, a day", f"day = DATE '{FIRST}' AND machine = 'pm1' AND tag = 'tag001'", 1),
        ("a tag, all machines, a day", f"day = DATE '{FIRST}' AND tag = 'tag001'", machines),
        ("a machine, all days", "machine = 'pm1'", len(lake.files) // machines),
        ("everything", "TRUE", len(lake.files)),
    ):
        sql = f"SELECT machine, count(*), avg(value) FROM sample WHERE {where} GROUP BY machine"
        found.append(_figure(name, files, files * per_file, _asked_s(lake, sql), a_row_s))
    return found


def _figure(name: str, files: int, rows: int, took: tuple[float, float], a_row_s: float) -> Asked:
    ratio = took[1] / (rows * a_row_s) if rows else None
    return Asked(name=name, files=files, rows=rows, wall_s=took[0], cpu_s=took[1], ratio=ratio)


def _plain(files: tuple[Path, ...]) -> None:
    with duckdb.connect(config={"threads": 2}) as connection:
        query = "SELECT filename, count(*), avg(value) FROM read_parquet(?) GROUP BY 1"
        connection.execute(query, [[str(path) for path in files]]).fetchall()


def _ask(lake: Written, sql: str) -> None:
    with open_lake(lake.folder) as fleet:
        fleet.connection.execute(sql).fetchall()


def _asked_s(lake: Written, sql: str) -> tuple[float, float]:
    """Of a question over a lake that is open already."""
    with open_lake(lake.folder) as fleet:
        return _timed(lambda: fleet.connection.execute(sql).fetchall())


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def main() -> None:
    """Write a lake, ask it, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--machines", type=int, default=50)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--rows", type=int, default=144_000, help="Of a machine and day.")
    asked = parser.parse_args()
    size = (4, 3, 5_000) if asked.quick else (asked.machines, asked.days, asked.rows)
    with tempfile.TemporaryDirectory() as name:
        lake = write_lake(Path(name), machines=size[0], days=size[1], rows=size[2])
        print(HEAD)
        for one in ask(lake):
            print(f"{one}")


if __name__ == "__main__":
    main()
