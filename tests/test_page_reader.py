"""Reading a file that is renewed all the time: everybody sees the newest, and each answer is worked out once a file."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from pathlib import Path

import duckdb
import pytest

from analysis.page.reader import AT_WORK, Reader, TooMuch
from analysis.read import CannotRead, NoStore, OtherVersion, Store
from tests.page import night_store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("made"))


@pytest.fixture
def mill(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made.parent, tmp_path / "mill")
    return tmp_path / "mill" / "mill.toml"


@pytest.fixture
def reader(mill: Path) -> Iterator[Reader]:
    found = Reader(mill)
    yield found
    found.close()


def renew(mill: Path, name: str) -> None:
    """Publish once more, as the collector does, with another name of the mill."""
    published = mill.parent / "kept" / "published.duckdb"
    beside = published.with_name("next.duckdb")
    shutil.copy(published, beside)
    with duckdb.connect(str(beside)) as connection:
        connection.execute("UPDATE base.mill SET name = ?", [name])
    os.replace(beside, published)


def name_of(store: Store) -> str:
    return store.mill().name


def test_a_renewed_file_is_read_while_somebody_still_reads_the_old_one(mill: Path, reader: Reader) -> None:
    with reader.store() as old:
        renew(mill, "Renewed")
        with reader.store() as new:
            assert (name_of(old), name_of(new)) == ("Ellerholm", "Renewed")


def test_an_answer_is_worked_out_once_a_file(mill: Path, reader: Reader) -> None:
    asked: list[str] = []

    def work_out(store: Store) -> str:
        asked.append(name_of(store))
        return asked[-1]

    found = [reader.answer("name", work_out) for _ in range(3)]
    renew(mill, "Renewed")
    found.append(reader.answer("name", work_out))

    assert found == ["Ellerholm", "Ellerholm", "Ellerholm", "Renewed"]
    assert asked == ["Ellerholm", "Renewed"]


def test_many_who_ask_at_once_wait_for_one_answer(reader: Reader) -> None:
    together = threading.Barrier(4)
    asked: list[int] = []

    def work_out(store: Store) -> str:
        asked.append(1)
        return name_of(store)

    def ask(_: int) -> str:
        together.wait(10)
        return reader.answer("name", work_out)

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(ask, range(4)))

    assert found == ["Ellerholm"] * 4
    assert asked == [1]


def test_an_answer_that_failed_is_asked_again(reader: Reader) -> None:
    def fail(_: Store) -> str:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        reader.answer("name", fail)

    assert reader.answer("name", name_of) == "Ellerholm"


def test_of_costly_answers_few_are_worked_out_at_once_and_all_others_are_given_meanwhile(
    mill: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analysis.page.reader.IN_TURN", AT_WORK)
    reader, begun, go_on = Reader(mill), threading.Barrier(AT_WORK + 1), threading.Event()

    def work_out(_: Store) -> str:
        begun.wait(10)
        go_on.wait(10)
        return "done"

    with ThreadPoolExecutor(AT_WORK) as pool:
        under_way = [pool.submit(reader.answer, number, work_out, costly=True) for number in range(AT_WORK)]
        begun.wait(10)
        with pytest.raises(TooMuch):
            reader.answer("one more", work_out, costly=True)
        cheap = reader.answer("name", name_of)
        go_on.set()
        found = [one.result() for one in under_way]

    assert (cheap, found) == ("Ellerholm", ["done"] * AT_WORK)
    assert reader.answer("one more", name_of, costly=True) == "Ellerholm"
    reader.close()


def test_who_waits_for_an_answer_under_way_keeps_no_other_from_being_worked_out(reader: Reader) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def slow(_: Store) -> str:
        begun.set()
        go_on.wait(30)
        return "done"

    with ThreadPoolExecutor(AT_WORK + 1) as pool:
        same = [pool.submit(reader.answer, "slow", slow, costly=True) for _ in range(AT_WORK)]
        begun.wait(10)
        # So many that the second of those who wait has come to wait during one of them.
        others = [pool.submit(reader.answer, number, name_of, costly=True) for number in range(50)]
        try:
            found = [one.result(10) for one in others]
        finally:
            go_on.set()

    assert found == ["Ellerholm"] * 50
    assert [one.result() for one in same] == ["done"] * AT_WORK


def test_too_many_who_wait_for_one_answer_are_told_to_come_again(mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.page.reader.TOLD", 1)
    reader, begun, go_on = Reader(mill), threading.Event(), threading.Event()

    def slow(_: Store) -> str:
        begun.set()
        go_on.wait(30)
        return "done"

    with ThreadPoolExecutor(3) as pool:
        first = pool.submit(reader.answer, "slow", slow, costly=True)
        begun.wait(10)
        more = [pool.submit(reader.answer, "slow", slow, costly=True) for _ in range(2)]
        refused, left = wait(more, timeout=10, return_when=FIRST_EXCEPTION)
        go_on.set()

    assert [type(one.exception()) for one in refused] == [TooMuch]
    assert [one.result() for one in (first, *left)] == ["done", "done"]
    reader.close()


def test_costly_answers_wait_for_their_turn(reader: Reader) -> None:
    lock, at_once, most = threading.Lock(), 0, 0

    def work_out(store: Store) -> str:
        nonlocal at_once, most
        with lock:
            at_once += 1
            most = max(most, at_once)
        found = name_of(store)
        with lock:
            at_once -= 1
        return found

    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda number: reader.answer(number, work_out, costly=True), range(16)))

    assert found == ["Ellerholm"] * 16
    assert most <= AT_WORK


def test_several_threads_read_the_same_file_at_once(reader: Reader) -> None:
    def read(number: int) -> list[object]:
        with reader.store() as store:
            return [row["n"] for row in store.rows("SELECT $n AS n, count(*) FROM downtime", n=number)]

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(read, range(20)))

    assert found == [[number] for number in range(20)]


def test_instants_come_in_utc_and_nothing_can_be_changed(mill: Path, reader: Reader) -> None:
    with reader.store() as store:
        (row,) = store.rows("SELECT current_setting('TimeZone') AS zone")
        assert row["zone"] == "UTC"
        for sql in (
            "DELETE FROM base.downtime",
            "CREATE TABLE base.x (a INTEGER)",
            f"COPY (SELECT 1) TO '{mill.parent / 'x.csv'}'",
            f"ATTACH '{mill.parent / 'x.duckdb'}'",
            "SET enable_external_access = true",
        ):
            with pytest.raises(duckdb.Error):
                store.connection.execute(sql)
    assert sorted(path.name for path in mill.parent.iterdir()) == ["kept", "mill.toml"]


def test_without_a_store_it_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_text("")

    with pytest.raises(NoStore, match="breakhorn collect"):
        Reader(tmp_path / "mill.toml").answer("name", name_of)


def test_a_store_of_another_version_is_told_apart(mill: Path, reader: Reader) -> None:
    with pytest.raises(OtherVersion, match="start this version's collector"):
        reader.answer("x", lambda store: store.rows("FROM a_view_of_later"))


def test_a_file_that_is_no_store_is_said_to_be_none(mill: Path, reader: Reader) -> None:
    (mill.parent / "kept" / "published.duckdb").write_bytes(b"torn" * 5_000)

    with pytest.raises(CannotRead, match="start this version's collector"):
        reader.answer("name", name_of)


def test_a_part_that_is_gone_with_its_file_is_no_fault_of_ours(mill: Path, reader: Reader) -> None:
    """A file that was replaced is read on; its parts may be tidied away meanwhile."""
    with pytest.raises(CannotRead, match="replaced meanwhile"):
        reader.answer("x", lambda store: store.rows(f"FROM '{mill.parent / 'kept' / 'parts' / 'day-000.parquet'}'"))
