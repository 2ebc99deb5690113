"""When a warning is given, and what becomes of it: the hold-off rules, minute by minute."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.risk.rows import Breaks, Loss, Past, Rows, primary_breaks, rows_of
from analysis.risk.settings import MINUTE_MS, RiskSettings
from analysis.risk.warn import (
    Fate,
    false_count,
    fates,
    level_for_budget,
    shifts_in,
    silent,
    warned_breaks,
    warning_rows,
)

SETTINGS = RiskSettings()
H = 60


def machine(*lost_min: int, until: int = 3000, planned: int | None = None) -> tuple[Rows, Breaks]:
    """On the reel from minute 0 but for 20 minutes after each loss."""
    on_reel, losses, at = [], [], 0
    for minute in sorted([*lost_min, *([] if planned is None else [planned])]):
        on_reel.append([at * MINUTE_MS, minute * MINUTE_MS])
        kind = "planned" if minute == planned else "break"
        losses.append(
            Loss(downtime_id=str(minute), kind=kind, started_ms=minute * MINUTE_MS, secondary=minute - at < 30)
        )
        at = minute + 20
    on_reel.append([at * MINUTE_MS, until * MINUTE_MS])
    past = Past(on_reel_ms=np.array(on_reel, np.int64), losses=tuple(losses), until_ms=until * MINUTE_MS)
    breaks = primary_breaks(past, SETTINGS)
    return rows_of(past, breaks, SETTINGS), breaks


def high_at(rows: Rows, *minutes: int) -> NDArray[np.float64]:
    return np.isin(rows.at_ms // MINUTE_MS, minutes).astype(float)


def never(rows: Rows) -> NDArray[np.bool_]:
    return np.zeros(len(rows), np.bool_)


def given_at(rows: Rows, score: NDArray[np.float64], quiet: NDArray[np.bool_] | None = None) -> list[int]:
    found = warning_rows(score, rows, never(rows) if quiet is None else quiet, 0.5, SETTINGS)
    return [int(rows.at_ms[n] // MINUTE_MS) for n in found]


def fate_of(rows: Rows, breaks: Breaks, minute: int) -> Fate:
    found = warning_rows(high_at(rows, minute), rows, never(rows), 0.5, SETTINGS)
    return fates(found, rows, breaks, SETTINGS)[0].fate


def test_a_risk_that_stays_high_warns_again_after_twenty_minutes_and_not_before() -> None:
    rows, _ = machine()

    assert given_at(rows, high_at(rows, *range(100, 141))) == [100, 120, 140]


def test_the_level_itself_is_enough_for_a_warning() -> None:
    rows, _ = machine()

    assert warning_rows(np.full(len(rows), 0.5), rows, never(rows), 0.5, SETTINGS)
    assert not warning_rows(np.full(len(rows), 0.4999), rows, never(rows), 0.5, SETTINGS)


def test_no_warning_in_the_first_quarter_of_an_hour_on_the_reel() -> None:
    rows, _ = machine(500)

    # Lost at 500, back at 520: the first minute that is scored ends at 535.
    assert given_at(rows, high_at(rows, *range(500, 540))) == [535]


def test_no_warning_within_half_an_hour_of_a_grade_change() -> None:
    rows, _ = machine()
    quiet = silent(rows, np.array([100 * MINUTE_MS]), SETTINGS)

    assert given_at(rows, high_at(rows, *range(90, 135)), quiet) == [90, 130]


@given(st.lists(st.integers(0, 2900), min_size=1, max_size=300))
def test_warnings_are_never_nearer_than_the_repeat_rule_allows(high: list[int]) -> None:
    rows, _ = machine(700, 1500)

    times = given_at(rows, high_at(rows, *high))

    assert all(b - a >= SETTINGS.repeat_min for a, b in pairwise(times))
    assert set(times) <= set(high)


@pytest.mark.parametrize(
    ("minute", "fate"),
    [
        (969, Fate.FALSE),  # 31 min before: the horizon passed without it
        (970, Fate.HIT),  # 30 min
        (990, Fate.HIT),  # 10 min: just in time
        (991, Fate.LATE),  # 9 min
    ],
)
def test_a_warning_is_a_hit_from_one_horizon_to_the_lead_before_the_break(minute: int, fate: Fate) -> None:
    rows, breaks = machine(1000)

    assert fate_of(rows, breaks, minute) is fate


def test_a_warning_before_a_planned_sheet_off_is_undecided() -> None:
    rows, breaks = machine(planned=1000)

    assert fate_of(rows, breaks, 980) is Fate.UNDECIDED
    assert fate_of(rows, breaks, 900) is Fate.FALSE


def test_a_break_warned_of_twice_is_one_break() -> None:
    rows, breaks = machine(1000)
    found = warning_rows(high_at(rows, 970, 990), rows, never(rows), 0.5, SETTINGS)

    warnings = fates(found, rows, breaks, SETTINGS)

    assert [w.lead_min for w in warnings] == [30, 10]
    assert warned_breaks(warnings) == {0}


def test_the_level_keeps_the_budget_and_no_lower_one_would_have() -> None:
    rows, _ = machine(until=7 * 24 * H)
    score = np.random.default_rng(4).random(len(rows))
    shifts = shifts_in(0, 7 * 24 * H * MINUTE_MS, 12)

    level = level_for_budget(score, rows, never(rows), shifts, SETTINGS)

    found = warning_rows(score, rows, never(rows), level, SETTINGS)
    more = warning_rows(score, rows, never(rows), level - 0.01, SETTINGS)
    assert shifts == 14
    assert false_count(found, rows) <= 14
    assert false_count(more, rows) > 14


def test_a_score_that_says_the_same_all_the_time_warns_never() -> None:
    rows, _ = machine(until=7 * 24 * H)

    level = level_for_budget(np.full(len(rows), 0.3), rows, never(rows), 14, SETTINGS)

    assert level == float("inf")


def test_an_unbearable_budget_is_refused() -> None:
    with pytest.raises(ValueError, match="at most 3 a shift"):
        RiskSettings(budget=4)


def test_shares_that_leave_nothing_to_judge_are_refused() -> None:
    with pytest.raises(ValueError, match="leave something to judge"):
        RiskSettings(first_share=0.9, warm_up_share=0.1)
