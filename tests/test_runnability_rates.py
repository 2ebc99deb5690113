"""Exact Poisson rates against published examples; the interval itself is analysis.rates'."""

from __future__ import annotations

import pytest

from analysis.figures.rates import count_interval, mean_time_between, rate_of, upper_bound
from tests.published_checks import check, near


def test_four_events_have_the_interval_of_the_reference_output() -> None:
    """T1-01: R survival, cipoisson(4): 1.089865 and 10.241589 (not the 10.24153 of its man page)."""
    expected = check("T1-01").expected

    low, high = count_interval(4)

    assert low == near(expected["lower"], abs=5e-7)
    assert high == near(expected["upper"], abs=5e-7)


def test_a_rate_has_the_interval_of_other_programs() -> None:
    """T1-02: 15 events in 400, values of R's exactci in the tests of statsmodels."""
    given = check("T1-02")

    rate = rate_of(given.data["k"], given.data["exposure"])

    assert rate.rate == given.expected["rate"]
    assert rate.low == near(given.expected["lower"], rel=1e-9)
    assert rate.high == near(given.expected["upper"], rel=1e-9)


def test_no_events_still_bound_the_rate() -> None:
    """T1-03: NIST/SEMATECH e-Handbook 8.4.5.1, the case of zero failures."""
    expected = check("T1-03").expected

    assert count_interval(0) == (expected["two_sided95_lower"], near(expected["two_sided95_upper"], abs=1e-9))
    assert upper_bound(0, 0.95) == near(expected["one_sided95_upper"], abs=1e-9)
    assert upper_bound(0, 0.90) == near(expected["one_sided90_upper"], abs=1e-9)
    assert upper_bound(0, 0.60) == near(expected["one_sided60_upper"], abs=1e-9)


def test_intervals_are_those_of_garwoods_table() -> None:
    """T1-04: F. Garwood, Biometrika 28 (1936) 437-442; recomputed."""
    given = check("T1-04")

    found = [count_interval(k) for k in given.data["k"]]

    assert [low for low, _ in found] == near(given.expected["lower"], abs=1e-6)
    assert [high for _, high in found] == near(given.expected["upper"], abs=1e-6)


def test_the_handbooks_mean_time_between_failures_comes_out() -> None:
    """T1-05: NIST/SEMATECH e-Handbook 8.4.5.1: 800 h, 2 failures, 90 %: 127.0690 to 2251.229 h."""
    given = check("T1-05")

    mean, low, high = mean_time_between(rate_of(2, 800.0, 0.90))

    assert mean == given.expected["mtbf"]
    assert low == near(given.expected["lower"], rel=1e-8)
    assert high == near(given.expected["upper"], rel=1e-8)


def test_factors_on_the_mean_time_are_those_of_the_handbook() -> None:
    """T1-06: NIST/SEMATECH e-Handbook 8.4.5.1, factors that multiply T/r; recomputed to four decimals."""
    factors = check("T1-06").expected["factors_lower_upper_by_confidence_and_r"]

    for confidence, rows in factors.items():
        for failures, (low, high) in rows.items():
            _, found_low, found_high = mean_time_between(rate_of(int(failures), float(failures), int(confidence) / 100))
            assert (found_low, found_high) == (near(low, abs=5e-5), near(high, abs=5e-5))


def test_without_a_failure_the_mean_time_has_a_lower_bound_only() -> None:
    """T1-06: NIST/SEMATECH e-Handbook 8.4.5.1, factors that multiply the time on test where nothing failed."""
    expected = check("T1-06").expected

    for confidence, factor in expected["zero_failure_lower_factor_times_T_two_sided"].items():
        _, low, high = mean_time_between(rate_of(0, 1.0, int(confidence) / 100))
        assert (low, high) == (near(factor, abs=5e-5), None)
    for confidence, factor in expected["zero_failure_lower_factor_times_T_one_sided"].items():
        assert 1 / upper_bound(0, int(confidence) / 100) == near(factor, abs=5e-5)


def test_a_standardised_ratio_has_the_interval_of_poisson_test() -> None:
    """T1-07: R documentation of poisson.test, 137 cases on 24.19893 expected."""
    given = check("T1-07")

    rate = rate_of(given.data["k"], given.data["exposure"])

    assert rate.rate == near(given.expected["rate"], abs=1e-6)
    assert rate.low == near(given.expected["lower"], abs=1e-6)
    assert rate.high == near(given.expected["upper"], abs=1e-6)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.69), (5, 1.6, 11.7), (20, 12.22, 30.89)])
def test_counts_a_mill_meets_have_the_intervals_it_is_told(count: int, low: float, high: float) -> None:
    """Own arithmetic of the trade page: 0 is 0 to 3.69, 5 is 1.6 to 11.7, 20 is 12.22 to 30.89."""
    assert count_interval(count) == (near(low, abs=0.05), near(high, abs=0.05))
