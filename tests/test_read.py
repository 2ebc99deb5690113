"""The published store as the figures meet it: found, read, locked down, and clear when it cannot be."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from analysis.figures.ledger import Class, ledger
from analysis.history import Freshness
from analysis.period import Period
from analysis.read import CannotRead, NoMill, NoStore, NoSuchMachine, OtherVersion, connect, open_store, store_folder
from tests.analysis_store import Break, HandMadeStore, at, ms


@pytest.fixture
def mill_toml(tmp_path: Path) -> Path:
    """Half a day of PM 2 with one break, and a PM 3 of which nothing was ever heard."""
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    store.insert("machine", machine="pm3", name="PM 3")
    store.states(
        ("2026-03-02 06:00", "on_reel"),
        ("2026-03-02 09:00", "down"),
        ("2026-03-02 09:10", "threading"),
        ("2026-03-02 09:22", "on_reel"),
    )
    store.breaks(Break("2026-03-02 09:00", "2026-03-02 09:22", cause="PR-FLT"))
    store.insert("cause", code="PR-FLT", name="Felt plugged")
    store.shifts("2026-03-02 06:00", 2)
    store.produced("2026-03-02 08:00", "2026-03-02 09:00", 12.0)
    return store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")


def test_the_history_of_a_machine_comes_out_of_the_views(mill_toml: Path) -> None:
    period = Period(from_ms=ms("2026-03-02 06:00"), to_ms=ms("2026-03-02 18:00"))

    with open_store(mill_toml) as store:
        past = store.history(store.machine("pm2"), period)

    book = ledger(past, period)
    assert book.ms[Class.ON_REEL] == (12 * 60 - 22) * 60_000
    assert book.ms[Class.BREAK] == 22 * 60_000
    (lost,) = past.downtimes
    assert (lost.section, lost.cause, lost.crew, lost.shift, lost.secondary) == ("press", "PR-FLT", "A", "day", False)
    # 22 min with stock on at 12 t/h
    assert lost.broke_t == pytest.approx(4.4)
    assert past.causes == {"PR-FLT": "Felt plugged"}
    assert past.mill.margin_per_t == 300.0
    assert past.freshness == Freshness(published_ms=ms("2026-03-02 18:01"), data_to_ms=ms("2026-03-02 18:00"))
    assert [s.shift for s in past.shifts] == ["day"]


def test_only_what_touches_the_period_is_read(mill_toml: Path) -> None:
    with open_store(mill_toml) as store:
        late = store.history(store.machine("pm2"), Period(from_ms=ms("2026-03-02 09:22"), to_ms=ms("2026-03-02 10:00")))

    assert late.downtimes == ()
    assert [s.state for s in late.states] == ["on_reel"]
    assert late.production == ()


def test_a_downtime_that_reaches_out_of_the_period_has_all_its_attempts(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    lost = Break("2026-03-02 09:00", "2026-03-02 09:40")
    store.breaks(lost)
    for number, started in enumerate(("09:05", "09:20", "09:35"), start=1):
        store.insert(
            "threading_attempt", downtime_id=lost.downtime_id, attempt=number, machine="pm2",
            started_at=at(f"2026-03-02 {started}"),
        )  # fmt: skip
    period = Period(from_ms=ms("2026-03-02 09:10"), to_ms=ms("2026-03-02 09:30"))

    with open_store(store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")) as opened:
        past = opened.history(opened.machine("pm2"), period)

    assert [a.attempt for a in past.attempts] == [1, 2, 3]


def test_a_machine_without_data_is_there_and_has_no_times(mill_toml: Path) -> None:
    with open_store(mill_toml) as store:
        machines = {m.machine: m for m in store.machines()}

    assert machines["pm3"].first_ms is None
    assert machines["pm2"].last_ms == ms("2026-03-02 18:00")


def test_frames_come_without_pyarrow_and_in_utc(mill_toml: Path) -> None:
    with open_store(mill_toml) as store:
        frame = store.frame("SELECT started_at, lost_s FROM downtime WHERE machine = $machine", machine="pm2")

    assert frame["lost_s"].to_list() == [1320.0]
    assert str(frame.schema["started_at"]) == "Datetime(time_unit='us', time_zone='UTC')"


def test_an_unknown_machine_is_refused_with_those_there_are(mill_toml: Path) -> None:
    with open_store(mill_toml) as store, pytest.raises(NoSuchMachine, match="'pm9'; this mill has pm2, pm3"):
        store.machine("pm9")


@pytest.mark.parametrize(
    ("text", "folder"), [("", "store"), ("[store]\n", "store"), ('[store]\nfolder = "a/b"\n', "a/b")]
)
def test_the_store_is_found_beside_mill_toml(tmp_path: Path, text: str, folder: str) -> None:
    file = tmp_path / "mill.toml"
    file.write_text(text, encoding="utf-8")

    assert store_folder(file) == tmp_path / folder


def test_an_absolute_store_folder_holds(tmp_path: Path) -> None:
    file = tmp_path / "mill.toml"
    file.write_text(f'[store]\nfolder = "{tmp_path / "elsewhere"}"\n', encoding="utf-8")

    assert store_folder(file) == tmp_path / "elsewhere"


@pytest.mark.parametrize("text", ["[store", "[store]\nfolder = 3\n", "store = 3\n"])
def test_a_mill_toml_that_cannot_be_read_says_so(tmp_path: Path, text: str) -> None:
    file = tmp_path / "mill.toml"
    file.write_text(text, encoding="utf-8")

    with pytest.raises(NoMill, match=r"mill\.toml.*check"):
        store_folder(file)


def test_no_mill_toml_says_how_to_name_one(tmp_path: Path) -> None:
    with pytest.raises(NoMill, match="--mill PATH"):
        store_folder(tmp_path / "mill.toml")


def test_a_store_that_was_never_published_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(NoStore, match="breakhorn collect"):
        connect(tmp_path)


def test_a_file_that_is_no_store_says_what_to_run(tmp_path: Path) -> None:
    (tmp_path / "published.duckdb").write_bytes(b"not a database, but long enough to look at" * 300)

    with pytest.raises(OtherVersion, match="publishes again"):
        connect(tmp_path)


def test_a_store_of_another_version_says_what_is_missing(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_text("", encoding="utf-8")
    (tmp_path / "store").mkdir()
    with duckdb.connect(str(tmp_path / "store" / "published.duckdb")) as other:
        other.execute("CREATE TABLE downtime (downtime_id VARCHAR)")

    with pytest.raises(OtherVersion, match="machine"), open_store(tmp_path / "mill.toml") as store:
        store.machines()


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO base.cause (code, name) VALUES ('X', 'x')",
        "WITH gone AS (DELETE FROM base.cause RETURNING *) SELECT * FROM gone",
        "CREATE TABLE more (x INTEGER)",
        "SELECT * FROM read_text('/etc/passwd')",
        "SELECT * FROM read_csv('{outside}/secret.csv')",
        "SELECT * FROM glob('/etc/*')",
        "COPY (SELECT 1) TO '{outside}/made.csv'",
        "EXPORT DATABASE '{outside}/made'",
        "ATTACH '{outside}/other.duckdb'",
        "SET enable_external_access = true",
        "SET memory_limit = '100GB'",
        "INSTALL httpfs",
        "LOAD httpfs",
    ],
)
def test_the_connection_itself_refuses_what_no_reader_needs(mill_toml: Path, statement: str) -> None:
    outside = mill_toml.parent
    (outside / "secret.csv").write_text("a\n1\n", encoding="utf-8")
    connection = connect(store_folder(mill_toml))

    with connection, pytest.raises(duckdb.Error):
        connection.execute(statement.format(outside=outside))

    assert not (outside / "made.csv").exists()


def test_parquet_parts_of_the_store_can_be_read(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    part = store.store / "parts" / "1.parquet"
    store.connection.execute(
        f"COPY (SELECT 1 AS tag_id, now() AS sampled_at, 780.0 AS value, 0::UTINYINT AS flags) TO '{part}'"
    )
    store.connection.execute(f"CREATE OR REPLACE VIEW base.stored_sample AS SELECT * FROM read_parquet(['{part}'])")
    mill_toml = store.close(published="2026-03-02 18:01", data_to=None)

    with open_store(mill_toml) as opened:
        rows = opened.rows("SELECT machine, tag, value FROM sample")

    assert rows == [{"machine": "pm2", "tag": "reel.speed", "value": 780.0}]


def test_reading_changes_no_byte_of_the_store(mill_toml: Path) -> None:
    before = {file: file.read_bytes() for file in mill_toml.parent.rglob("*") if file.is_file()}

    with open_store(mill_toml) as store:
        store.history(store.machine("pm2"), Period(from_ms=0, to_ms=ms("2026-03-02 18:00")))

    assert {file: file.read_bytes() for file in mill_toml.parent.rglob("*") if file.is_file()} == before


def test_a_store_can_be_opened_again_while_it_is_open(mill_toml: Path) -> None:
    with open_store(mill_toml) as first, open_store(mill_toml) as second:
        assert [machine.machine for machine in second.machines()] == [machine.machine for machine in first.machines()]
        zone = second.rows("SELECT current_setting('TimeZone') AS zone, current_setting('lock_configuration') AS shut")

    assert zone == [{"zone": "UTC", "shut": True}]


def test_a_limit_that_means_nothing_is_one_line(mill_toml: Path) -> None:
    with pytest.raises(CannotRead, match="Memory must have a number"):
        connect(store_folder(mill_toml), memory="much")


def test_a_store_reached_by_a_symbolic_link_gives_its_samples(tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.mkdir()
    store = HandMadeStore(real)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    part = store.store / "parts" / "1.parquet"
    store.connection.execute(f"COPY (SELECT 1 AS a) TO '{part}'")
    store.close(published="2026-03-02 18:01", data_to=None)
    (tmp_path / "link").symlink_to(real)

    with open_store(tmp_path / "link" / "mill.toml") as opened:
        rows = opened.rows(f"SELECT a FROM read_parquet('{part}')")

    assert rows == [{"a": 1}]
