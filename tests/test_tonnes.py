"""Tonnes made and lost, by hand and against published values."""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.broke.made import broke_in, broke_made
from analysis.figures.ledger import ledger
from analysis.figures.tonnes import Made, lost, lost_in, made, made_by, money_of, rate_t_h
from analysis.history import BrokePit, Production
from analysis.period import Period
from tests.histories import DAY, HOUR, MILL, MINUTE, downtime, history, on_reel_but_for


def row(started_min: float, ended_min: float, tonnes_t: float | None, grade: str | None = "C80") -> Production:
    """What was made between two minutes of the day."""
    return Production(
        started_ms=round(started_min * MINUTE),
        ended_ms=round(ended_min * MINUTE),
        grade=grade,
        shade="white",
        reel="R1",
        length_m=100.0 * (ended_min - started_min),
        tonnes_t=tonnes_t,
    )


def test_the_rate_is_speed_times_trim_times_basis_weight() -> None:
    # By hand: 3.40 m x 780 m/min x 80 g/m2 x 60 / 10^6 = 12.7296 t/h, 305.5 t/d.
    rate = rate_t_h(trim_m=3.40, speed_m_min=780, basis_weight_g_m2=80)

    assert rate == pytest.approx(12.7296)
    assert 24 * rate == pytest.approx(305.51, abs=0.005)


def test_the_rate_gives_the_published_capacity() -> None:
    # A machinery trade's guide to capacity: 5.0 m, 500 m/min, 80 g/m2, 23 h, 0.95, 0.90: 236 t/d.
    rate = rate_t_h(trim_m=5.0, speed_m_min=500, basis_weight_g_m2=80)

    assert rate * 23 * 0.95 * 0.90 == pytest.approx(236, abs=0.5)


def test_the_period_shares_out_an_hour_that_it_cuts() -> None:
    # 12 t in the hour from 01:00; from 01:45 on a quarter of it remains.
    found = made([row(60, 120, 12.0)], Period(from_ms=105 * MINUTE, to_ms=DAY))

    assert found.tonnes_t == pytest.approx(3.0)
    assert found.on_reel_ms == 15 * MINUTE
    assert found.length_m == pytest.approx(1500.0)


def test_unknown_tonnes_are_said_and_not_taken_for_none_made() -> None:
    found = made([row(0, 60, 12.0), row(60, 90, None)], Period(from_ms=0, to_ms=DAY))

    assert (found.tonnes_t, found.on_reel_ms, found.unknown_ms) == (12.0, 90 * MINUTE, 30 * MINUTE)


@given(st.lists(st.tuples(st.integers(1, 60), st.floats(0, 20), st.sampled_from(["C60", "C80", None])), max_size=30))
def test_grades_add_up_to_the_whole(hours: list[tuple[int, float, str | None]]) -> None:
    rows = [row(60 * n, 60 * n + length, t, grade) for n, (length, t, grade) in enumerate(hours)]
    period = Period(from_ms=30 * MINUTE, to_ms=20 * HOUR)

    parts = made_by(rows, period, lambda r: r.grade)

    whole, together = made(rows, period), sum(parts.values(), Made())
    assert together.on_reel_ms == whole.on_reel_ms
    assert together.tonnes_t == pytest.approx(whole.tonnes_t)


WOUND = st.lists(
    st.tuples(st.integers(1, 60), st.floats(0, 20), st.sampled_from(["R1", "R2", "R3", None]), st.booleans()),
    min_size=1,
    max_size=30,
)
"""Minutes on the reel of an hour, tonnes, the reel's number, and whether the grade changes with the hour."""


@given(WOUND, st.integers(0, 20 * HOUR), st.integers(1, 20 * HOUR))
def test_reels_grade_runs_and_the_whole_are_one_sum_in_any_period(
    hours: list[tuple[int, float, str | None, bool]], from_ms: int, lasts_ms: int
) -> None:
    runs = list(accumulate(changes for *_, changes in hours))
    rows = [
        replace(row(60 * n, 60 * n + length, t, f"run {runs[n]}"), reel=reel)
        for n, (length, t, reel, _) in enumerate(hours)
    ]
    period = Period(from_ms=from_ms, to_ms=from_ms + lasts_ms)

    whole = made(rows, period)

    for by in (lambda r: r.reel, lambda r: r.grade):
        parts = sum(made_by(rows, period, by).values(), Made())
        assert parts.on_reel_ms == whole.on_reel_ms
        assert parts.tonnes_t == pytest.approx(whole.tonnes_t)
        assert parts.length_m == pytest.approx(whole.length_m)


def test_lost_tonnes_are_lost_time_at_the_rate_before() -> None:
    # 30 min at 12.7296 t/h are 6.3648 t; trade practice gives 6.36.
    assert lost(downtime(0, 30, rate_before_t_h=12.7296), 30 * MINUTE).tonnes_t == pytest.approx(6.3648)


def test_lost_time_without_a_rate_has_no_tonnes_and_says_so() -> None:
    found = lost(downtime(0, 30), 30 * MINUTE)

    assert (found.ms, found.tonnes_t, found.unknown_ms) == (30 * MINUTE, 0.0, 30 * MINUTE)


def test_only_what_lies_in_the_period_is_lost_in_it() -> None:
    past = on_reel_but_for([downtime(1430, 30, rate_before_t_h=12.0)], to_ms=2 * DAY)

    found = lost_in(ledger(past, Period(from_ms=0, to_ms=DAY)), past.downtimes)

    assert found.ms == 10 * MINUTE
    assert found.tonnes_t == pytest.approx(2.0)


def test_money_that_is_not_set_is_not_nothing() -> None:
    past = history()
    unset = replace(past, mill=replace(MILL, margin_per_t=None, broke_cost_per_t=None))

    assert money_of(past, lost_t=6.36, broke_t=6.0) == pytest.approx(6.36 * 300 + 6.0 * 100)
    assert money_of(past, lost_t=6.36, broke_t=None) == pytest.approx(6.36 * 300)
    assert money_of(past, lost_t=None, broke_t=None) is None
    assert money_of(unset, lost_t=6.36, broke_t=6.0) is None


def test_broke_goes_to_the_pit_of_the_section() -> None:
    lost = [
        downtime(60, 30, broke_t=6.0, shade="white"),
        downtime(200, 10, broke_t=2.0, section="reel", shade="white"),
        downtime(300, 10, broke_t=1.5, section="reel", shade="white"),
        downtime(500, 10, section=None, shade="ivory"),
    ]
    pits = (BrokePit(pit="press pit", section="press"), BrokePit(pit="dry-end pulper", section="reel"))
    past = on_reel_but_for(lost, broke_pits=pits)

    found = broke_made(past, ledger(past, Period(from_ms=0, to_ms=DAY)))

    assert [(b.pit, b.shade, b.tonnes_t, b.downtimes, b.unknown) for b in found] == [
        ("press pit", "white", 6.0, 1, 0),
        ("dry-end pulper", "white", 3.5, 2, 0),
        ("pit not known", "ivory", 0.0, 1, 1),
    ]


def test_broke_is_shared_out_by_time_and_unknown_stays_unknown() -> None:
    assert broke_in(downtime(0, 30, broke_t=6.0), 10 * MINUTE, DAY) == pytest.approx(2.0)
    assert broke_in(downtime(0, 30), 10 * MINUTE, DAY) is None
