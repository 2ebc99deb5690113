"""What breaks cost a year, and what it would be worth to be rid of them, worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.figures.ledger import Ledger, ledger
from analysis.history import History
from analysis.pareto import Worth, worth, year_of
from analysis.period import Period
from analysis.telling.worth import tell_worth
from tests.histories import DAY, HOUR, MINUTE, downtime, on_reel_but_for, rota

PERIOD = Period(from_ms=0, to_ms=10 * DAY)


def ten_days() -> tuple[History, Ledger]:
    """10 days = 14,400 min: press 4 x 60 min, reel 1 x 60 min, all at 12 t/h with 12 t/h of broke; the rest on reel."""
    lost = [downtime(1_000 * n, 60, rate_before_t_h=12.0, broke_t=12.0) for n in (1, 2, 3, 4)]
    lost.append(downtime(6_000, 60, section="reel", rate_before_t_h=12.0, broke_t=12.0))
    past = on_reel_but_for(lost, to_ms=PERIOD.to_ms)
    return past, ledger(past, PERIOD)


def found(by: str, *, year_h: float | None = None) -> Worth:
    result = worth(*ten_days(), by, year_h=year_h)
    assert result is not None
    return result


def test_a_period_becomes_a_year_of_available_time() -> None:
    # 8,766 h over 240 h, all of them available: 36.525.
    year = year_of(*ten_days())

    assert year is not None
    assert not year.given
    assert year.available_h == pytest.approx(8_766)
    assert year.factor == pytest.approx(36.525)


def test_a_long_planned_shutdown_is_a_share_of_the_year_too() -> None:
    # 10 days, 2 of them a shutdown of 48 h, longer than the cut-off of 24 h: 80 % available, 7,012.8 h a year.
    past = on_reel_but_for([downtime(1_440, 2_880, "planned")], to_ms=PERIOD.to_ms)

    year = year_of(past, ledger(past, PERIOD))

    assert year is not None
    assert year.available_h == pytest.approx(7_012.8)
    assert year.factor == pytest.approx(36.525)


def test_the_mill_may_say_how_many_hours_its_year_has() -> None:
    # 8,400 h over 240 h: 35.
    year = year_of(*ten_days(), 8_400)

    assert year is not None
    assert year.given
    assert year.factor == pytest.approx(35)


def test_what_a_section_costs_a_year_and_is_worth_can_be_checked_by_hand() -> None:
    # press: 4 h a period, 140 h a year at a factor of 35; 48 t x 300 + 48 t x 100 = 19,200 EUR, 672,000 a year.
    # Without it 60 min of other breaks remain in 14,400 - 300 = 14,100 min on the reel: regained time is worth
    # 1 / (1 + 60/14,100) = 0.995763 of it: 139.41 h and 669,153 EUR.
    press, reel = found("section", year_h=8_400).costs

    assert press.label == "press"
    assert press.lost_h == pytest.approx(140)
    assert press.lost_t == pytest.approx(1_680)
    assert press.cost is not None
    assert press.cost.value == pytest.approx(672_000)
    assert press.saved_h is not None
    assert press.saved_h.value == pytest.approx(139.40678, rel=1e-6)
    assert press.saved_cost is not None
    assert press.saved_cost.value == pytest.approx(669_152.5, rel=1e-6)
    assert press.saved_cost.low < press.saved_cost.value < press.saved_cost.high
    assert reel.lost_h == pytest.approx(35)


def test_a_crew_is_compared_with_all_others_in_their_own_time() -> None:
    # One day: crew C 06 to 18, D 18 to 06. C loses 2 x 60 min in 600 min on the reel, D 30 min in 690: had C lost as D
    # does per minute on the reel, it would have lost 600 x 30/690 = 26.087 min: 93.913 min too many, of 24 h; x 365.25.
    # The remaining 150 - 93.913 = 56.087 min over 1,290 on the reel: / 1.043478. 547.87 h a year.
    shifts = rota(date(2026, 6, 10), 1)
    start = shifts[0].started_ms
    lost = [
        downtime(start / MINUTE + at, lasts, crew=crew, rate_before_t_h=12.0)
        for at, lasts, crew in ((60, 60, "C"), (300, 60, "C"), (800, 30, "D"))
    ]
    past = on_reel_but_for(lost, from_ms=start, to_ms=start + DAY, shifts=tuple(shifts))

    result = worth(past, ledger(past, Period(from_ms=start, to_ms=start + DAY)), "crew")

    assert result is not None
    assert result.to_others
    of = {cost.label: cost for cost in result.costs}
    assert of["C"].saved_h is not None
    assert of["C"].saved_h.value == pytest.approx(365.25 * 93.913043 / 1.0434783 / 60, rel=1e-6)
    assert of["D"].saved_h is not None
    assert of["D"].saved_h.value < 0


def test_without_prices_cost_and_worth_are_not_set_but_hours_are_known() -> None:
    past, book = ten_days()
    past = replace(past, mill=replace(past.mill, margin_per_t=None, broke_cost_per_t=None))

    result = worth(past, book, "section")
    told = tell_worth(past, book, result, "section")

    assert result is not None
    assert (result.costs[0].cost, result.costs[0].saved_cost) == (None, None)
    assert result.costs[0].saved_h is not None
    assert "not set" in told.sentence
    assert "h on the reel a year" in told.sentence


def test_the_greatest_is_said_to_look_greater_than_it_is() -> None:
    told = tell_worth(*ten_days(), worth(*ten_days(), "section"), "section")

    assert any(
        "picked because it is the greatest" in caution and "regression to the mean" in caution
        for caution in told.cautions
    )
    assert any("drawn from 10 days" in caution for caution in told.cautions)


def test_a_winner_among_equals_is_much_too_high_and_one_far_ahead_is_hardly() -> None:
    # Nothing but chance between 8 sections of 3 breaks each; and one of 40 breaks among sections of 1.
    equals = [downtime(100 * n, 20, section=f"s{n % 8}", rate_before_t_h=12.0, broke_t=4.0) for n in range(1, 25)]
    ahead = [downtime(100 * n, 20, rate_before_t_h=12.0, broke_t=4.0) for n in range(1, 41)]
    ahead += [downtime(5_000 + 100 * n, 20, section=f"s{n}", rate_before_t_h=12.0, broke_t=4.0) for n in range(4)]

    chance, clear = (
        worth(past, ledger(past, PERIOD), "section")
        for past in (on_reel_but_for(lost, to_ms=PERIOD.to_ms) for lost in (equals, ahead))
    )

    assert chance is not None
    assert clear is not None
    assert clear.optimism_pct is not None
    # The greatest of 8 gamma variates with shape 3 is on average about 6 (simulated below), twice its like.
    expected = np.random.default_rng(1).gamma(3, size=(4_000, 8)).max(axis=1).mean() / 3 - 1
    assert chance.optimism_pct == pytest.approx(100 * expected, rel=0.1)
    assert clear.optimism_pct < 5


def test_a_winner_that_is_not_too_high_is_not_said_to_be_so_by_nothing() -> None:
    past, book = ten_days()
    found = worth(past, book, "section")
    assert found is not None

    slight = tell_worth(past, book, replace(found, optimism_pct=0.4), "section").cautions
    more = tell_worth(past, book, replace(found, optimism_pct=12.4), "section").cautions

    assert not any("here by about" in one for one in slight)
    assert any("greater than it is, here by about 12 %, and" in one for one in more)


def test_a_machine_that_was_never_available_says_so() -> None:
    past = on_reel_but_for([downtime(0, 14_400, "planned")], to_ms=PERIOD.to_ms)
    book = ledger(past, PERIOD)

    assert worth(past, book, "section") is None
    assert "never available" in tell_worth(past, book, None, "section").sentence


def test_secondary_breaks_cost_as_well() -> None:
    lost = [downtime(100, 60, rate_before_t_h=12.0), downtime(200, 60, rate_before_t_h=12.0, secondary=True)]
    past = on_reel_but_for(lost, to_ms=PERIOD.to_ms)

    result = worth(past, ledger(past, PERIOD), "section", year_h=240)

    assert result is not None
    assert [cost.lost_h for cost in result.costs] == [pytest.approx(2 * HOUR / HOUR)]
    told = tell_worth(past, ledger(past, PERIOD), result, "section").sentence
    assert "a year, secondary breaks included;" in told


def test_a_break_and_the_secondary_ones_after_it_vary_together() -> None:
    # Four breaks of 30 min each followed by one of 30 min: as sure, or unsure, as four of 60 min; not as eight of 30.
    pairs = [d for n in range(1, 5) for d in (downtime(1_000 * n, 30), downtime(1_000 * n + 40, 30, secondary=True))]
    whole = [downtime(1_000 * n, 60) for n in range(1, 5)]

    of_pairs, of_whole = (
        worth(past, ledger(past, PERIOD), "section", year_h=240)
        for past in (on_reel_but_for(lost, to_ms=PERIOD.to_ms) for lost in (pairs, whole))
    )

    assert of_pairs is not None
    assert of_whole is not None
    assert of_pairs.costs[0].saved_h == of_whole.costs[0].saved_h
