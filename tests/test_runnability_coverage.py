"""Intervals hold the truth as often as they say: a quick check of each; METHODS.md has the full table.

With 200 rounds the coverage of a 95 % interval has a standard deviation of 1.5 %; it must not be more than three below.
"""

from __future__ import annotations

import pytest

from tests import coverage_of
from tests.coverage_of import INTERVALS, NOMINAL, coverage, exact_coverage_of_rate

QUICK = 200
ROUNDS: dict[coverage_of.Covers, int] = {
    coverage_of.pooled_share: 100,
    coverage_of.pooled_minutes: 100,
    coverage_of.change_time: 120,
}


@pytest.mark.parametrize("name", INTERVALS)
def test_the_interval_holds_the_truth_where_breaks_are_independent(name: str) -> None:
    covers = INTERVALS[name]

    found = coverage(covers, 20, rounds=ROUNDS.get(covers, QUICK))

    assert found.rounds >= ROUNDS.get(covers, QUICK) / 4
    assert not found.below(NOMINAL)


@pytest.mark.parametrize(
    "name", ["rate, as reported", "ratio, as chosen by compare", "mean cumulative function, 8 felts"]
)
def test_reported_intervals_allow_for_clusters_once_there_are_enough_days(name: str) -> None:
    found = coverage(INTERVALS[name], 100, clustered=True, rounds=QUICK)

    assert found.share >= 0.90


@pytest.mark.parametrize("covers", [coverage_of.rate, coverage_of.ratio_exact, coverage_of.power_law_shape])
def test_intervals_that_take_breaks_as_independent_fail_on_clusters_and_so_are_not_used_there(
    covers: coverage_of.Covers,
) -> None:
    found = coverage(covers, 100, clustered=True, rounds=QUICK)

    assert found.below(NOMINAL)


def test_the_monitor_keeps_its_error_on_clusters_when_told_of_them() -> None:
    told = coverage(coverage_of.monitored_widened, 100, clustered=True, rounds=QUICK)
    untold = coverage(coverage_of.monitored, 100, clustered=True, rounds=QUICK)

    assert not told.below(NOMINAL)
    assert untold.share < told.share


@pytest.mark.parametrize("mean", [0.5, 3.0, 20.0, 140.0])
def test_the_exact_interval_covers_at_least_as_often_as_it_says(mean: float) -> None:
    """Summed over all counts, not simulated: Garwood's interval is never below its confidence."""
    assert exact_coverage_of_rate(mean) >= NOMINAL
