"""Control charts against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.runnability.control import Limits, g_chart, t_chart, u_chart
from analysis.runnability.observed import Tally, TooFewEvents
from analysis.runnability.run_rules import Rule
from tests.published_checks import check, near

BEYOND = (Rule.BEYOND_LIMIT,)


def tally(counts: list[int], hours: list[float]) -> Tally:
    return Tally(counts=tuple(counts), hours=tuple(hours))


def test_wafers_have_the_handbooks_limits_and_one_signal() -> None:
    """T7-01: NIST/SEMATECH e-Handbook 6.3.3.1. Wafer 3 lies exactly on the limit and does not signal."""
    example = check("T7-01")

    counts = example.data["counts"]
    # Of equally long units the u-chart is the c-chart.
    chart = u_chart(tally(counts, [1.0] * len(counts)), limits=Limits.SIGMA, rules=BEYOND)

    assert chart.values.sum() == example.expected["total"]
    expected = [example.expected[name] for name in ("center", "ucl", "lcl")]
    assert [chart.centre, chart.high[0], chart.low[0]] == expected
    assert [s.point + 1 for s in chart.signals] == example.expected["out_of_control"]


def test_computers_of_equal_lots_have_the_textbooks_limits() -> None:
    """T7-03: Montgomery, Introduction to Statistical Quality Control, 2nd ed., pp. 181-182."""
    example = check("T7-03")
    counts = example.data["counts"]

    chart = u_chart(tally(counts, [5.0] * len(counts)), limits=Limits.SIGMA)

    assert chart.centre == near(example.expected["ubar"], abs=1e-9)
    assert chart.high[0] == near(example.expected["ucl"], abs=1e-9)
    assert chart.low[0] == near(example.expected["lcl"], abs=1e-9)


def test_rolls_of_cloth_each_have_limits_for_their_own_length() -> None:
    """T7-04: Montgomery, 7th ed., example 7.5; limits as in the reference object of qicharts2."""
    example = check("T7-04")
    rolls = tally(example.data["counts"], example.data["inspection_units"])

    chart = u_chart(rolls, limits=Limits.SIGMA, rules=BEYOND)

    assert (sum(rolls.counts), sum(rolls.hours)) == (example.expected["total"], example.expected["units"])
    assert chart.centre == near(example.expected["ubar"], abs=1e-6)
    np.testing.assert_allclose(chart.high, example.expected["ucl"], atol=1e-6)
    np.testing.assert_allclose(chart.low, example.expected["lcl"], atol=1e-6)
    assert [s.point for s in chart.signals] == example.expected["out_of_control"]


def test_valve_failures_have_the_textbooks_transformed_limits() -> None:
    """T7-05: Montgomery, 7th ed., example 7.6, with d2 = 1.128 and exponent 1/3.6 unrounded."""
    example = check("T7-05")

    chart = t_chart(example.data["times_between_h"], limits=Limits.TRANSFORMED, rules=BEYOND)

    assert chart.centre == near(example.expected["center_h"], rel=1e-6)
    assert chart.high[0] == near(example.expected["ucl_h"], rel=1e-6)
    assert chart.low[0] == example.expected["lcl_h"]
    upper, centre = chart.high[0] ** example.expected["exponent"], chart.centre ** example.expected["exponent"]
    assert (upper, 2 * centre - upper) == near((example.expected["ucl_y"], example.expected["lcl_y"]), rel=1e-6)
    assert list(chart.signals) == example.expected["signals"]
    y = np.array(example.data["times_between_h"]) ** example.expected["exponent"]
    assert centre == near(example.expected["center_y"], rel=1e-6)
    np.testing.assert_allclose(chart.z * example.expected["mr_bar"] / 1.128, y - y.mean(), rtol=1e-6)


def test_a_g_chart_has_benneyans_limits() -> None:
    """T7-06: formula of J. C. Benneyan (2001) on constructed counts 3, 7, 0, 12, 8."""
    example = check("T7-06")

    chart = g_chart(example.data["counts_between"], limits=Limits.SIGMA)

    assert chart.centre == near(example.expected["mean"], abs=1e-9)
    assert chart.high[0] == near(example.expected["ucl"], abs=1e-9)
    assert (chart.high[0] - chart.centre) / 3 == near(example.expected["sigma"], abs=1e-9)
    assert chart.low[0] == example.expected["lcl"]


def test_valve_failures_have_exact_exponential_limits() -> None:
    """T7-07: quantiles of the exponential distribution, same data as T7-05."""
    example = check("T7-07")

    chart = t_chart(example.data["times_between_h"], rules=BEYOND)

    assert chart.values.mean() == near(example.expected["mean"])
    assert chart.centre == near(example.expected["median"], rel=1e-9)
    assert (chart.low[0], chart.high[0]) == near((example.expected["lcl"], example.expected["ucl"]), rel=1e-9)
    assert chart.signals == ()


def test_long_gaps_between_infections_signal_and_are_good_news() -> None:
    """T7-09: days between infections, adapted from Benneyan (1998): the gaps of 13 and 16 days."""
    example = check("T7-09")

    chart = g_chart(example.data["days_between"], limits=Limits.SIGMA, rules=BEYOND)

    assert (chart.values.size, chart.values.sum()) == (example.expected["n"], example.expected["sum"])
    assert chart.centre == near(example.expected["mean"], abs=1e-9)
    assert chart.high[0] == near(example.expected["ucl_3sigma"], abs=1e-9)
    assert (chart.high[0] - chart.centre) / 3 == near(example.expected["sigma"], abs=1e-9)
    assert (chart.low[0], 1 / (1 + chart.centre)) == (example.expected["lcl"], near(example.expected["p_geometric"]))
    assert [s.point + 1 for s in chart.signals] == example.expected["points_above"]
    assert [s.side for s in chart.signals] == [1, 1]
    assert not chart.more_is_worse


def test_times_between_tract_infections_have_exponential_limits() -> None:
    """T7-10: Santiago & Smith, Quality Engineering 25 (2013) 85-96."""
    example = check("T7-10")

    chart = t_chart(example.data["days_between"], rules=BEYOND)

    assert chart.values.mean() == near(example.expected["mean"], rel=1e-9)
    assert chart.centre == near(example.expected["center_median"], rel=1e-9)
    assert (chart.low[0], chart.high[0]) == near((example.expected["lcl"], example.expected["ucl"]), rel=1e-9)
    assert chart.values.size == example.expected["n"]
    for side, name in ((1, "points_above"), (-1, "points_below")):
        assert [s.point + 1 for s in chart.signals if s.side == side] == example.expected[name]


def test_probability_limits_leave_as_little_outside_as_they_say() -> None:
    rng = np.random.default_rng(5)
    mean = 2.6
    # Poisson 2.6: P(X > 8) = 0.15 %, so 8 is not beyond and 9 is (P(X > 9) = 0.04 %); nothing lies below 0.
    chart = u_chart(tally(rng.poisson(mean, 4_000).tolist(), [24.0] * 4_000), baseline=None)

    assert chart.high[0] * 24 == near(stats.poisson.isf(0.00135, chart.centre * 24))
    assert chart.low[0] == 0
    beyond = sum(s.rule is Rule.BEYOND_LIMIT for s in chart.signals)
    assert beyond <= 4_000 * 0.00135 + 3 * (4_000 * 0.00135) ** 0.5


def test_days_without_running_time_are_points_of_which_nothing_is_known() -> None:
    chart = u_chart(tally([2, 0, 3], [24.0, 0.0, 20.0]))

    assert np.isnan(chart.values[1])
    assert np.isnan(chart.z[1])


@pytest.mark.parametrize("limits", [Limits.PROBABILITY, Limits.SIGMA, Limits.WIDENED])
def test_days_without_breaks_make_no_row_where_most_days_have_none(limits: Limits) -> None:
    # 2 breaks in 30 days: a day without one has a chance of exp(-2/30) = 94 %, and says nothing.
    quiet = tally([0] * 9 + [1] + [0] * 14 + [1] + [0] * 5, [24.0] * 30)

    signals = u_chart(quiet, limits=limits).signals

    assert {s.rule for s in signals} <= {Rule.BEYOND_LIMIT}


def test_a_bad_day_after_a_quiet_baseline_signals() -> None:
    chart = u_chart(tally([2, 3, 2, 1, 3, 2, 14], [24.0] * 7), baseline=6)

    # centre 13/144 h: Poisson 2.1667 a day, P(X >= 14) < 1e-6
    assert [(s.point, s.side) for s in chart.signals if s.rule is Rule.BEYOND_LIMIT] == [(6, 1)]
    assert chart.more_is_worse


def test_limits_widen_with_the_scatter_between_neighbours() -> None:
    scattered = tally([0, 9, 1, 8, 0, 10, 1, 9], [24.0] * 8)

    plain, widened = u_chart(scattered, limits=Limits.SIGMA), u_chart(scattered, limits=Limits.WIDENED)

    # Laney: z = (c − 4.75)/sqrt(4.75) ; mean |difference| of c is (9+8+7+8+10+9+8)/7 = 8.428571,
    # over sqrt(4.75)·1.128: 3.428452
    width = (widened.high[0] - widened.centre) / (plain.high[0] - plain.centre)
    assert width == near(3.428452, rel=1e-5)
    assert not widened.signals


def test_charts_without_breaks_say_so() -> None:
    with pytest.raises(TooFewEvents, match="no breaks"):
        u_chart(tally([0, 0], [24.0, 24.0]))
    with pytest.raises(TooFewEvents, match="two gaps"):
        g_chart([0, 0, 0])
    with pytest.raises(TooFewEvents, match="two times"):
        t_chart([3.0])


def test_two_breaks_at_one_moment_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        t_chart([3.0, 0.0, 2.0])


def test_a_g_chart_has_the_quantiles_of_the_geometric_law() -> None:
    # Mean 9: at least k + 1 with chance 0.9^(k + 1). At most 1/2 from k = 6 on (0.9^7 = 0.478), at most 0.00135 from
    # k = 62 on (0.9^63 = 0.00131), and 0 is already more likely than 0.00135.
    chart = g_chart([9, 9, 9, 9], limits=Limits.PROBABILITY)

    assert (chart.centre, chart.low[0], chart.high[0]) == (6, 0, 62)
    assert list(chart.labels) == ["1", "2", "3", "4"]


def test_points_are_placed_by_the_middle_of_their_chance() -> None:
    # Poisson of mean 4: up to 3 with 0.433470, 4 with 0.195367: the normal's quantile of 0.531154 is 0.07817.
    chart = u_chart(tally([4, 4], [24.0, 24.0]), limits=Limits.PROBABILITY)

    assert chart.z.tolist() == near([0.07817, 0.07817], abs=2e-5)
