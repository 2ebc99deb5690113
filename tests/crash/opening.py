"""Kills the collector while it opens a store: a new one, whose tables are being made, or one of an older version."""

from __future__ import annotations

import random
import shutil
import signal
import time
from pathlib import Path

import duckdb

from collector.settings import Mill
from collector.store import Store
from collector.store.opening import DATABASE
from collector.store.schema import make_views, migrations, schema_version
from tests.crash.harness import end, faults_of, size_of, start

COLLECTED = (
    "tag",
    "hot_sample",
    "hot_text",
    "part",
    "machine_state",
    "downtime",
    "threading_attempt",
    "note",
    "tracker",
)

FIXTURES = Path(__file__).parent.parent / "fixtures"
"""Stores with rows in them that older versions left behind, if there are any: each a folder with a database."""


def older_versions() -> list[int]:
    """Every version of the schema before the newest one; 0 is a folder without a store."""
    return list(range(migrations()[-1].version))


def older_stores() -> list[Path]:
    """The folders of the stores that older versions left behind."""
    return sorted(path.parent for path in FIXTURES.rglob(DATABASE))


def make_store(folder: Path, begin: int | Path) -> dict[str, int]:
    """A store as an older version made it, without rows; a copy of one with rows; how many rows it has."""
    if isinstance(begin, Path):
        shutil.copytree(begin, folder)
    (folder / "parts").mkdir(parents=True, exist_ok=True)
    if begin == 0:
        return {}
    if isinstance(begin, int):
        with duckdb.connect(folder / DATABASE) as connection:
            for step in migrations()[:begin]:
                connection.execute(step.text)
                connection.execute("INSERT INTO base.schema_version VALUES (?, ?, now())", [step.version, step.name])
    return rows_in(folder)


def rows_in(folder: Path) -> dict[str, int]:
    """How many rows each table of what was collected holds; what every opening writes is left out."""
    with duckdb.connect(folder / DATABASE) as connection:
        names = connection.execute("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'base'").fetchall()
        kept = [name for (name,) in names if name in COLLECTED]
        counts = {name: connection.execute(f"SELECT count(*) FROM base.{name}").fetchone() for name in kept}
    return {name: int(row[0]) for name, row in counts.items() if row}


def kill_while_opening(mill_path: Path, mill: Mill, dice: random.Random) -> None:
    """Start a collector on the store, and kill it at some moment while it is opening it."""
    process = start(mill_path)
    until_s = time.monotonic() + 10
    before = size_of(mill.store.folder / DATABASE)
    while size_of(mill.store.folder / DATABASE) == before < 0 and time.monotonic() < until_s:
        time.sleep(0.0005)
    time.sleep(dice.uniform(0, 0.12))
    end(process, signal.SIGKILL)


def opens_soundly(mill: Mill) -> bool:
    """Whether what a killed process left opens, has the newest version, its views, and nothing wrong in it."""
    if (mill.store.folder / DATABASE).exists() and faults_of(mill.store.folder, mill):
        return False
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        make_views(store.connection)
        return schema_version(store.connection) == migrations()[-1].version and not store.inconsistencies()
