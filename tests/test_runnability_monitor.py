"""The monitor that may be looked at daily: its error under peeking, by simulation, and what it says when."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.runnability.compare import exact_ratio
from analysis.runnability.monitor import SPREAD, log_evidence, monitor
from analysis.runnability.observed import Counted, Floats
from tests.published_checks import near


def counted(events: int, hours: float) -> Counted:
    return Counted(events=events, hours=hours)


def daily(counts: list[int], hours: float = 24.0) -> list[Counted]:
    """Everything since the change, a look a day."""
    return [counted(int(total), hours * (i + 1)) for i, total in enumerate(np.cumsum(counts))]


def evidence_of_fall(before: int, after: int) -> float:
    """Evidence of a fall where both times are 10 h long."""
    (found,) = log_evidence(counted(before, 10.0), np.array([float(after)]), np.array([10.0]), 1.0, side=-1)
    return math.exp(found)


def ever_shown(before: Counted, counts: Floats, ratio: float) -> bool:
    """Whether any of the daily looks leaves this ratio outside its 95 % limits."""
    totals, hours = np.cumsum(counts).astype(float), 24.0 * np.arange(1, counts.size + 1, dtype=np.float64)
    sides = [log_evidence(before, totals, hours, ratio, side=side).max() for side in (-1, 1)]
    return bool(max(sides) >= math.log(40))


def shown_naively(before: Counted, counts: Floats) -> bool:
    """Whether the exact test for one look, made every day, ever gives 5 % or less."""
    after = np.cumsum(counts)
    days = np.arange(1, counts.size + 1)
    share = days / (days + before.hours / 24)
    total = after + before.events
    tails = np.minimum(stats.binom.cdf(after, total, share), stats.binom.sf(after - 1, total, share))
    return bool((2 * tails).min() <= 0.05)


@pytest.mark.parametrize("before_days", [5, 30, 120])
def test_a_year_of_daily_looks_seldom_shows_a_change_where_there_is_none(before_days: int) -> None:
    rng = np.random.default_rng(14)
    rounds = 400
    wrong = naive = 0

    for _ in range(rounds):
        before = counted(int(rng.poisson(2.6 * before_days)), 24.0 * before_days)
        counts = rng.poisson(2.6, 365).astype(np.float64)
        wrong += ever_shown(before, counts, 1.0)
        if before_days == 30:
            naive += shown_naively(before, counts)

    # 400 rounds at 5 %: standard deviation 1.1 %; simulated far below it (METHODS.md)
    assert wrong / rounds <= 0.05
    if before_days == 30:
        assert naive / rounds > 0.1


def test_the_true_ratio_stays_inside_all_limits_together() -> None:
    rng = np.random.default_rng(15)
    rounds = 400

    left = sum(
        ever_shown(counted(int(rng.poisson(50)), 480.0), rng.poisson(2.5 * 0.7, 365).astype(np.float64), 0.7)
        for _ in range(rounds)
    )

    assert left / rounds <= 0.05


def test_a_real_fall_is_shown_and_stays_shown() -> None:
    rng = np.random.default_rng(16)

    found = monitor(counted(234, 90 * 24.0), daily(rng.poisson(1.3, 90).tolist()))

    assert found.fall_shown_at
    assert found.rise_shown_at is None
    assert found.looks[found.fall_shown_at].high < 1
    assert found.looks[found.fall_shown_at].evidence_of_fall >= 40
    assert found.looks[found.fall_shown_at - 1].high >= 1


def test_a_rise_is_shown_too() -> None:
    found = monitor(counted(60, 1_440.0), [counted(90, 720.0)])

    assert found.rise_shown_at == 0
    assert found.looks[0].low > 1
    assert found.looks[0].evidence_of_rise > 40


def test_at_one_look_the_limits_are_wider_than_those_for_one_look() -> None:
    before, after = counted(156, 1_440.0), counted(57, 720.0)

    (look,) = monitor(before, [after]).looks
    once = exact_ratio(after, before)

    assert look.ratio == once.ratio
    assert look.low < once.low
    assert look.high > once.high


def test_the_evidence_is_the_average_of_binomial_likelihood_ratios() -> None:
    # 3 before in 10 h, 1 after in 10 h, against ratio 1 and for a fall: the mean over rho of
    # rho · ((10 + 10)/(10 + 10 rho))^4, rho = exp(−0.35·|z|), z standard normal; by a plain Riemann sum.
    z = np.linspace(0, 8, 200_001)
    rho = np.exp(-SPREAD * z)
    weight = np.exp(-(z**2) / 2)
    expected = float((weight * rho * (2 / (1 + rho)) ** 4).sum() / weight.sum())

    found = evidence_of_fall(3, 1)

    assert found == near(expected, rel=1e-3)


def test_the_average_evidence_of_no_change_is_one() -> None:
    """What the limits rest on: at any fixed time its expectation over before and after is at most 1."""
    counts = np.arange(60)
    chance = np.exp(counts * np.log(8.0) - 8.0 - np.array([math.lgamma(c + 1) for c in counts]))
    total = sum(chance[x] * chance[y] * evidence_of_fall(int(x), int(y)) for x in counts[:40] for y in counts[:40])

    assert total == near(1.0, abs=1e-3)


def test_clustered_breaks_carry_less_evidence() -> None:
    before, after = counted(156, 1_440.0), counted(70, 1_440.0)

    (alone,) = monitor(before, [after]).looks
    (clustered,) = monitor(before, [after], dispersion=3.0).looks

    assert clustered.high > alone.high
    assert clustered.evidence_of_fall < alone.evidence_of_fall


def test_before_without_breaks_nothing_can_have_fallen() -> None:
    found = monitor(counted(0, 100.0), daily([0, 0, 1]))

    assert found.fall_shown_at is None
    assert math.isinf(found.looks[0].high)
    assert math.isnan(found.looks[0].ratio)


def test_information_cannot_be_made_up() -> None:
    with pytest.raises(ValueError, match="below 1"):
        monitor(counted(5, 100.0), daily([1]), dispersion=0.5)
