"""Measures of a forecast against published values and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import average_precision_score, roc_auc_score

from analysis.risk.contender import share_right
from analysis.risk.score import (
    Resampling,
    brier,
    brier_skill,
    calibration,
    disagreement_p,
    log_loss,
    paired_difference,
    ranking,
    share_interval,
)
from tests.published_checks import check


def test_average_precision_and_area_of_four_points() -> None:
    # T9-06: scikit-learn reference, examples of average_precision_score (0.83) and roc_auc_score (0.75).
    # By hand: 0.5 x 1 + 0.5 x 2/3 = 0.8333; of the four pairs three are in order.
    published = check("T9-06")

    precision, area = ranking(np.array(published.data["y"]), np.array(published.data["score"]))

    assert precision == pytest.approx(published.expected["average_precision"], abs=1e-9)
    assert area == pytest.approx(published.expected["roc_auc"], abs=1e-9)


def test_brier_score_and_log_loss_of_four_points() -> None:
    # T9-07: scikit-learn reference, example of brier_score_loss: 0.0375 = (0.01 + 0.01 + 0.04 + 0.09) / 4.
    outcome, chance = np.array([0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3])

    assert brier(outcome, chance) == pytest.approx(0.0375, abs=1e-12)
    # By hand: -(2 ln 0.9 + ln 0.8 + ln 0.7) / 4.
    assert log_loss(outcome, chance) == pytest.approx(0.1976348816, abs=1e-9)


def test_calibration_in_three_bins() -> None:
    # T9-08: scikit-learn reference, example of calibration_curve: 0, 0.5, 1 against 0.2, 0.525, 0.85.
    outcome = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1])
    chance = np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0])

    bins = calibration(outcome, chance, np.linspace(0, 1, 4))

    assert [b.came for b in bins] == pytest.approx([0.0, 0.5, 1.0])
    assert [b.said for b in bins] == pytest.approx([0.2, 0.525, 0.85])


@given(
    outcome=st.lists(st.integers(0, 1), min_size=4, max_size=60).filter(lambda o: 0 < sum(o) < len(o)),
    seed=st.integers(0, 1000),
)
def test_ranking_agrees_with_the_reference_also_with_ties(outcome: list[int], seed: int) -> None:
    score = np.random.default_rng(seed).integers(0, 6, len(outcome)).astype(float)

    precision, area = ranking(np.array(outcome), score)

    assert precision == pytest.approx(average_precision_score(outcome, score))
    assert area == pytest.approx(roc_auc_score(outcome, score))


def test_skill_is_the_share_of_the_reference_error_that_is_saved() -> None:
    outcome, blind = np.array([0, 1]), np.array([0.5, 0.5])

    assert brier_skill(outcome, blind, blind) == 0
    assert brier_skill(outcome, np.array([0.0, 1.0]), blind) == 1
    # Squared errors 0.0625 against 0.25.
    assert brier_skill(outcome, np.array([0.25, 0.75]), blind) == pytest.approx(0.75)


@pytest.mark.parametrize(("hits", "count"), [(0, 12), (3, 12), (12, 12), (21, 96)])
def test_the_interval_of_a_share_is_the_exact_one(hits: int, count: int) -> None:
    reference = stats.binomtest(hits, count).proportion_ci(method="exact")

    found = share_interval(hits, count)

    assert found.low == pytest.approx(reference.low, abs=1e-12)
    assert found.high == pytest.approx(reference.high, abs=1e-12)


def test_no_hit_in_twelve_breaks_still_allows_a_fair_share() -> None:
    # Own arithmetic of the trade notes: 0 of 12 leaves up to 22 % open, one-sided 95 %: 1 - 0.05^(1/12) = 0.2209.
    assert share_interval(0, 12, level=0.90).high == pytest.approx(1 - 0.05 ** (1 / 12))


@given(ours=st.integers(0, 40), theirs=st.integers(0, 40))
def test_disagreements_are_tested_exactly(ours: int, theirs: int) -> None:
    reference = stats.binomtest(ours, ours + theirs).pvalue if ours + theirs else 1.0

    assert disagreement_p(ours, theirs) == pytest.approx(reference)


def test_the_interval_of_a_paired_difference_holds_the_truth_as_often_as_it_says() -> None:
    # 90 breaks: 8 % warned of by both, 14 % by ours alone, 5 % by theirs alone; the true difference is 0.09.
    drawn = np.random.default_rng(6).multinomial(90, [0.08, 0.14, 0.05, 0.73], size=4000)

    found = [paired_difference(*(int(n) for n in row)) for row in drawn]

    held = np.mean([f.low <= 0.09 <= f.high for f in found])
    assert held == pytest.approx(0.95, abs=0.02)


@given(st.tuples(*[st.integers(0, 30)] * 4).filter(any))
def test_a_paired_difference_turns_its_sign_when_the_two_change_places(counts: tuple[int, int, int, int]) -> None:
    both, ours, theirs, neither = counts

    here, there = paired_difference(both, ours, theirs, neither), paired_difference(both, theirs, ours, neither)

    assert here.value == pytest.approx(-there.value)
    assert here.low == pytest.approx(-there.high)
    assert -1 <= here.low <= here.value <= here.high <= 1


def test_a_paired_difference_has_its_published_interval() -> None:
    # Newcombe, Stat. Med. 17 (1998) 2635-2650: 36 both, 12 and 2 apart, 0 neither; method 10 gives 0.0569 to 0.3404
    # (value from memory).
    found = paired_difference(36, 12, 2, 0)

    assert found.value == pytest.approx(0.2)
    assert (found.low, found.high) == pytest.approx((0.0569, 0.3404), abs=5e-5)


def test_with_no_breaks_a_difference_is_wide_open() -> None:
    assert (paired_difference(0, 0, 0, 0).low, paired_difference(0, 0, 0, 0).high) == (-1.0, 1.0)


def test_whole_days_are_drawn_again() -> None:
    days = np.repeat(np.arange(50), 20)
    rng = np.random.default_rng(1)
    outcome = rng.integers(0, 2, 1000)
    score = outcome + rng.normal(0, 1, 1000)

    precision, area = Resampling.of(days, 300, seed=1).ranking(outcome, score)

    assert area.mean() == pytest.approx(roc_auc_score(outcome, score), abs=0.005)
    assert precision.mean() == pytest.approx(average_precision_score(outcome, score), abs=0.01)
    assert area.std() > 0


@pytest.mark.parametrize(("share_warned", "false_per_shift", "right"), [(0.5, 1, 0.38), (0.3, 1, 0.27), (0.7, 2, 0.30)])
def test_the_budget_arithmetic_of_an_advisory(share_warned: float, false_per_shift: float, right: float) -> None:
    # Trade notes, own arithmetic: with 1.25 breaks a shift, 0.5 x 1.25 / (0.5 x 1.25 + 1) = 0.38, and so on.
    hits = share_warned * 1.25

    assert share_right(hits, false_per_shift) == pytest.approx(right, abs=0.005)


def test_an_advisory_that_never_spoke_has_no_share_of_right_ones() -> None:
    assert share_right(0, 0) is None
