"""Stores of every earlier schema version open and keep their rows, also when the upgrade is interrupted."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import duckdb
import pytest

from collector.backup import BackupFault, restore, take
from collector.batch import Batch
from collector.message import Scan
from collector.settings import Mill, load_mill
from collector.store import Store
from collector.store.schema import migrations, schema_version
from collector.writer import Writer
from tests.stored import NOW_MS, rows
from tests.test_full_disk import ROOT, in_a_name_space
from tests.upgrading import FIXTURES, unpacked

OF_THIS_VERSION = ("schema_version", "view_text")

Everything = dict[str, list[str]]


def everything(connection: duckdb.DuckDBPyConnection) -> Everything:
    """Every row of every table in the columns of schema version 1, but those that say which version the store has."""
    found: Everything = {}
    with duckdb.connect() as first:
        first.execute(migrations()[0].text)
        columns = rows(
            first,
            "SELECT table_name, string_agg(column_name, ', ' ORDER BY column_index) FROM duckdb_columns() "
            "WHERE schema_name = 'base' AND table_name IN (SELECT table_name FROM duckdb_tables()) GROUP BY 1",
        )
    for table, names in columns:
        if table not in OF_THIS_VERSION:
            found[table] = sorted(map(repr, rows(connection, f"SELECT {names} FROM base.{table}")))
    return found


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """The folder of a store of schema version 1."""
    return unpacked(tmp_path)


@pytest.fixture
def mill(store: Path) -> Mill:
    return load_mill(store.parent / "mill.toml")


def looked_at(store: Path) -> tuple[int, Everything]:
    """Version and rows of a store that nobody has open; nothing is changed."""
    with duckdb.connect(store / "collector.duckdb", read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        return schema_version(connection), everything(connection)


def kept(found: Everything, before: Everything) -> Everything:
    """What must be as it was before the store was opened.

    Opening it tells tags anew from mill.toml, and adds a configuration where settings have come that it had not.
    """
    of_before = {name: rows for name, rows in found.items() if name in before and name != "tag_setting"}
    return of_before | {"configuration": [row for row in found["configuration"] if row in before["configuration"]]}


def assert_upgraded(store: Path, mill: Mill, before: Everything) -> None:
    """The store opens, has every row that it had, and goes on."""
    with Store.open(store, mill, now_ms=1) as upgraded:
        after = everything(upgraded.connection)
        assert schema_version(upgraded.connection) == migrations()[-1].version
        assert kept(after, before) == kept(before, before)
        assert upgraded.inconsistencies() == []
        newest = rows(upgraded.connection, "SELECT epoch_ms(max(sampled_at)) FROM main.sample")[0][0]
        done = Writer(upgraded, mill).commit(
            Batch(scans=[Scan("pm2", newest + 1, {"reel.speed": 1.0}, 0, newest + 1)], messages=1, last_received_ms=1)
        )
        assert done.new == 1


def test_there_is_a_store_of_every_earlier_version() -> None:
    kept = {path.name for path in FIXTURES.glob("store_v*.tar.xz")}

    assert kept >= {f"store_v{step.version}.tar.xz" for step in migrations()[:-1]}


@pytest.mark.parametrize("number", [step.version for step in migrations()[:-1]])
def test_a_store_of_an_earlier_version_opens_with_all_its_rows(tmp_path: Path, number: int) -> None:
    store = unpacked(tmp_path, f"store_v{number}.tar.xz")
    mill = load_mill(tmp_path / "mill.toml")
    version, before = looked_at(store)

    assert version == number
    assert len(before["hot_sample"]) > 10_000
    assert len(before["part"]) == 2
    assert_upgraded(store, mill, before)


@pytest.mark.parametrize("number", [step.version for step in migrations()[:-1]])
def test_a_store_of_an_earlier_version_is_not_backed_up_by_this_one_but_is_once_it_was_opened(
    tmp_path: Path, number: int
) -> None:
    """Its backup could not be brought back: today's tables, and the number of the earlier ones."""
    store, file = unpacked(tmp_path, f"store_v{number}.tar.xz"), tmp_path / "mill.toml"
    mill = load_mill(file)

    with pytest.raises(BackupFault, match="copy the whole folder"):
        take(file, store, tmp_path / "backup", version="test", progress=lambda done, of_all: None)
    Store.open(store, mill, now_ms=NOW_MS).close()
    take(file, store, tmp_path / "backup", version="test", progress=lambda done, of_all: None)
    elsewhere = mill.model_copy(update={"store": mill.store.model_copy(update={"folder": tmp_path / "elsewhere"})})
    restore(elsewhere, tmp_path / "backup", progress=lambda done, of_all: None)

    (_, here), (_, there) = looked_at(store), looked_at(tmp_path / "elsewhere")
    assert all(here[table] == there[table] for table in ("note", "downtime", "rejected_message", "tracker"))


def upgrade(store: Path, statements: int) -> int:
    """Upgrade in a process that is killed after so many statements; how it ended."""
    command = [sys.executable, "-m", "tests.upgrading", str(store), str(statements)]
    return subprocess.run(command, cwd=ROOT, check=False, timeout=60).returncode


@pytest.mark.crash
@pytest.mark.slow
def test_an_upgrade_killed_at_any_statement_leaves_the_old_store_or_the_new_one(
    tmp_path: Path, store: Path, mill: Mill
) -> None:
    _, before = looked_at(store)
    versions, statements, ended = set(), 0, -signal.SIGKILL
    newest = migrations()[-1].version
    while ended == -signal.SIGKILL:
        copy = tmp_path / "copy"
        shutil.copytree(store, copy)

        ended = upgrade(copy, statements)

        version, found = looked_at(copy)
        versions.add((version, ended))
        assert {name: found[name] for name in before} == before
        if statements % 3 == 0:
            assert_upgraded(copy, mill, before)
        shutil.rmtree(copy)
        # The tables come first, one by one; the views after them are one transaction of some hundred statements.
        statements += 1 if version < newest else 97

    assert ended == 0
    # Each step between two versions is a transaction of its own, so that a version in between may be found as well.
    assert versions == {*((step.version, -signal.SIGKILL) for step in migrations()), (newest, 0)}


ON_A_FULL_DISK = """
    import json, shutil, subprocess, sys
    from pathlib import Path
    import collector.store.opening as opening
    from collector.settings import load_mill
    from collector.store import Store, StoreFull
    from collector.store.schema import migrations
    from tests.test_migration import assert_upgraded, kept, looked_at
    from tests.upgrading import unpacked
    opening.ROOM_TO_OPEN = 0
    small = Path(sys.argv[1]) / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=60m", "none", str(small)], check=True)
    outcomes = []
    for leave in (0, 4_096, 20_000, 60_000, 200_000, 1_000_000):
        store = unpacked(small / str(leave))
        mill = load_mill(store.parent / "mill.toml")
        _, before = looked_at(store)
        ballast = small / "ballast"
        ballast.write_bytes(bytes(max(0, shutil.disk_usage(small).free - leave)))
        try:
            Store.open(store, mill, now_ms=1).close()
            outcomes.append("opened")
        except StoreFull:
            outcomes.append("full")
        ballast.unlink()
        version, found = looked_at(store)
        assert 1 <= version <= migrations()[-1].version, version  # each step is a transaction of its own
        assert kept(found, before) == kept(before, before)
        assert_upgraded(store, mill, before)
        shutil.rmtree(store.parent)
    print(json.dumps(outcomes))
"""


@pytest.mark.slow
def test_an_upgrade_without_room_changes_nothing_and_works_when_there_is_room(tmp_path: Path) -> None:
    done = in_a_name_space("-c", textwrap.dedent(ON_A_FULL_DISK), str(tmp_path))

    assert done.returncode == 0, done.stderr
    assert "full" in json.loads(done.stdout)
