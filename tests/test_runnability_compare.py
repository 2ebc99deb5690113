"""Two rates against published examples, the trade page's own arithmetic, and statsmodels."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.rates import confint_poisson_2indep, test_poisson_2indep

from analysis.runnability.compare import (
    Method,
    Tail,
    compare,
    exact_ratio,
    quasi_poisson_ratio,
    ratio_p_value,
)
from analysis.runnability.observed import Counted, Tally, TooFewEvents
from analysis.runnability.planning import (
    hours_needed,
    hours_needed_after,
    hours_needed_by_exact_test,
    power_of_exact_test,
)
from tests.published_checks import check, near

test_poisson_2indep.__test__ = False


def counted(events: int, hours: float) -> Counted:
    return Counted(events=events, hours=hours)


def daily(*counts: int) -> Tally:
    return Tally(counts=counts, hours=(24.0,) * len(counts))


def test_two_rates_have_the_published_ratio_and_interval() -> None:
    """T5-01: R documentation of poisson.test, 11 in 800 against 21 in 3011."""
    example = check("T5-01")
    first, second = counted(11, 800.0), counted(21, 3011.0)

    found = exact_ratio(first, second)

    assert found.ratio == near(example.expected["rate_ratio"], abs=1e-8)
    assert found.low == near(example.expected["ci95_lower"], abs=1e-8)
    assert found.high == near(example.expected["ci95_upper"], abs=1e-8)


def test_every_convention_of_the_p_value_is_told_apart() -> None:
    """T5-01: the same data; the central p agrees with the interval, the least-likely one is what R prints."""
    expected = check("T5-01").expected
    first, second = counted(11, 800.0), counted(21, 3011.0)

    assert exact_ratio(first, second).p_value == near(expected["p_two_sided_central"], abs=1e-8)
    for tail, name in (
        (Tail.LEAST_LIKELY, "p_two_sided_minlike"),
        (Tail.GREATER, "p_greater"),
        (Tail.LESS, "p_less"),
    ):
        assert ratio_p_value(first, second, tail=tail) == near(expected[name], abs=1e-8)
    mid = ratio_p_value(first, second, tail=Tail.LEAST_LIKELY, mid_p=True)
    assert mid == near(expected["p_midp"], abs=1e-8)


def test_a_ratio_other_than_one_can_be_tested() -> None:
    """T5-03: Gu et al. (2008), 41 in 28010 against 15 in 19017: p 0.2913 against a ratio of 1.5."""
    expected = check("T5-03").expected
    first, second = counted(41, 28_010.0), counted(15, 19_017.0)

    found = exact_ratio(first, second)

    against_1_5 = ratio_p_value(first, second, null_ratio=1.5, tail=Tail.GREATER)
    assert against_1_5 == near(expected["r15_exact_cond_greater"], rel=1e-6)
    greater = ratio_p_value(first, second, tail=Tail.GREATER)
    assert greater == near(expected["r1_exact_cond_greater"], rel=1e-6)
    least = ratio_p_value(first, second, tail=Tail.LEAST_LIKELY)
    assert least == near(expected["r1_two_sided_minlike"], rel=1e-6)
    assert found.p_value == near(expected["r1_central_two_sided"], rel=1e-6)
    assert (found.ratio, found.low, found.high) == near(
        (expected["rate_ratio"], expected["ci95_lower"], expected["ci95_upper"]), rel=1e-6
    )


def test_few_events_show_how_cautious_the_exact_test_is() -> None:
    """T5-04: 0 in 100 against 3 in 100, scipy's example: 0.25 here (its E-test, not offered, gives 0.088)."""
    assert exact_ratio(counted(0, 100.0), counted(3, 100.0)).p_value == near(
        check("T5-04").expected["exact_cond_two_sided"], abs=1e-12
    )


@pytest.mark.parametrize(
    ("first", "second", "days", "p_value", "low", "high"),
    [(45, 28, 30, 0.0604, 0.98, 2.68), (30, 15, 30, 0.0357, 1.04, 4.00), (12, 9, 14, 0.66, None, None)],
)
def test_comparisons_a_mill_makes_come_out_as_worked(
    first: int, second: int, days: float, p_value: float, low: float | None, high: float | None
) -> None:
    """The trade page's own arithmetic: 45 against 28 breaks in 30 days each is not proven, 30 against 15 is."""
    found = exact_ratio(counted(first, days), counted(second, days))

    assert found.p_value == near(p_value, abs=0.004)
    assert found.shown is (p_value < 0.05)
    if low is not None:
        assert (found.low, found.high) == (near(low, abs=0.01), near(high, abs=0.01))


@given(st.integers(1, 40), st.integers(1, 40), st.floats(1, 1000), st.floats(1, 1000))
@settings(max_examples=50)
def test_the_mid_p_values_are_those_of_statsmodels(x: int, y: int, hours_x: float, hours_y: float) -> None:
    reference = test_poisson_2indep(x, hours_x, y, hours_y, method="cond-midp").pvalue

    found = ratio_p_value(counted(x, hours_x), counted(y, hours_y), tail=Tail.LEAST_LIKELY, mid_p=True)

    assert found == near(float(reference), abs=1e-9)


@given(st.integers(1, 60), st.integers(1, 60), st.floats(1, 1000), st.floats(1, 1000), st.booleans())
@settings(max_examples=50)
def test_turning_the_question_round_turns_the_answer_round(
    x: int, y: int, hours_x: float, hours_y: float, mid_p: bool
) -> None:
    one = exact_ratio(counted(x, hours_x), counted(y, hours_y), mid_p=mid_p)
    other = exact_ratio(counted(y, hours_y), counted(x, hours_x), mid_p=mid_p)

    assert (1 / other.high, 1 / other.ratio, 1 / other.low) == near((one.low, one.ratio, one.high), rel=1e-6)
    assert other.p_value == near(one.p_value)
    assert one.low < one.ratio < one.high


@given(st.integers(0, 60), st.integers(0, 60), st.booleans())
@settings(max_examples=50)
def test_interval_and_p_value_never_contradict_each_other(x: int, y: int, mid_p: bool) -> None:
    found = exact_ratio(counted(x, 300.0), counted(y, 500.0), mid_p=mid_p)

    if abs(found.p_value - 0.05) > 1e-6:
        assert found.shown is (found.p_value < 0.05)


def test_the_mid_p_interval_lies_within_the_exact_one_and_near_the_score_interval() -> None:
    first, second = counted(11, 800.0), counted(21, 3011.0)
    low, high = confint_poisson_2indep(11, 800.0, 21, 3011.0, method="score", compare="ratio")

    exact, mid = exact_ratio(first, second), exact_ratio(first, second, mid_p=True)

    assert exact.low < mid.low < mid.high < exact.high
    assert (mid.low, mid.high) == (near(low, rel=0.1), near(high, rel=0.1))


@pytest.mark.parametrize(
    ("x", "y", "ratio", "low", "high"),
    [(0, 5, 0.0, 0.0, "finite"), (5, 0, math.inf, "finite", math.inf), (0, 0, math.nan, 0.0, math.inf)],
)
@pytest.mark.parametrize("mid_p", [False, True])
def test_periods_without_breaks_leave_one_end_open(
    x: int, y: int, ratio: float, low: object, high: object, mid_p: bool
) -> None:
    found = exact_ratio(counted(x, 100.0), counted(y, 100.0), mid_p=mid_p)

    assert found.ratio == near(ratio, nan_ok=True)
    assert found.low == low if low != "finite" else 0 < found.low < math.inf
    assert found.high == high if high != "finite" else 0 < found.high < math.inf


def test_even_days_are_compared_exactly() -> None:
    answer = compare(daily(3, 2, 3, 2, 4, 3, 2, 3), daily(1, 2, 1, 2, 1, 2, 2, 1))

    assert answer.chosen.method is Method.EXACT
    assert answer.chosen == answer.exact


def test_clustered_days_are_compared_with_their_own_scatter() -> None:
    answer = compare(daily(0, 9, 0, 1, 8, 0, 0, 10), daily(0, 0, 7, 0, 0, 6, 0, 1))

    assert answer.chosen.method is Method.QUASI_POISSON
    assert answer.dispersion is not None
    assert answer.chosen.dispersion == answer.dispersion.index > 2
    assert answer.chosen.low < answer.exact.low
    assert answer.chosen.high > answer.exact.high


def test_a_quasi_poisson_interval_is_the_textbook_one() -> None:
    # 12 breaks in 4 days against 4 in 4; chi-square about own means 3 and 1: (4+0+4+0)/3·... worked out:
    # days 5,3,1,3: (4+0+4+0)/3 = 2.6667; days 3,1,0,0: (4+0+1+1)/1 = 6; sum 8.6667 on 6 degrees = 1.44444.
    # error sqrt(1.44444·(1/12 + 1/4)) = 0.693889; t(6) = 2.446912: 3·exp(±1.697887) = 0.549 to 16.39
    found = quasi_poisson_ratio(daily(5, 3, 1, 3), daily(3, 1, 0, 0))

    assert found.dispersion == near(1.444444, abs=1e-6)
    assert (found.low, found.high) == (near(0.5492, abs=2e-3), near(16.39, abs=2e-2))


def test_clustered_days_without_breaks_on_one_side_fall_back_to_the_exact_interval() -> None:
    answer = compare(daily(0, 9, 0, 0, 8, 0), daily(0, 0, 0))

    assert answer.chosen.method is Method.EXACT
    with pytest.raises(TooFewEvents, match="exact"):
        quasi_poisson_ratio(daily(0, 9), daily(0, 0))


def test_a_fifth_fewer_breaks_take_a_hundred_and_forty_one_days_a_side_to_show() -> None:
    """The trade page: 2.5 to 2.0 a day with 80 % power: (1.95996 + 0.84162)²·4.5/0.25 = 141.3 days."""
    assert hours_needed(2.5 / 24, -0.2) / 24 == near(141.28, abs=0.01)


def test_the_exact_test_needs_a_little_longer_than_the_formula_says() -> None:
    hours = hours_needed_by_exact_test(2.5 / 24, -0.2)

    expected = 2.5 * hours / 24
    assert 141.3 < hours / 24 < 155
    assert power_of_exact_test(expected, 0.8 * expected) >= 0.80


def test_clustering_lengthens_a_trial_in_proportion() -> None:
    assert hours_needed(0.1, -0.2, dispersion=2.0) == near(2 * hours_needed(0.1, -0.2))


def test_a_long_time_before_shortens_the_time_after() -> None:
    both = hours_needed(0.1, -0.2)
    equal = hours_needed_after(counted(round(0.1 * both), round(0.1 * both) / 0.1), -0.2)
    longer = hours_needed_after(counted(10_000, 100_000.0), -0.2)

    assert equal == near(both, rel=0.02)
    assert longer < 0.55 * both


def test_too_short_a_time_before_can_never_show_the_change() -> None:
    assert hours_needed_after(counted(10, 100.0), -0.2) == math.inf


@pytest.mark.parametrize("change", [0.0, -1.0])
def test_a_change_to_plan_for_must_be_one(change: float) -> None:
    with pytest.raises(ValueError, match="change"):
        hours_needed(0.1, change)
