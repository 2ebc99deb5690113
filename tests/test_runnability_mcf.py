"""The mean cumulative function against published tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.runnability.mcf import mean_cumulative
from analysis.runnability.observed import Observed, TooFewEvents
from tests.published_checks import check, near


def seen(name: str, times: list[float], end: float, **more: object) -> Observed:
    return Observed(name=name, events=tuple(times), end=end, **more)  # type: ignore[arg-type]


def test_forty_one_engines_have_the_published_curve_with_robust_errors() -> None:
    """T4-01: Nelson (1995) valve seats; means and errors as R survival prints them (0.024 at 61, 1.543/0.312 at 653),
    all digits recomputed by two codes."""
    example = check("T4-01")
    engines = [
        seen(name, list(map(float, e["events"])), float(e["end"])) for name, e in example.data["systems"].items()
    ]
    table = np.array(example.expected["table"], dtype=float)

    curve = mean_cumulative(engines, student=False)

    columns = (curve.ages, curve.at_risk, curve.events, curve.mean, curve.robust_error, curve.low, curve.high)
    for found, expected in zip(columns, table.T, strict=True):
        np.testing.assert_allclose(found, expected, rtol=0, atol=6e-7)
    assert curve.independent_error[-1] == near(example.expected["poisson_se_at_653"], abs=6e-7)


def test_five_systems_have_the_published_curve_and_our_variance() -> None:
    """T4-02: the mean as published; of the two variances in circulation for these data, ours is the robust one."""
    example = check("T4-02")
    systems = [seen(str(i), list(map(float, s[:-1])), float(s[-1])) for i, s in enumerate(example.data["systems"])]

    curve = mean_cumulative(systems, student=False)

    np.testing.assert_allclose(curve.mean, [row[1] for row in example.expected["rows"]], rtol=5e-6)
    assert curve.ages.tolist() == [row[0] for row in example.expected["robust_var"]]
    np.testing.assert_allclose(curve.robust_error**2, [row[1] for row in example.expected["robust_var"]], rtol=5e-6)


def test_three_systems_step_by_a_third_while_all_are_seen() -> None:
    """T4-03: AMSAA TR-138 systems (mcotear vignette)."""
    example = check("T4-03")

    curve = mean_cumulative([seen(name, times, 200.0) for name, times in example.data["systems"].items()])

    for age, expected in example.expected["mcf_at"].items():
        found = curve.mean[np.searchsorted(curve.ages, float(age), side="right") - 1]
        assert found == near(expected, abs=6e-11)


def test_costs_weigh_events() -> None:
    # Two felts to 10 h; minutes 30 at 2 h and 10 at 5 h of the first: mean minutes 15, then 20.
    felts = [seen("a", [2.0, 5.0], 10.0, costs=(30.0, 10.0)), seen("b", [], 10.0)]

    curve = mean_cumulative(felts)

    assert curve.mean.tolist() == [15.0, 20.0]


def test_a_felt_counts_only_at_the_ages_at_which_it_was_seen() -> None:
    # The old felt is seen from 4 h on: at 2 h one felt is at risk, at 6 h two. 1/1, then 1 + 1/2.
    felts = [seen("new", [2.0], 10.0), seen("old", [6.0], 10.0, start=4.0)]

    curve = mean_cumulative(felts)

    assert curve.at_risk.tolist() == [1.0, 2.0]
    assert curve.mean.tolist() == [1.0, 1.5]
    # At the very age at which the old one came into sight it was not yet at risk.
    assert mean_cumulative([replace(felts[0], events=(4.0,)), felts[1]]).at_risk.tolist() == [1.0, 2.0]


def test_one_system_has_poisson_limits_for_it_knows_no_other() -> None:
    curve = mean_cumulative([seen("only", [1.0, 2.0, 3.0, 4.0], 5.0)])

    assert curve.robust_error.max() == 0.0
    # error sqrt(4) at 4 events: 4·exp(±1.959964·2/4) = 1.5013 to 10.658
    assert (curve.low[-1], curve.high[-1]) == (near(1.5013, abs=1e-3), near(10.658, abs=1e-3))


def test_few_systems_have_wider_limits_than_the_normal_ones() -> None:
    felts = [seen("a", [], 10.0), seen("b", [2.0], 10.0), seen("c", [float(i) for i in range(1, 10)], 10.0)]

    student, normal = mean_cumulative(felts), mean_cumulative(felts, student=False)

    # t(2 degrees) is 4.303 against 1.960, and the factor sqrt(3/2)
    width = np.log(student.high[-1] / student.mean[-1]) / np.log(normal.high[-1] / normal.mean[-1])
    assert width == near(4.302653 * np.sqrt(1.5) / 1.959964, rel=1e-5)


def test_felts_that_happen_to_agree_are_not_taken_to_be_alike() -> None:
    felts = [seen(name, [1.0, 2.0, 3.0], 10.0) for name in "abc"]

    curve = mean_cumulative(felts)

    # robust error 0; independent: sqrt(9)/3 = 1 at a mean of 3, times t(2) = 4.302653: 3·exp(−4.302653/3) = 0.7149
    assert curve.robust_error[-1] == 0.0
    assert curve.low[-1] == near(0.7149, abs=1e-3)


def test_felts_without_breaks_have_no_curve() -> None:
    with pytest.raises(TooFewEvents, match="at least one"):
        mean_cumulative([seen("a", [], 10.0)])
