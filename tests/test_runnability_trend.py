"""Trend tests against published examples, and against what must hold for any breaks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.runnability.observed import Observed, TooFewEvents
from analysis.runnability.trend import (
    anderson_darling,
    arrangements_at_least,
    arrangements_at_most,
    laplace,
    lewis_robinson,
    military_handbook,
    reverse_arrangements,
)
from tests.published_checks import check, near


def until(times: list[float], end: float, name: str = "one") -> Observed:
    return Observed(name=name, events=tuple(times), end=end)


def three_systems() -> list[Observed]:
    """TR-138, Table 1: three systems, each seen for 200 h."""
    return [until(times, 200.0, name) for name, times in check("T2-04").data["systems"].items()]


def test_a_system_that_improves_gets_the_handbooks_statistics() -> None:
    """T2-01: NIST/SEMATECH e-Handbook 8.2.3.4. Laplace does not reject here while MIL-HDBK-189 does."""
    example = check("T2-01")
    system, expected = until(example.data["event_times_h"], 1500.0), example.expected

    reverse, handbook, centroid = reverse_arrangements(system.gaps), military_handbook([system]), laplace([system])

    assert reverse.statistic == expected["R"]
    assert (reverse.events * (reverse.events - 1) / 2, expected["R_mean"] * 2) == (expected["R_max"],) * 2
    assert reverse.p_falling == near(expected["p_improve_exact"], abs=1e-9)
    assert (handbook.statistic, handbook.df) == (near(expected["mil_chi2"], abs=1e-6), expected["mil_df"])
    assert handbook.p_falling == near(expected["mil_upper_tail"], abs=1e-9)
    assert handbook.p_value == near(expected["mil_two_sided"], abs=1e-9)
    assert centroid.statistic == near(expected["laplace_u"], abs=1e-9)
    assert centroid.p_falling == near(expected["laplace_lower_tail"], abs=1e-9)
    assert centroid.p_value == near(expected["laplace_two_sided"], abs=1e-9)


def test_reverse_arrangements_have_the_handbooks_critical_values() -> None:
    """T2-02: NIST/SEMATECH e-Handbook 8.2.3.4, table for 4 to 12 repairs (null: no such value)."""
    example = check("T2-02")

    for gaps in example.data["r"]:
        most = gaps * (gaps - 1) // 2
        for level, improve, degrade in zip(
            example.data["levels"],
            example.expected["improve_R_at_least"][str(gaps)],
            example.expected["degrade_R_at_most"][str(gaps)],
            strict=True,
        ):
            rising = [c for c in range(most + 1) if arrangements_at_least(c, gaps) <= level + 1e-12]
            falling = [c for c in range(most + 1) if arrangements_at_most(c, gaps) <= level + 1e-12]
            assert min(rising, default=None) == improve
            assert max(falling, default=None) == degrade


def test_a_system_that_wears_gets_the_published_statistics() -> None:
    """T2-03: Dataplot, HAHN.DAT. Its reverse-arrangement statistic of −21.4 is a misprint and not tested."""
    example = check("T2-03")
    system, expected = until(example.data["event_times"], 135_000.0), example.expected

    reverse, handbook, centroid = reverse_arrangements(system.gaps), military_handbook([system]), laplace([system])

    assert reverse.statistic == expected["R"]
    assert (reverse.events * (reverse.events - 1) / 2, expected["R_mean"] * 2) == (expected["R_max"],) * 2
    assert (handbook.statistic, handbook.df) == (near(expected["mil_chi2"], rel=1e-6), expected["mil_df"])
    assert handbook.p_rising == near(expected["mil_cdf"], rel=1e-6)
    assert centroid.statistic == near(expected["laplace_u"], rel=1e-6)
    assert 1 - (centroid.p_rising or 0) == near(expected["laplace_cdf"], rel=1e-6)


def test_three_systems_are_tested_as_one() -> None:
    """T2-04: AMSAA TR-138, Table 1, statistics of the mcotear vignette. Its Anderson-Darling p (0.001663774) is the
    limit for many events; ours is for 36 (two million simulated sets: 0.00166, standard error 0.00003)."""
    expected = check("T2-04").expected

    centroid, handbook, spread = (test(three_systems()) for test in (laplace, military_handbook, anderson_darling))

    assert centroid.statistic == near(expected["laplace_pooled"], abs=1e-6)
    assert centroid.p_value == near(expected["laplace_p"], abs=1e-8)
    assert (handbook.statistic, handbook.df) == (near(expected["mil_chi2"], abs=1e-6), expected["mil_df"])
    assert handbook.p_value == near(expected["mil_p"], abs=1e-8)
    assert spread.statistic == near(expected["anderson_darling"], abs=1e-6)
    assert spread.p_value == near(0.001663774, abs=5e-5)


def test_a_submarine_engine_gets_its_published_statistics() -> None:
    """T2-06: Ascher & Feingold (1984), USS Halfbeak no. 4 main engine."""
    example = check("T2-06")
    engine, expected = until(example.data["event_times_kh"], 25.5181), example.expected

    centroid, handbook = laplace([engine]), military_handbook([engine])

    assert (centroid.events, centroid.statistic) == (expected["n"], near(expected["laplace_u"], rel=1e-6))
    assert (handbook.df, handbook.statistic) == (expected["mil_df"], near(expected["mil_chi2"], rel=1e-6))
    assert lewis_robinson(engine).statistic == near(expected["lewis_robinson"], rel=1e-6)


def test_twenty_values_have_the_tabled_acceptance_region() -> None:
    """T2-07: Bendat & Piersol, Random Data, Table A.6: above 64 and at most 125 at 5 % for 20 values."""
    expected = check("T2-07").expected

    assert arrangements_at_most(64, 20) == near(expected["P_A_le_64"], abs=1e-9)
    assert arrangements_at_least(126, 20) == near(expected["P_A_ge_126"], abs=1e-9)
    assert arrangements_at_most(65, 20) > 0.025
    assert arrangements_at_least(125, 20) > 0.025


def test_tied_gaps_never_help_what_is_to_be_shown() -> None:
    # 10 equal gaps: no pair rises, no pair falls. Strictly counted R = 0, which would "show" wear with p = 1/10!.
    equal = reverse_arrangements([3.0] * 10)

    assert equal.p_rising == 1.0
    assert equal.p_falling == 1.0


def test_many_gaps_go_over_to_the_normal_limit_without_a_jump() -> None:
    # 400 gaps: mean 39,900, variance 400·399·805/72 = 1,784,417; a deviation of 2,618 is 1.96 standard deviations.
    exact = arrangements_at_most(39_900 - 2_618, 400)
    normal = arrangements_at_most(int(401 * 400 / 4 - 1.96 * (401 * 400 * 807 / 72) ** 0.5), 401)

    assert exact == near(0.025, abs=3e-4)
    assert normal == near(0.025, abs=3e-4)


def test_an_event_that_ended_the_observation_is_not_evidence() -> None:
    truncated = Observed(name="x", events=(1.0, 4.0, 10.0), end=10.0, ended_by_event=True)

    # Laplace with the last event as T: (1 + 4 − 2·5) / (10·sqrt(2/12)) = −5/4.08248
    assert laplace([truncated]).statistic == near(-1.2247449)
    # 2·(ln 10 + ln 2.5) = 6.43775, 4 degrees of freedom
    assert (military_handbook([truncated]).statistic, military_handbook([truncated]).df) == (near(6.437752), 4)


def test_clusters_carry_less_evidence_of_a_trend() -> None:
    systems = three_systems()

    # U over the root of the dispersion: −3.012036/2
    assert laplace(systems, dispersion=4.0).statistic == near(-1.506018, abs=1e-6)


def test_the_spread_test_refuses_a_break_at_the_very_end() -> None:
    with pytest.raises(TooFewEvents, match="end a little later"):
        anderson_darling([until([1.0, 2.0, 3.0], 3.0)])


@pytest.mark.parametrize(("test", "times"), [(laplace, [1.0]), (military_handbook, [1.0]), (anderson_darling, [1.0])])
def test_one_break_shows_no_trend(test: object, times: list[float]) -> None:
    assert callable(test)

    with pytest.raises(TooFewEvents, match="longer period"):
        test([until(times, 3.0)])


@given(st.lists(st.floats(0.01, 0.99), min_size=4, max_size=40, unique=True))
@settings(max_examples=50)
def test_time_run_backwards_turns_the_trend_round(places: list[float]) -> None:
    forward = until(sorted(places), 1.0)
    backward = until(sorted(1 - p for p in places), 1.0)

    assert laplace([forward]).statistic == near(-laplace([backward]).statistic, abs=1e-9)
    assert anderson_darling([forward]).statistic == near(anderson_darling([backward]).statistic, abs=1e-6)


@pytest.mark.parametrize("events", [5, 20, 100])
def test_a_constant_rate_is_called_a_trend_as_often_as_announced(events: int) -> None:
    rng = np.random.default_rng(7)
    rounds = 600
    called = np.zeros(4)

    for _ in range(rounds):
        system = until(np.sort(rng.uniform(0, 1, events)).tolist(), 1.0)
        p = [t([system]).p_value for t in (laplace, military_handbook, anderson_darling)]
        called += np.array([*p, reverse_arrangements(system.gaps).p_value]) <= 0.05

    # 600 rounds at 5 %: standard deviation 0.9 %. Reverse arrangements are discrete and the last gap is left out of
    # the gaps, so that few events stay below 5 %.
    assert (np.abs(called[:3] / rounds - 0.05) < 0.03).all()
    assert called[3] / rounds < 0.08


@pytest.mark.parametrize(("times", "why"), [([10.0, 30.0], "3"), ([10.0, 20.0, 30.0, 40.0], "all gaps .* are equal")])
def test_lewis_robinson_needs_three_breaks_and_gaps_that_differ(times: list[float], why: str) -> None:
    with pytest.raises(TooFewEvents, match=why):
        lewis_robinson(until(times, 50.0))
