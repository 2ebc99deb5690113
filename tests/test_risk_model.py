"""The additive hazard: published hazards, and contributions that add up."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from analysis.risk.forecast import one_thread
from analysis.risk.model import (
    AdditiveModel,
    Calibration,
    Design,
    Term,
    calibrate,
    chance,
    design,
    fit_boosted,
)
from analysis.risk.windows import Feature

# Freireich et al., Blood 21 (1963) 699-716: weeks in remission and whether it ended; 6-MP arm, then placebo arm.
SIX_MP = [
    *((6, 1), (6, 1), (6, 1), (6, 0), (7, 1), (9, 0), (10, 1), (10, 0), (11, 0), (13, 1), (16, 1), (17, 0), (19, 0)),
    *((20, 0), (22, 1), (23, 1), (25, 0), (32, 0), (32, 0), (34, 0), (35, 0)),
]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
FREE = 1e10
"""A penalty so weak that it is none."""


def person_periods(
    subjects: list[tuple[int, int, int]],
) -> tuple[NDArray[np.float32], NDArray[np.int8], list[int]]:
    """One row for each subject at risk at each event time: indicators of the later times, the arm; and the outcome."""
    times = sorted({t for t, ended, _ in subjects if ended})
    rows, outcome = [], []
    for n, time in enumerate(times):
        for t, ended, arm in subjects:
            if t >= time:
                rows.append([*(float(n == m) for m in range(1, len(times))), float(arm)])
                outcome.append(int(ended and t == time))
    return np.array(rows, np.float32), np.array(outcome, np.int8), times


def names(count: int) -> tuple[Feature, ...]:
    return tuple(Feature(tag=f"tag{n}", stat="mean", window_min=5) for n in range(count))


def fitted(laid: Design, outcome: NDArray[np.int8], penalty: float = FREE) -> AdditiveModel:
    return laid.fit(outcome, names(max(laid.columns) + 1), weight=1.0, penalties=(penalty,))[0]


def test_with_a_free_level_for_each_time_the_hazard_is_that_of_kaplan_and_meier() -> None:
    # T9-05: Freireich 6-MP arm: hazards d/n of 3/21, 1/17, 1/15, 1/12, 1/11, 1/7, 1/6; survival .857 to .448 in
    # textbooks.
    values, outcome, times = person_periods([(t, ended, 0) for t, ended in SIX_MP])
    columns = list(range(len(times) - 1))

    model = fitted(design(values, columns, []), outcome)

    first_of_each = [int(np.argmax(values[:, n] == 1)) for n in columns]
    hazard = model.risk(values[[0, *first_of_each]])
    expected = [3 / 21, 1 / 17, 1 / 15, 1 / 12, 1 / 11, 1 / 7, 1 / 6]
    assert times == [6, 7, 10, 13, 16, 22, 23]
    np.testing.assert_allclose(hazard, expected, atol=1e-6)
    survival = np.cumprod(1 - hazard)
    np.testing.assert_allclose(survival, [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], atol=5e-4)


def test_the_pooled_logistic_hazard_ratio_is_its_own_published_value_and_not_that_of_cox() -> None:
    # T9-04: the same trial, both arms. Pooled logistic with time indicators: 1.7313 (statsmodels GLM); Cox: 1.509
    # (Breslow).
    subjects = [(t, ended, 0) for t, ended in SIX_MP] + [(t, 1, 1) for t in PLACEBO]
    values, outcome, _ = person_periods(subjects)
    arm = values.shape[1] - 1

    model = fitted(design(values, list(range(arm + 1)), []), outcome)

    assert model.terms[arm].slope == pytest.approx(1.73126785, abs=1e-4)
    assert abs(model.terms[arm].slope - 1.50919141) > 0.2


def some_rows(count: int = 3000, seed: int = 3) -> tuple[NDArray[np.float32], NDArray[np.int8]]:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(count, 5)).astype(np.float32)
    risk = chance(-2 + 0.8 * values[:, 0] + 0.6 * (values[:, 1] ** 2 - 1))
    values[rng.random(values.shape) < 0.02] = np.nan
    return values, (rng.random(count) < risk).astype(np.int8)


def test_contributions_and_base_add_up_to_the_score_of_every_minute() -> None:
    values, outcome = some_rows()
    model = fitted(design(values, [0, 1, 2, 3], [0, 1]), outcome, 0.1)

    score = model.score(values)

    np.testing.assert_allclose(model.base + model.contributions(values).sum(axis=1), score, rtol=0, atol=1e-12)
    np.testing.assert_allclose(chance(score), model.risk(values))


def test_the_curves_say_what_the_regression_says() -> None:
    values, outcome = some_rows()
    laid = design(values, [0, 1, 2], [0, 1, 2])
    reference = LogisticRegression(C=0.1, solver="newton-cholesky", tol=1e-8).fit(laid.spread, outcome)

    score = fitted(laid, outcome, 0.1).score(values)

    np.testing.assert_allclose(score, reference.decision_function(laid.spread), atol=1e-4)


def test_contributions_still_add_up_after_calibration() -> None:
    values, outcome = some_rows()
    model = fitted(design(values, [0, 1, 2], [1]), outcome, 0.1)

    calibrated = model.calibrated(Calibration(slope=0.6, shift=-0.4))

    np.testing.assert_allclose(calibrated.score(values), -0.4 + 0.6 * model.score(values), atol=1e-12)
    assert calibrated.contributions(values) == pytest.approx(0.6 * model.contributions(values))


def test_contributions_are_nothing_on_average_and_flat_outside_of_what_was_learnt_from() -> None:
    values, outcome = some_rows()
    model = fitted(design(values, [0, 1], [0, 1]), outcome, 0.1)

    far = np.array([[50.0, -50.0], [500.0, -500.0]], np.float32)

    assert np.abs(model.contributions(values).mean(axis=0)).max() < 0.02
    np.testing.assert_array_equal(*model.contributions(far))
    assert model.terms[0].outside(far[:, 0]).all()


def test_a_bend_is_found_where_there_is_one() -> None:
    values, outcome = some_rows(20_000)
    model = fitted(design(values, [1], [1]), outcome, 1.0)

    curve = model.terms[0].curve(np.array([-1.5, 0.0, 1.5]))

    # The truth: 0.6 (x^2 - 1), so 1.35 between the middle and either side.
    assert curve[0] - curve[1] == pytest.approx(1.35, abs=0.35)
    assert curve[2] - curve[1] == pytest.approx(1.35, abs=0.35)


def test_a_missing_value_counts_as_the_median() -> None:
    values, outcome = some_rows()
    model = fitted(design(values, [0], [0]), outcome, 0.1)
    middle = np.float32(np.nanmedian(values[:, 0]))

    assert model.score(np.array([[np.nan]], np.float32)) == pytest.approx(model.score(np.array([[middle]], np.float32)))


def test_a_column_that_never_changes_does_no_harm() -> None:
    values, outcome = some_rows()
    values[:, 2] = 7.0

    model = fitted(design(values, [0, 2], [0, 2]), outcome, 0.1)

    assert np.isfinite(model.score(values)).all()
    assert model.terms[1].contribution(values[:, 2]) == pytest.approx(0)


def test_the_same_data_give_the_same_model_and_the_same_challenger() -> None:
    values, outcome = some_rows()

    additive = [fitted(design(values, [0, 1], [1]), outcome, 0.1) for _ in range(2)]
    with one_thread():
        boosted = [fit_boosted(values, outcome, [0, 1, 2], seed=5)(values) for _ in range(2)]

    assert additive[0] == additive[1]
    np.testing.assert_array_equal(boosted[0], boosted[1])


def test_calibration_makes_chances_come_true_and_never_steeper() -> None:
    rng = np.random.default_rng(1)
    truth = rng.normal(-2, 1, 40_000)
    outcome = (rng.random(40_000) < chance(truth)).astype(np.int8)

    too_sure = calibrate(2 * truth + 1, outcome)
    too_shy = calibrate(truth / 2, outcome)

    assert too_sure.slope == pytest.approx(0.5, abs=0.03)
    assert chance(too_sure(2 * truth + 1)).mean() == pytest.approx(outcome.mean(), abs=1e-9)
    assert too_shy.slope == 1.0


def test_forecasts_that_knew_nothing_are_calibrated_to_the_base_rate() -> None:
    rng = np.random.default_rng(2)
    outcome = (rng.random(40_000) < 0.1).astype(np.int8)

    line = calibrate(-np.abs(rng.normal(size=40_000)) * (outcome + 0.5), outcome)

    # Worse than nothing: the slope is 0, not below.
    assert line.slope == 0.0
    assert chance(line(np.array([-5.0, 5.0]))) == pytest.approx(outcome.mean())


def test_a_model_is_bound_to_a_table_with_other_columns_by_name() -> None:
    values, outcome = some_rows()
    model = fitted(design(values, [0, 1], [1]), outcome, 0.1)
    turned = (names(2)[1], Feature(tag="new", stat="last"), names(2)[0])

    bound = model.bound_to(turned)

    moved = np.stack([values[:, 1], values[:, 2], values[:, 0]], axis=1)
    np.testing.assert_array_equal(bound.score(moved), model.score(values))
    with pytest.raises(KeyError, match="tag1"):
        model.bound_to(turned[1:])


def test_a_term_is_stretched_as_a_whole() -> None:
    term = Term(
        feature=names(1)[0],
        number=0,
        low=-1.0,
        high=1.0,
        fill=0.0,
        slope=2.0,
        middle=0.5,
        usual_low=-0.5,
        usual_high=0.5,
        knots=(),
        weights=(),
        offset=0.0,
    )

    # 2 (x - 0.5) at x = 1, then half of it.
    assert term.curve(np.array([1.0])) == pytest.approx(1.0)
    assert term.scaled(0.5).curve(np.array([1.0])) == pytest.approx(0.5)
