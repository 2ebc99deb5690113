"""Exact intervals of counts and rates, against published values."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.rates import confint_poisson

from analysis.figures.rates import count_interval, mean_time_between, rate_of, upper_bound


def test_the_interval_of_four_events_is_the_published_one() -> None:
    # R package survival (T. Therneau, LGPL), tests/Examples/survival-Ex.Rout.save, cipoisson(4): 1.089865 10.241589
    low, high = count_interval(4)

    assert (low, high) == pytest.approx((1.089865, 10.241589), abs=5e-7)


@pytest.mark.parametrize(
    ("count", "low", "high"), [(1, 0.025318, 5.571643), (10, 4.795389, 18.390356), (100, 81.363991, 121.626794)]
)
def test_the_interval_is_that_of_the_classical_table(count: int, low: float, high: float) -> None:
    # F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437-442; more places recomputed
    # with statsmodels (confint_poisson, exact-c).
    assert count_interval(count) == pytest.approx((low, high), abs=1e-6)


def test_the_interval_of_a_rate_is_the_published_one() -> None:
    # 15 events in 400: R DescTools::PoissonCI and exactci, as kept in statsmodels' test_rates_poisson.py (BSD-3)
    rate = rate_of(15, 400.0)

    assert rate.rate == 0.0375
    assert (rate.low, rate.high) == pytest.approx((0.0209884653319583, 0.0618505471787146), rel=1e-9)


def test_no_event_still_has_an_upper_end() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, "zero fails": the bound is -ln(a); two-sided at 95 % it is -ln(0.025).
    low, high = count_interval(0)

    assert low == 0.0
    assert high == pytest.approx(-math.log(0.025), abs=1e-9)
    assert upper_bound(0) == pytest.approx(-math.log(0.05), abs=1e-9)
    assert upper_bound(0, 0.9) == pytest.approx(-math.log(0.1), abs=1e-9)
    assert upper_bound(0, 0.6) == pytest.approx(-math.log(0.4), abs=1e-9)


def test_the_mean_time_between_failures_has_the_interval_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1, script apr451.r: 800 h, 2 failures, 90 %: 127.0690 and 2251.229 (public domain)
    mean, low, high = mean_time_between(rate_of(2, 800.0, 0.9))

    assert mean == 400.0
    assert low == pytest.approx(127.0690, abs=5e-5)
    assert high == pytest.approx(2251.229, abs=5e-4)


def test_without_a_break_the_mean_time_between_has_only_a_lower_end() -> None:
    mean, low, high = mean_time_between(rate_of(0, 100.0))

    assert (mean, high) == (None, None)
    assert low == pytest.approx(100 / -math.log(0.025))


def test_without_time_on_the_reel_there_is_no_rate() -> None:
    rate = rate_of(3, 0.0)

    assert (rate.exposure, rate.rate, rate.low, rate.high, rate.per(24)) == (0.0, None, None, None, None)
    assert mean_time_between(rate) == (None, None, None)


def test_a_rate_per_day_is_24_times_that_per_hour() -> None:
    # 12 breaks in 240 h: 0.05 an hour, 1.2 a day.
    # Garwood's interval of a count of 12 is 6.2006 to 20.9616 (confint_poisson of statsmodels): over 10 days a tenth.
    day = rate_of(12, 240.0).per(24.0)

    assert day == pytest.approx((1.2, 0.62006, 2.09616), abs=5e-6)


@pytest.mark.parametrize("unknown", ["rate", "low", "high"])
def test_a_rate_of_which_a_part_is_unknown_is_unknown_in_any_unit(unknown: str) -> None:
    assert replace(rate_of(12, 240.0), **{unknown: None}).per(24.0) is None  # type: ignore[arg-type]  # names are its own


@given(st.integers(0, 400), st.floats(0.5, 0.999))
def test_every_interval_agrees_with_statsmodels(count: int, confidence: float) -> None:
    low, high = count_interval(count, confidence)

    assert (low, high) == pytest.approx(confint_poisson(count, 1, method="exact-c", alpha=1 - confidence), rel=1e-8)
