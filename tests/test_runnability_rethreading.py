"""Returns by group and over time."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.observed import TooFewEvents
from analysis.runnability.rethreading import NOT_KNOWN, Return, by_crew, by_section, compare_groups, learning
from tests.published_checks import near


def one(
    day: float = 0.0,
    *,
    section: str | None = "press",
    crew: str | None = "A",
    attempts: int = 1,
    lost: float | None = 20.0,
) -> Return:
    return Return(
        day=day,
        section=section,
        crew=crew,
        grade="C80",
        attempts=attempts,
        lost_min=lost,
        clearing_min=None if lost is None else lost / 2,
        threading_min=None if lost is None else lost / 2,
    )


def test_groups_come_in_the_mills_order_with_the_unknown_last() -> None:
    returns = [one(section=s) for s in ("reel", "press", None, "couch", "zeta", "alpha")]

    found = compare_groups(returns, by_section, order=("couch", "press", "reel"))

    assert [g.name for g in found.figures] == ["couch", "press", "reel", "alpha", "zeta", NOT_KNOWN]


def test_figures_of_a_group_are_counted_out() -> None:
    returns = [one(attempts=1, lost=10.0), one(attempts=3, lost=30.0), one(attempts=1, lost=20.0)]

    (figures,) = compare_groups(returns, by_section).figures

    assert (figures.returns, figures.attempts, figures.first.count) == (3, 5, 2)
    assert (figures.median_lost_min, figures.median_threading_min) == (20.0, 10.0)
    # quantile 0.9 of 10, 20, 30 by linear interpolation: 20 + 0.8·10
    assert figures.slow_lost_min == near(28.0)


def test_returns_whose_end_is_hidden_count_for_success_but_not_for_minutes() -> None:
    (figures,) = compare_groups([one(lost=None), one(lost=12.0)], by_section).figures

    assert figures.returns == 2
    assert figures.median_lost_min == 12.0


def test_a_single_group_is_compared_with_nothing() -> None:
    found = compare_groups([one(), one()], by_section)

    assert (found.first, found.minutes) == (None, None)


def test_crews_that_differ_by_luck_are_not_told_apart() -> None:
    rng = np.random.default_rng(10)
    returns = [
        one(float(i), crew="ABCD"[i % 4], attempts=int(rng.geometric(0.7)), lost=float(rng.lognormal(3, 0.6)))
        for i in range(80)
    ]

    found = compare_groups(returns, by_crew)

    assert found.first is not None
    assert found.minutes is not None
    assert (found.first.told_apart, found.minutes.told_apart) == ((), ())
    assert [g.name for g in found.first.groups] == list("ABCD")


def test_minutes_are_pooled_on_the_scale_of_logs() -> None:
    returns = [one(section="couch", lost=m) for m in (10.0, 40.0) * 40]
    returns += [one(section="reel", lost=m) for m in (4.0, 16.0) * 40]

    pooled = compare_groups(returns, by_section).minutes

    assert pooled is not None
    # geometric means sqrt(10·40) = 20 and sqrt(4·16) = 8
    assert [g.raw for g in pooled.groups] == near([20.0, 8.0])
    assert pooled.told_apart == (("couch", "reel"),)


def test_ever_shorter_threading_is_seen_through_a_changing_mix_of_sections() -> None:
    # Both sections get 10 % shorter in 30 days; the slow section becomes more common meanwhile.
    rng = np.random.default_rng(12)
    returns = []
    for day in np.linspace(0, 120, 160):
        slow = rng.uniform() < day / 120
        typical = (40.0 if slow else 10.0) * 0.9 ** (day / 30)
        returns.append(one(float(day), section="dryer" if slow else "reel", lost=typical * rng.lognormal(0, 0.1)))

    found = learning(returns)

    assert found.minutes_low < -0.1 < found.minutes_high
    assert found.minutes_high < 0


def test_success_that_rises_steadily_is_noticed() -> None:
    returns = [one(float(i), attempts=2 if i < 30 else 1) for i in range(60)]

    found = learning(returns)

    assert found.success_p_value < 0.001
    assert [b.share for b in found.blocks] == [0.0, 0.0, 1.0, 1.0]


def test_a_steady_change_is_called_as_often_as_announced_where_there_is_none() -> None:
    rng = np.random.default_rng(13)

    called = sum(
        learning([one(d, attempts=1 + (rng.uniform() > 0.7)) for d in rng.uniform(0, 90, 60)]).success_p_value <= 0.05
        for _ in range(200)
    )

    assert called / 200 == near(0.05, abs=0.04)


def test_success_at_every_first_attempt_is_no_trend() -> None:
    assert learning([one(float(i)) for i in range(20)]).success_p_value == 1.0


def test_eleven_returns_teach_nothing() -> None:
    with pytest.raises(TooFewEvents, match="at least 12"):
        learning([one(float(i)) for i in range(11)])
