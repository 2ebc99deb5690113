"""Shares, bad days and patterns, with what chance gives paid for."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.clustering import bad_units, dispersion_by_scale, pattern, share_of
from analysis.runnability.observed import Tally, TooFewEvents
from tests.published_checks import near


def days(counts: list[int], hours: float = 24.0) -> Tally:
    labels = tuple(f"day {i + 1}" for i in range(len(counts)))
    return Tally(counts=tuple(counts), hours=(hours,) * len(counts), labels=labels)


def test_a_share_has_the_exact_interval() -> None:
    # Clopper-Pearson of 0 of 10 at 95 %: 1 − 0.025^(1/10) = 0.30850
    none = share_of(0, 10)

    assert (none.share, none.low, none.high) == (0.0, 0.0, near(0.3084971, abs=1e-7))
    assert share_of(0, 0).share is None


def test_one_terrible_day_in_a_month_is_named() -> None:
    found = bad_units(days([2, 3, 1, 2, 4, 2, 3, 1, 2, 3, 15, 2, 3, 2, 1, 4, 2, 3, 2, 2]))

    assert [(unit.label, unit.count) for unit in found] == [("day 11", 15)]
    assert found[0].p_value < found[0].adjusted < 0.001


def test_ordinary_months_seldom_have_a_bad_day() -> None:
    rng = np.random.default_rng(8)

    named = sum(bool(bad_units(days(rng.poisson(2.6, 30).tolist()))) for _ in range(400))

    assert named / 400 <= 0.05


def test_hours_of_the_day_that_run_alike_show_no_pattern_more_often_than_announced() -> None:
    rng = np.random.default_rng(9)
    called = 0

    for _ in range(80):
        hours = rng.uniform(20, 30, 24)
        called += pattern(Tally(counts=tuple(rng.poisson(0.1 * hours).tolist()), hours=tuple(hours))).p_value <= 0.05

    assert called / 80 <= 0.05 + 2.5 * (0.05 * 0.95 / 80) ** 0.5


def test_a_bad_hour_is_found_and_the_others_are_left_alone() -> None:
    counts = [4] * 24
    counts[6] = 22

    found = pattern(days(counts, 30.0))

    assert found.p_value < 0.001
    assert [band.label for band in found.bands if band.adjusted < 0.05] == ["day 7"]


def test_large_counts_have_the_chi_square_of_the_textbook() -> None:
    # 30, 10 and 20 over equal hours: (10² + 10² + 0)/20 = 10 on 2 degrees, p = exp(−5)
    found = pattern(days([30, 10, 20]))

    assert (found.statistic, found.df) == (near(10.0), 2)
    assert found.p_value == near(np.exp(-5))


def test_bands_that_never_ran_are_left_out() -> None:
    found = pattern(Tally(counts=(3, 0, 4), hours=(10.0, 0.0, 10.0), labels=("a", "b", "c")))

    assert [band.label for band in found.bands] == ["a", "c"]


def test_good_and_bad_weeks_show_at_the_scale_of_weeks() -> None:
    weeks = days(([1] * 7 + [4] * 7) * 6)

    by_scale = {scale.units: scale.found.index for scale in dispersion_by_scale(weeks)}

    assert by_scale[1] < 1
    assert by_scale[7] > 5


def test_a_pattern_needs_breaks() -> None:
    with pytest.raises(TooFewEvents):
        pattern(days([0, 0, 0]))
    assert bad_units(days([0, 0, 0])) == ()
