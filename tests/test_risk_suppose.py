"""What if a tag had stood elsewhere: by the same code, through the factors of that tag alone."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.period import NothingThen
from analysis.read import connect
from analysis.risk.card import Card, fit
from analysis.risk.exposure import build
from analysis.risk.judge import judge
from analysis.risk.rows import DAY_MS
from analysis.risk.score import Interval
from analysis.risk.settings import RiskSettings
from analysis.risk.suppose import NoSuchFactor, Supposed, suppose
from analysis.risk.tell_live import agreeing, digits_of_factors
from tests.risk_mill import MINUTE_MS, planted_mill
from tests.risk_store import store_of

MILL = planted_mill(3, days=20, tags=3, causes=(1.2,), memory_min=180, per_day=8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_of(MILL, tmp_path_factory.mktemp("store")).parent / "kept"


@pytest.fixture(scope="module")
def card(folder: Path) -> Card:
    connection = connect(folder)
    exposure = build(connection, "pm2", RiskSettings(), until_ms=MILL.past.until_ms - 2 * DAY_MS)
    connection.close()
    return fit(exposure, judge(exposure, challenger=False), made_ms=0)


def supposed(folder: Path, card: Card, changes: dict[str, float], at_ms: int | None = None) -> Supposed:
    connection = connect(folder)
    try:
        return suppose(connection, card, changes, at_ms)
    finally:
        connection.close()


def test_a_cause_at_a_higher_value_raises_the_risk_and_its_interval_leaves_out_no_effect(
    folder: Path, card: Card
) -> None:
    # The first tag drives the breaks: at 52 it stands two standard deviations above its mean.
    found = supposed(folder, card, {"tag00": 52.0})
    usual = supposed(folder, card, {"tag00": 50.0})

    assert found.after > usual.after
    assert found.times.low <= found.times.value <= found.times.high
    odds = [risk / (1 - risk) for risk in (found.before, found.after)]
    assert found.times.value == pytest.approx(odds[1] / odds[0])
    assert {m.term.feature.tag for m in found.moved} == {"tag00"}
    assert np.prod([m.times for m in found.moved]) == pytest.approx(found.times.value)


def test_the_tag_stood_there_for_every_window(folder: Path, card: Card) -> None:
    found = supposed(folder, card, {"tag00": 49.0})

    levels = [m for m in found.moved if m.term.feature.stat in ("mean", "last")]
    assert levels
    assert all(m.supposed == pytest.approx(49.0) for m in levels)
    assert not any(m.flat for m in levels)


def test_a_value_beyond_what_was_learnt_from_is_said_to_be_one(folder: Path, card: Card) -> None:
    found = supposed(folder, card, {"tag00": 90.0})

    assert any(m.flat for m in found.moved)


def test_the_risk_before_is_the_one_that_was_said(folder: Path, card: Card) -> None:
    connection = connect(folder)
    whole = build(connection, "pm2", card.settings)
    connection.close()
    at_ms = int(whole.rows.at_ms[5000])
    risk = card.model.bound_to(whole.features).risk(whole.values[5000:5001])[0]

    found = supposed(folder, card, {"tag01": 50.0}, at_ms)

    assert found.at_ms == at_ms
    assert found.before == pytest.approx(float(risk), rel=1e-12)


def test_a_fact_of_the_past_may_be_supposed_too(folder: Path, card: Card) -> None:
    found = supposed(folder, card, {"minutes since the sheet's return": 16.0})

    assert [m.term.feature.stat for m in found.moved] == ["minutes since the sheet's return"]
    assert found.moved[0].supposed == 16.0


@given(st.floats(-6, 4), st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=6))
def test_the_figures_that_are_said_follow_from_each_other(score: float, steps: list[float]) -> None:
    """The odds of the two chances as printed, and the factors as printed, give the ratio as printed."""
    whole = sum(steps)
    one, other = (1 / (1 + math.exp(-x)) for x in (score, score + whole))
    if not 0.001 < other < 0.999:
        return
    ratio = Interval(value=math.exp(whole), low=math.exp(whole), high=math.exp(whole))

    before, after, times = agreeing(Supposed(at_ms=0, before=one, after=other, times=ratio, moved=()))
    digits = digits_of_factors([math.exp(step) for step in steps], times)

    was, will = (float(text.removesuffix(" %")) / 100 for text in (before, after))
    half = 0.5 * 10 ** -len(times.partition(".")[2])
    assert will / (1 - will) / (was / (1 - was)) == pytest.approx(float(times), abs=half + 1e-9, rel=2e-3)
    product = math.prod(round(math.exp(step), digits) for step in steps)
    assert product == pytest.approx(float(times), abs=half + 1e-9, rel=2e-3)


def test_what_the_model_does_not_use_is_refused_with_what_it_does(folder: Path, card: Card) -> None:
    with pytest.raises(NoSuchFactor, match=r"uses no 'press.draw'; it uses .*tag00, tag01"):
        supposed(folder, card, {"press.draw": 1.8})


def test_a_minute_off_the_reel_has_no_risk_to_suppose(folder: Path, card: Card) -> None:
    lost_ms = MILL.past.losses[3].started_ms // MINUTE_MS * MINUTE_MS + 2 * MINUTE_MS

    with pytest.raises(NothingThen, match="not on the reel for 15 min then"):
        supposed(folder, card, {"tag00": 50.0}, lost_ms)
