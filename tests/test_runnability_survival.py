"""Kaplan-Meier, Weibull, log-rank and hazard bands against published examples and scipy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.runnability.observed import TooFewEvents
from analysis.runnability.survival import Limits, Runs, hazard_bands, kaplan_meier
from analysis.runnability.weibull import large_sample_limits, weibull
from tests.published_checks import check, near


def runs(broke: list[float], cut_off: list[float]) -> Runs:
    """Runs that ended in a break, and runs that something else ended."""
    return Runs(hours=tuple(map(float, broke + cut_off)), broke=(True,) * len(broke) + (False,) * len(cut_off))


def of_pairs(pairs: list[list[float]]) -> Runs:
    return Runs(hours=tuple(float(t) for t, _ in pairs), broke=tuple(bool(s) for _, s in pairs))


def test_twenty_units_have_the_handbooks_curve() -> None:
    """T8-01: NIST/SEMATECH e-Handbook 8.2.1.5."""
    example = check("T8-01")
    units = runs(example.data["failures_h"], example.data["removed_h"] + [200.0] * 10)

    curve = kaplan_meier(units)

    for hours, expected in example.expected["R"].items():
        assert curve.surviving[curve.hours.tolist().index(float(hours))] == near(expected, abs=1e-9)


@pytest.mark.parametrize("arm", ["maintained", "nonmaintained"])
def test_patients_have_the_published_curve_and_limits(arm: str) -> None:
    """T8-02: Miller's study in R survival's reference output: Greenwood errors, limits on the log scale."""
    example = check("T8-02")
    table = np.array(example.expected[arm], dtype=float)

    curve = kaplan_meier(of_pairs(example.data[f"{arm}_time_status"]), limits=Limits.LOG)

    np.testing.assert_array_equal(curve.hours, table[:, 0])
    np.testing.assert_array_equal(curve.at_risk, table[:, 1])
    np.testing.assert_array_equal(curve.breaks, table[:, 2])
    # The share surviving and its error are printed to six digits, the limits to four.
    for found, expected, digits in zip(
        (curve.surviving, curve.error, curve.low, curve.high), table.T[3:], (6, 6, 4, 4), strict=True
    ):
        np.testing.assert_allclose(found, expected, rtol=0, atol=0.6 * 10**-digits)
    assert curve.median == example.expected[f"median_{arm}"]


@pytest.mark.filterwarnings("ignore:The confidence interval is undefined:RuntimeWarning")
@given(st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=3, max_size=40))
@settings(max_examples=50)
def test_the_curve_and_its_log_log_limits_are_scipys(pairs: list[tuple[int, bool]]) -> None:
    some = Runs(hours=tuple(float(t) for t, _ in pairs), broke=tuple(b for _, b in pairs))
    if not some.breaks:
        return
    reference = stats.ecdf(stats.CensoredData.right_censored(some.hours, [not b for b in some.broke]))

    curve = kaplan_meier(some)

    np.testing.assert_allclose(curve.surviving, reference.sf.evaluate(curve.hours), atol=1e-12)
    inside = (curve.surviving > 0) & (curve.surviving < 1)
    limits: Any = reference.sf.confidence_interval(0.95, method="log-log")
    np.testing.assert_allclose(curve.low[inside], limits.low.evaluate(curve.hours)[inside], atol=1e-9)
    np.testing.assert_allclose(curve.high[inside], limits.high.evaluate(curve.hours)[inside], atol=1e-9)


def test_ten_units_of_twenty_give_the_handbooks_weibull() -> None:
    """T8-03: NIST/SEMATECH e-Handbook 8.4.1.3 (printed scale 606.5280; converged 606.5275)."""
    example = check("T8-03")
    expected = example.expected

    model = weibull(runs(example.data["failures_h"], example.data["censored_h"]))

    assert model.scale == near(expected["eta"], rel=2e-6)
    assert model.shape == near(expected["beta"], rel=2e-6)
    assert model.log_likelihood == near(expected["loglik"], rel=2e-6)
    assert model.aic == near(expected["aic"], rel=2e-6)
    assert (model.mean, model.deviation) == (
        near(expected["mean"], abs=1e-3),
        near(expected["sd"], abs=1e-3),
    )
    assert model.scale_error == near(expected["se_eta"], abs=1e-3)
    assert model.shape_error == near(expected["se_beta"], rel=2e-6)
    assert large_sample_limits(model.shape, model.shape_error) == near(expected["ci95_beta_log"], rel=2e-6)
    assert large_sample_limits(model.scale, model.scale_error) == near(expected["ci95_eta_log"], abs=1e-3)


@pytest.mark.parametrize(
    ("example", "failed", "cut_off"),
    [("T8-06", "failures_km", "censored_km"), ("T8-07", "failures", "censored")],
)
def test_field_data_give_the_converged_weibull(example: str, failed: str, cut_off: str) -> None:
    """T8-06: O'Connor's shock absorbers. T8-07: a set whose documented estimate (134243, 1.15586) had not converged."""
    given_data, expected = check(example).data, check(example).expected

    model = weibull(runs(given_data[failed], given_data[cut_off]))

    assert (model.scale, model.shape) == near((expected["eta"], expected["beta"]), rel=2e-6)
    assert model.log_likelihood == near(expected["loglik"], rel=2e-6)
    if "mu" in expected:
        assert (np.log(model.scale), 1 / model.shape) == near((expected["mu"], expected["sigma"]), rel=2e-6)


def test_likelihood_limits_are_where_the_likelihood_has_fallen_far_enough() -> None:
    example = check("T8-03")
    units = runs(example.data["failures_h"], example.data["censored_h"])
    model = weibull(units)

    def best_at(shape: float) -> float:
        """Log-likelihood with this shape and the scale that suits it best, written out plainly."""
        hours = np.array(units.hours)
        scale = ((hours**shape).sum() / units.breaks) ** (1 / shape)
        failed = hours[np.array(units.broke)]
        return float(
            (np.log(shape / scale) + (shape - 1) * np.log(failed / scale)).sum() - ((hours / scale) ** shape).sum()
        )

    # Student's t with 9 degrees at 95 %, from any table 2.262157: half its square is 2.558677
    assert best_at(model.shape_low) == near(model.log_likelihood - 2.558677, abs=1e-5)
    assert best_at(model.shape_high) == near(model.log_likelihood - 2.558677, abs=1e-5)
    assert model.shape_low < model.shape < model.shape_high
    assert model.scale_low < model.scale < model.scale_high


def test_the_fitted_share_of_survivors_is_the_weibull_one() -> None:
    model = weibull(runs([1.0, 2.0, 3.0, 5.0], [4.0]))

    assert model.surviving(np.array([model.scale]))[0] == near(np.exp(-1))


def test_hazard_bands_share_out_hours_and_breaks() -> None:
    # Runs of 3, 10, 20 and 90 min; the last is cut off. Band 0-5: 3+5+5+5 = 18 min, one break; 5-15: 5+10+10 = 25 min,
    # one break; 15-30: 5+15 = 20 min, one; 30-60: 30 min; 60-120: 30 min; then nothing.
    some = Runs(hours=(3 / 60, 10 / 60, 20 / 60, 90 / 60), broke=(True, True, True, False))

    bands = hazard_bands(some)

    assert [b.rate.count for b in bands] == [1, 1, 1, 0, 0, 0, 0, 0]
    assert [round(60 * b.rate.exposure, 6) for b in bands] == [18, 25, 20, 30, 30, 0, 0, 0]
    assert bands[-1].rate.rate is None


@given(st.lists(st.tuples(st.floats(0.001, 60), st.booleans()), min_size=1, max_size=40))
def test_no_minute_and_no_break_is_lost_between_bands(pairs: list[tuple[float, bool]]) -> None:
    some = Runs(hours=tuple(t for t, _ in pairs), broke=tuple(b for _, b in pairs))

    bands = hazard_bands(some)

    assert sum(b.rate.count for b in bands) == some.breaks
    assert sum(b.rate.exposure for b in bands) == near(sum(some.hours))


def test_without_breaks_there_is_neither_curve_nor_fit() -> None:
    with pytest.raises(TooFewEvents):
        kaplan_meier(runs([], [4.0, 5.0]))
    with pytest.raises(TooFewEvents, match="at least 3"):
        weibull(runs([2.0, 3.0], [4.0, 5.0]))
    with pytest.raises(TooFewEvents):
        weibull(runs([2.0, 2.0, 2.0], []))


def test_a_run_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        Runs(hours=(0.0,), broke=(True,))


def test_runs_that_are_all_but_alike_have_no_weibull_shape() -> None:
    runs = Runs(hours=(104.3, 106.2, 106.2, 106.2, 104.3), broke=(True, True, True, True, False))

    with pytest.raises(TooFewEvents, match="too alike"):
        weibull(runs)
