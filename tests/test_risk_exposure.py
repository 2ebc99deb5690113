"""From the views to the exposure table."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pytest

from analysis.risk.exposure import NothingToLearn, build, exposure_of
from analysis.risk.settings import RiskSettings
from tests.analysis_store import HandMadeStore, at
from tests.risk_mill import MINUTE_MS, planted_mill
from tests.risk_store import store_of

SETTINGS = RiskSettings()
MILL = planted_mill(9, days=5, tags=4)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("store")
    store_of(MILL, folder, use={"tag02": "result", "tag03": "context"})
    return folder / "kept" / "published.duckdb"


@contextmanager
def opened(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = duckdb.connect(str(file), read_only=True)
    connection.execute("SET TimeZone = 'UTC'")
    try:
        yield connection
    finally:
        connection.close()


def test_the_table_is_the_same_from_the_views_as_from_minute_sums(folder: Path) -> None:
    with opened(folder) as connection:
        found = build(connection, "pm2", SETTINGS)

    kept = [n for n, tag in enumerate(MILL.minutes.tags) if tag in ("tag00", "tag01")]
    minutes = replace(
        MILL.minutes,
        tags=("tag00", "tag01"),
        units=("", ""),
        mean=MILL.minutes.mean[kept],
        variance=MILL.minutes.variance[kept],
        # The newest sample of a minute is its upper one.
        last=MILL.minutes.mean[kept] + np.sqrt(1.5 * MILL.minutes.variance[kept]),
    )
    expected = exposure_of("pm2", minutes, MILL.past, SETTINGS)
    np.testing.assert_array_equal(found.rows.at_ms, expected.rows.at_ms)
    np.testing.assert_array_equal(found.rows.outcome, expected.rows.outcome)
    assert found.breaks.downtime_id == expected.breaks.downtime_id
    names = [f.name for f in expected.features if f.tag]
    mine, theirs = ([[f.name for f in e.features].index(name) for name in names] for e in (found, expected))
    np.testing.assert_allclose(found.values[:, mine], expected.values[:, theirs], rtol=2e-4, atol=2e-4)


def test_tags_that_move_because_of_a_break_or_are_only_context_are_not_used(folder: Path) -> None:
    with opened(folder) as connection:
        found = build(connection, "pm2", SETTINGS)

    assert {f.tag for f in found.features} == {None, "tag00", "tag01", "reel.speed"}


def test_what_was_known_at_a_minute_is_the_same_when_the_store_is_read_at_that_minute(folder: Path) -> None:
    with opened(folder) as connection:
        whole = build(connection, "pm2", SETTINGS)
        for number in (0, 700, 2500, len(whole.rows) - 1):
            at_ms = int(whole.rows.at_ms[number])

            then = build(connection, "pm2", SETTINGS, until_ms=at_ms + 1)

            assert then.rows.at_ms[-1] == at_ms
            np.testing.assert_allclose(then.values[-1], whole.values[number], rtol=1e-5, atol=1e-6)


def test_what_is_known_live_from_the_last_days_is_what_a_replay_of_everything_says(folder: Path) -> None:
    with opened(folder) as connection:
        whole = build(connection, "pm2", SETTINGS)
        at_ms = int(whole.rows.at_ms[-1])

        live = build(connection, "pm2", SETTINGS, from_ms=at_ms, until_ms=at_ms + 1)

    assert live.rows.at_ms.tolist() == [at_ms]
    trailing = [n for n, f in enumerate(whole.features) if f.window_min and "normal" not in f.stat]
    np.testing.assert_allclose(live.values[0, trailing], whole.values[-1, trailing], rtol=1e-4, atol=1e-5)


def test_the_whole_is_the_same_however_small_the_slices(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with opened(folder) as connection:
        whole = build(connection, "pm2", SETTINGS)
        monkeypatch.setattr("analysis.risk.exposure.SLICE_MINUTES", 700)
        sliced = build(connection, "pm2", SETTINGS)

    np.testing.assert_array_equal(sliced.values, whole.values)


@pytest.mark.parametrize(
    ("flags", "counts"), [(0, True), (1, True), (2, False), (4, False), (8, False), (16, False), (32, False)]
)
def test_values_that_were_not_good_or_not_there_in_time_are_left_out(tmp_path: Path, flags: int, counts: bool) -> None:
    store = HandMadeStore(tmp_path)
    start = "2026-03-02 06:00"
    store.machine(start, "2026-03-02 08:00")
    store.states((start, "on_reel"))
    store.insert("tag", tag_id=2, machine="pm2", tag="press.draw", first_at=at(start), last_at=at(start))
    store.insert("hot_sample", tag_id=2, sampled_at=at("2026-03-02 06:10"), value=1.0, flags=0)
    store.insert("hot_sample", tag_id=2, sampled_at=at("2026-03-02 06:40"), value=5.0, flags=flags)
    store.close(published="2026-03-02 08:00", data_to="2026-03-02 08:00")

    with opened(tmp_path / "kept" / "published.duckdb") as connection:
        found = build(connection, "pm2", SETTINGS)

    newest = [f.name for f in found.features].index("press.draw last")
    assert found.values[-1, newest] == (5.0 if counts else 1.0)


def test_role_tags_are_not_used_but_for_speed_and_basis_weight(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    start = "2026-03-02 06:00"
    store.machine(start, "2026-03-02 08:00")
    store.states((start, "on_reel"))
    for number, tag in enumerate(("sheet.reel", "crew.sheet_off", "scanner.basis_weight", "press.draw"), start=2):
        store.insert("tag", tag_id=number, machine="pm2", tag=tag, first_at=at(start), last_at=at(start))
    store.insert("sheet_detector", machine="pm2", number=1, tag="sheet.reel", section="reel", position_m=275.0)
    roles = {"speed": "reel.speed", "planned": "crew.sheet_off", "basis_weight": "scanner.basis_weight"}
    for role, tag in roles.items():
        store.insert("signal", machine="pm2", role=role, tag=tag)
    store.close(published="2026-03-02 08:00", data_to="2026-03-02 08:00")

    with opened(tmp_path / "kept" / "published.duckdb") as connection:
        found = build(connection, "pm2", SETTINGS)

    assert {f.tag for f in found.features} == {None, "press.draw", "reel.speed", "scanner.basis_weight"}


def test_ages_and_distances_are_counted_from_the_events_of_the_past(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    start = "2026-03-02 06:00"
    store.machine(start, "2026-03-02 08:00")
    store.states((start, "on_reel"))
    changed = at("2026-03-01 20:00")
    store.insert("clothing", machine="pm2", position="pickup felt", installed_at=changed, received_at=changed)
    for reel, started, first_seen in (("R1", "06:00", True), ("R2", "07:00", False)):
        store.insert("reel", machine="pm2", reel=reel, started_at=at(f"2026-03-02 {started}"), first_seen=first_seen)
    store.close(published="2026-03-02 08:00", data_to="2026-03-02 08:00")

    with opened(tmp_path / "kept" / "published.duckdb") as connection:
        found = build(connection, "pm2", SETTINGS)

    column = {f.name: n for n, f in enumerate(found.features)}
    # Half past seven: half an hour after the turn-up, eleven and a half hours after the felt.
    row = found.row(int(at("2026-03-02 07:30").timestamp() * 1000))
    assert row[column["minutes since the turn-up"]] == 30
    assert row[column["age of pickup felt"]] == pytest.approx(11.5 / 24)
    assert np.isnan(row[column["minutes since the grade change"]])
    before = found.row(int(at("2026-03-02 06:30").timestamp() * 1000))
    assert np.isnan(before[column["minutes since the turn-up"]])


def test_an_unknown_machine_is_refused(folder: Path) -> None:
    with opened(folder) as connection, pytest.raises(NothingToLearn, match="no data of machine 'pm9'"):
        build(connection, "pm9", SETTINGS)


def test_a_machine_that_was_never_on_the_reel_is_refused(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 08:00")
    store.states(("2026-03-02 06:00", "down"))
    store.close(published="2026-03-02 08:00", data_to="2026-03-02 08:00")

    with (
        opened(tmp_path / "kept" / "published.duckdb") as connection,
        pytest.raises(NothingToLearn, match="never on the reel for 15 min"),
    ):
        build(connection, "pm2", SETTINGS)


def test_a_minute_that_is_no_row_is_not_found(folder: Path) -> None:
    with opened(folder) as connection:
        found = build(connection, "pm2", SETTINGS)

    with pytest.raises(KeyError):
        found.row(int(found.rows.at_ms[0]) - MINUTE_MS)
