"""Intervals of the time it takes to bring the sheet back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.efficiency import efficiency
from analysis.ledger import ledger
from analysis.period import Period
from analysis.restoring import mean_interval, median_interval
from tests.histories import DAY, downtime, on_reel_but_for

LENGTHS = st.lists(st.floats(0.1, 500), min_size=6, max_size=40)


@pytest.mark.parametrize(
    ("count", "ranks"),
    [
        # (1 + 6 + …) / 2^n: n = 6: P(0) = 1/64 = 0.0156, P(0 or 1) = 7/64: rank 1. n = 10: 11/1024 = 0.011 for up to 1,
        # 56/1024 = 0.055 for up to 2: rank 2. n = 20: 21,700/1,048,576 = 0.0207 for up to 5, 0.058 for up to 6: rank 6.
        (6, (1, 6)),
        (10, (2, 9)),
        (20, (6, 15)),
    ],
)
def test_the_median_lies_between_two_of_the_lengths(count: int, ranks: tuple[int, int]) -> None:
    assert median_interval([float(n) for n in range(1, count + 1)]) == ranks


def test_five_lengths_are_too_few_for_a_median_and_four_for_a_mean() -> None:
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0]) is None
    assert mean_interval([1.0, 2.0, 3.0, 4.0]) is None
    assert median_interval([]) is None


@given(LENGTHS)
def test_neither_depends_on_the_order_of_the_lengths(lengths: list[float]) -> None:
    assert mean_interval(lengths) == mean_interval(lengths[::-1])
    assert median_interval(lengths) == median_interval(lengths[::-1])


@given(LENGTHS)
def test_each_holds_what_it_is_of(lengths: list[float]) -> None:
    for found, middle in ((mean_interval(lengths), np.mean(lengths)), (median_interval(lengths), np.median(lengths))):
        assert found is not None
        assert found[0] <= middle * (1 + 1e-9)
        assert middle <= found[1] * (1 + 1e-9)


def test_lengths_that_are_all_alike_leave_no_doubt() -> None:
    assert mean_interval([20.0] * 8) == (20.0, 20.0)


@pytest.mark.parametrize("count", [10, 40])
def test_the_mean_is_covered_as_said_where_lengths_are_as_skew_as_the_demos(count: int) -> None:
    """95 % asked; 300 samples tell it from 91 % and from 99 %."""
    random = np.random.default_rng(20260302)
    truth = np.exp(0.6**2 / 2)
    held = 0
    for _ in range(300):
        found = mean_interval(random.lognormal(0.0, 0.6, count).tolist())
        assert found is not None
        held += found[0] <= truth <= found[1]

    assert 0.91 <= held / 300 <= 0.99


def test_efficiency_gives_both_times_to_restore_with_their_intervals() -> None:
    past = on_reel_but_for([downtime(100 * n, 10 + n) for n in range(1, 11)])

    found = efficiency(past, ledger(past, Period(from_ms=0, to_ms=DAY)))

    mean, median = (found.figure(f"{which} time to restore the sheet") for which in ("mean", "median"))
    # 11 to 20 min: mean and median 15.5; the second shortest and second longest of ten are 12 and 19.
    assert (mean.value, median.value) == (15.5, 15.5)
    assert (median.low, median.high) == (12.0, 19.0)
    assert mean.low is not None
    assert mean.high is not None
    assert 11 < mean.low < 15.5 < mean.high < 20
