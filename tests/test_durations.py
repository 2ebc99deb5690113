"""Lengths of time with their intervals, and how much longer what has begun will take."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.durations import mean_length, median_length, residual_life, share


def test_the_interval_of_a_median_lies_between_order_statistics() -> None:
    # Tables of the sign test: of 10 values the 2nd and 9th (97.9 %), of 20 the 6th and 15th (95.9 %); of 5 none.
    # (W. J. Conover, Practical Nonparametric Statistics, from memory; binomial sums 1 - 2 x 11/1024, 1 - 2 x 0.0207.)
    ten, twenty = median_length(range(1, 11)), median_length(range(1, 21))
    assert ten is not None
    assert twenty is not None

    assert (ten.value, ten.low, ten.high) == (5.5, 2, 9)
    assert (twenty.low, twenty.high) == (6, 15)
    five = median_length([1, 2, 3, 4, 5])
    assert five is not None
    assert (five.value, five.low, five.high) == (3, None, None)
    assert median_length([]) is None


def test_the_interval_of_a_lognormal_mean_by_hand() -> None:
    # Logarithms 1, 2, 3, 4, 5: mean 3, variance 2.5; t(4) at 97.5 % = 2.776445.
    # 3 + 1.25 -+ 2.776445 x sqrt(2.5/5 + 6.25/8) = 4.25 -+ 2.776445 x 1.131923 = 1.107276 and 7.392724.
    found = mean_length([np.e**k for k in (1, 2, 3, 4, 5)])
    assert found is not None

    assert found.low == pytest.approx(np.exp(1.107276), rel=1e-5)
    assert found.high == pytest.approx(np.exp(7.392724), rel=1e-5)
    assert found.value == pytest.approx(sum(np.e**k for k in (1, 2, 3, 4, 5)) / 5)


def test_few_values_have_a_mean_and_no_interval() -> None:
    found = mean_length([10.0, 20.0])
    assert found is not None

    assert (found.value, found.low, found.high) == (15.0, None, None)
    assert mean_length([]) is None


def test_a_length_of_nothing_has_no_logarithm_and_one_below_1_has() -> None:
    nothing, little = mean_length([0.0, 1.0, 2.0, 4.0, 8.0]), mean_length([0.5, 1.0, 2.0, 4.0, 8.0])
    assert nothing is not None
    assert little is not None

    assert (nothing.value, nothing.low, nothing.high) == (3.0, None, None)
    assert little.low is not None


@pytest.mark.parametrize("n", [8, 40])
def test_intervals_of_mean_and_median_hold_the_truth_as_often_as_they_say(n: int) -> None:
    # 2,000 sets of lognormal lost times, median 20, spread 0.6: mean 20 exp(0.18). Of 95 %, four standard errors are
    # 4 x sqrt(0.95 x 0.05 / 2000) = 2 %; the mean's is an approximation, to which another 1 % is granted.
    rng = np.random.default_rng(5)
    sets = rng.lognormal(np.log(20), 0.6, size=(2000, n)).tolist()

    means = [mean_length(one) for one in sets]
    medians = [median_length(one) for one in sets]

    truth = 20 * np.exp(0.18)
    of_mean = np.mean([m is not None and m.low is not None and m.low <= truth <= (m.high or 0) for m in means])
    of_median = np.mean([m is not None and m.low is not None and m.low <= 20 <= (m.high or 0) for m in medians])
    assert 0.92 <= of_mean <= 0.99
    assert of_median >= 0.93


def test_a_share_has_its_exact_interval() -> None:
    # Clopper and Pearson at 95 %: 0 of 10 is 0 to 1 - 0.025^(1/10) = 0.3085; all of 10 the mirror image.
    none, all_of_them = share(0, 10), share(10, 10)
    assert none is not None
    assert all_of_them is not None

    assert (none.low, none.high) == pytest.approx((0.0, 0.3085), abs=1e-4)
    assert (all_of_them.low, all_of_them.high) == pytest.approx((0.6915, 1.0), abs=1e-4)
    assert share(0, 0) is None


def test_what_is_left_of_a_downtime_comes_from_those_that_lasted_as_long() -> None:
    # Of 10, 20 ... 100 min, those over 45 have 5, 15, 25, 35, 45, 55 left; the middle is 30. 2 of 6 last 40 more.
    past = [minutes * 60_000 for minutes in range(10, 101, 10)]

    found = residual_life(past, 45 * 60_000)
    assert found is not None

    assert [left // 60_000 for left in found.left_ms] == [5, 15, 25, 35, 45, 55]
    assert found.expected.value == 30 * 60_000
    longer = found.longer_than(40 * 60_000)
    assert longer is not None
    assert longer.value == pytest.approx(2 / 6)


def test_a_downtime_longer_than_nearly_all_before_it_has_no_expected_end() -> None:
    past = [minutes * 60_000 for minutes in range(10, 101, 10)]

    assert residual_life(past, 60 * 60_000) is None
    assert residual_life([], 0) is None


@given(st.lists(st.integers(1, 10**8), min_size=5, max_size=60), st.integers(0, 10**8))
def test_what_is_left_is_never_negative_and_has_its_interval_about_it(past: list[int], elapsed: int) -> None:
    found = residual_life(past, elapsed)

    if found is not None:
        assert min(found.left_ms) > 0
        assert found.expected.low is None or found.expected.low <= found.expected.value <= (found.expected.high or 0)
