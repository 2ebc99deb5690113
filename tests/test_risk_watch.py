"""Live and replay say the same: the scorer's own rows against the exposure table of everything."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.risk.card import Card, fit
from analysis.risk.exposure import NothingToLearn, build
from analysis.risk.judge import judge
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import RiskSettings
from analysis.risk.warn import Fate
from analysis.risk.watch import SETTLE_MS, UnfitModel, Watch
from analysis.risk.windows import Feature
from tests.risk_card import hand_card, straight
from tests.risk_mill import MINUTE_MS, planted_mill
from tests.risk_store import store_of

MILL = planted_mill(3, days=24, tags=4, causes=(1.2, -1.0), memory_min=180, per_day=6)
FIRST_MS, LAST_MS = MILL.minutes.first * MINUTE_MS, MILL.past.until_ms
FITTED_MS = FIRST_MS + 16 * DAY_MS
DRAW = Feature(tag="tag00", stat="mean", window_min=5)


@contextmanager
def opened(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = duckdb.connect(str(file), read_only=True)
    connection.execute("SET TimeZone = 'UTC'")
    try:
        yield connection
    finally:
        connection.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_of(MILL, tmp_path_factory.mktemp("store")).parent / "kept" / "published.duckdb"


@pytest.fixture(scope="module")
def card(file: Path) -> Card:
    with opened(file) as connection:
        exposure = build(connection, "pm2", RiskSettings(), until_ms=FITTED_MS)
    return fit(exposure, judge(exposure, challenger=False), made_ms=FITTED_MS)


def test_what_is_said_live_is_what_a_replay_of_everything_says(file: Path, card: Card) -> None:
    with opened(file) as connection:
        whole = build(connection, "pm2", card.settings)
        watch = Watch(card)
        for at_ms in range(FITTED_MS, LAST_MS, 7 * 3_600_000 + 60_000):
            watch.look(connection, until_ms=at_ms)

        seen = watch.look(connection)

    model = card.model.bound_to(whole.features)
    upto = len(seen.rows)
    assert len(whole.rows) - upto <= 1
    np.testing.assert_array_equal(seen.rows.at_ms, whole.rows.at_ms[:upto])
    np.testing.assert_array_equal(seen.values, whole.values[:upto][:, [t.number for t in model.terms]])
    np.testing.assert_array_equal(seen.score, model.score(whole.values)[:upto])


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(minutes=st.lists(st.integers(1, 8 * 1440 - 10), min_size=1, max_size=6, unique=True))
def test_however_often_it_looks_a_minute_gets_the_same_score(file: Path, card: Card, minutes: list[int]) -> None:
    looks = [FITTED_MS + m * MINUTE_MS for m in sorted(minutes)]
    with opened(file) as connection:
        watch = Watch(card)
        for at_ms in looks[:-1]:
            watch.look(connection, until_ms=at_ms)

        seen = watch.look(connection, until_ms=looks[-1])
        whole = Watch(card).look(connection)

    assert seen.at_ms == looks[-1]
    np.testing.assert_array_equal(seen.score, whole.score[: len(seen.rows)])
    np.testing.assert_array_equal(seen.level, whole.level[: len(seen.rows)])


def test_the_newest_minute_is_scored_only_when_it_has_settled(file: Path, card: Card) -> None:
    with opened(file) as connection:
        seen = Watch(card).look(connection)

    # The data end with the last millisecond of a minute: what belongs to it may still be on its way.
    assert seen.last_ms == LAST_MS - 1
    assert seen.at_ms == (LAST_MS - 1 - SETTLE_MS) // MINUTE_MS * MINUTE_MS


def test_a_past_that_was_corrected_is_scored_again(tmp_path: Path, card: Card) -> None:
    store_of(MILL, tmp_path)
    corrected = replace(
        MILL.past, grade_runs_ms=MILL.past.grade_runs_ms + 3_600_000, grade_changes_ms=MILL.past.grade_changes_ms
    )
    (tmp_path / "other").mkdir()
    other = store_of(replace(MILL, past=corrected), tmp_path / "other").parent / "kept" / "published.duckdb"
    watch = Watch(card)
    with opened(tmp_path / "kept" / "published.duckdb") as connection:
        watch.look(connection, until_ms=LAST_MS - DAY_MS)

    with opened(other) as connection:
        seen, fresh = watch.look(connection), Watch(card).look(connection)

    np.testing.assert_array_equal(seen.score, fresh.score)


def test_warnings_count_only_after_all_that_was_learnt_from(file: Path, card: Card) -> None:
    with opened(file) as connection:
        seen = Watch(card).look(connection)

    given_warnings = seen.warnings(card)
    assert given_warnings
    assert all(w.at_ms > card.to_ms for w in given_warnings)
    assert {w.fate for w in given_warnings} <= set(Fate)
    apart = np.diff([w.at_ms for w in given_warnings])
    assert (apart >= card.settings.repeat_min * MINUTE_MS).all()


def test_the_level_is_the_fitted_one_until_there_are_days_enough_to_set_it_anew(file: Path) -> None:
    early = hand_card(straight(DRAW, slope=0.5, middle=50), to_ms=FIRST_MS + 2 * DAY_MS, level=0.25)

    with opened(file) as connection:
        seen = Watch(early).look(connection)

    risk = 1 / (1 + np.exp(-seen.level))
    day = (seen.rows.at_ms - early.to_ms) / DAY_MS
    np.testing.assert_allclose(risk[day < 7], 0.25)
    assert not np.isclose(risk[day > 9], 0.25).any()
    # Set for each day anew, from days before it: at most one level a day.
    assert len(np.unique(risk[day > 9])) <= 16


def test_a_model_with_a_factor_that_the_store_lacks_is_unfit(file: Path) -> None:
    felt = hand_card(straight(Feature(tag=None, stat="age of pickup felt", unit="d"), slope=1, middle=5))

    with opened(file) as connection, pytest.raises(UnfitModel, match="'age of pickup felt', which the store does not"):
        Watch(felt).look(connection)


def test_a_tag_that_the_store_has_never_heard_of_is_missing_at_every_minute(file: Path) -> None:
    gone = hand_card(straight(Feature(tag="no.such", stat="mean", window_min=5), slope=1, middle=5))

    with opened(file) as connection:
        seen = Watch(gone).look(connection, until_ms=FITTED_MS)

    assert np.isnan(seen.values).all()
    assert gone.model.in_order().outside(seen.values).min() == 1.0


def test_a_machine_without_data_is_said_so(file: Path, card: Card) -> None:
    with opened(file) as connection, pytest.raises(NothingToLearn, match="no data of machine 'pm9'"):
        Watch(replace(card, machine="pm9")).look(connection)
