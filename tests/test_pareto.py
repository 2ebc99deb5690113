"""Losses ranked: counts, minutes, tonnes and money side by side, and nothing hidden in a remainder."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.history import History
from analysis.ledger import Class, ledger
from analysis.pareto import DIMENSIONS, Measure, Sort, pareto, ranked
from analysis.period import Period, day_start_ms
from tests.histories import DAY, HELSINKI, HOUR, MINUTE, downtime, history, on_reel_but_for, random_histories, rota

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)


def test_the_ranking_is_the_published_one() -> None:
    # R package qcc (L. Scrucca), man/paretoChart.Rd: defects by category; its printed table ends 31.33 58 80 91 100.
    defects = {"price code": 80, "schedule date": 27, "supplier code": 66, "contact num.": 94, "part num.": 33}

    lines = ranked(defects)

    assert [line.label for line in lines] == [
        "contact num.",
        "price code",
        "supplier code",
        "part num.",
        "schedule date",
    ]
    assert [line.cumulative for line in lines] == [94, 174, 240, 273, 300]
    assert [line.share_pct for line in lines] == pytest.approx([94 / 3, 80 / 3, 22, 11, 9])
    assert [line.cumulative_pct for line in lines] == pytest.approx([94 / 3, 58, 80, 91, 100])


@given(st.dictionaries(st.text(max_size=3), st.integers(0, 50), max_size=8))
def test_the_ranking_does_not_depend_on_the_order_of_its_input(values: dict[str, float]) -> None:
    turned = dict(reversed(values.items()))

    assert ranked(turned) == ranked(values)


def test_nothing_ranked_is_nothing() -> None:
    assert ranked({}) == []
    assert [line.share_pct for line in ranked({"press": 0})] == [0.0]


@given(random_histories(), st.sampled_from(sorted(DIMENSIONS)))
def test_the_minutes_of_all_bars_are_the_break_class_of_the_ledger(made: tuple[History, Period], by: str) -> None:
    past, period = made
    book = ledger(past, period)

    found = pareto(past, book, by)

    assert sum(bar.lost.ms for bar in (*found.bars, *found.secondary)) == book.ms[Class.BREAK]


@given(random_histories(), st.sampled_from(sorted(DIMENSIONS)))
def test_every_break_that_began_in_the_period_is_in_one_bar(made: tuple[History, Period], by: str) -> None:
    past, period = made
    began = [d for d in past.downtimes if d.kind == "break" and period.holds(d.started_ms)]

    found = pareto(past, ledger(past, period), by)

    assert sum(bar.count for bar in found.bars) == sum(not d.secondary for d in began)
    assert sum(bar.count for bar in found.secondary) == sum(bool(d.secondary) for d in began)


@given(random_histories(), st.sampled_from(sorted(DIMENSIONS)))
def test_a_pareto_does_not_depend_on_the_order_of_the_downtimes(made: tuple[History, Period], by: str) -> None:
    past, period = made
    turned = history(
        past.states, past.downtimes[::-1], shifts=past.shifts, grade_runs=past.grade_runs, last_ms=past.horizon_ms
    )

    assert pareto(turned, ledger(turned, period), by) == pareto(past, ledger(past, period), by)


def test_the_four_measures_rank_differently() -> None:
    # press: 3 breaks of 10 min at 12 t/h = 30 min, 6.0 t; pre-dryer: 1 of 40 min at 3 t/h = 2.0 t;
    # reel: 1 of 5 min at 90 t/h = 7.5 t (a rate of no machine, to turn the order round).
    lost = [downtime(60 * n, 10, rate_before_t_h=12.0) for n in (1, 2, 3)]
    lost += [downtime(300, 40, section="pre-dryer", rate_before_t_h=3.0)]
    lost += [downtime(400, 5, section="reel", rate_before_t_h=90.0)]
    past = on_reel_but_for(lost)

    found = pareto(past, ledger(past, WHOLE_DAY), "section")

    assert [(b.label, b.count, b.lost.ms // MINUTE) for b in found.bars] == [
        ("press", 3, 30),
        ("pre-dryer", 1, 40),
        ("reel", 1, 5),
    ]
    assert found.rank(Measure.COUNT) == {"press": 1, "pre-dryer": 2, "reel": 3}
    assert found.rank(Measure.MINUTES) == {"pre-dryer": 1, "press": 2, "reel": 3}
    assert found.rank(Measure.TONNES) == {"reel": 1, "press": 2, "pre-dryer": 3}
    assert found.rank(Measure.MONEY) == {"reel": 1, "press": 2, "pre-dryer": 3}
    assert found.bars[0].money == pytest.approx(6.0 * 300)
    assert found.cumulative_pct(Measure.MINUTES) == pytest.approx(
        {"pre-dryer": 4000 / 75, "press": 7000 / 75, "reel": 100}
    )


def test_uncoded_breaks_are_a_bar_of_their_own_at_the_end() -> None:
    lost = [downtime(60 * n, 10) for n in (1, 2, 3)] + [downtime(400, 5, cause="PR-FLT")]
    past = on_reel_but_for(lost, causes={"PR-FLT": "Felt plugged"})

    found = pareto(past, ledger(past, WHOLE_DAY), "cause")

    assert [(b.label, b.name, b.sort, b.count) for b in found.bars] == [
        ("PR-FLT", "Felt plugged", Sort.KNOWN, 1),
        ("not coded", "", Sort.REMAINDER, 3),
    ]


def test_tied_and_unwitnessed_sections_are_bars_of_their_own() -> None:
    lost = [
        downtime(60, 10),
        downtime(120, 10, location_tied=True),
        downtime(180, 10, section="reel", unwitnessed=True),
        downtime(240, 10, section=None),
    ]
    past = on_reel_but_for(lost)

    found = pareto(past, ledger(past, WHOLE_DAY), "section")

    assert {b.label: b.sort for b in found.bars} == {
        "press": Sort.KNOWN,
        "press (tied)": Sort.DOUBTFUL,
        "reel (unwitnessed)": Sort.DOUBTFUL,
        "section not known": Sort.REMAINDER,
    }


def test_secondary_breaks_are_shown_apart() -> None:
    past = on_reel_but_for([downtime(60, 10), downtime(80, 15, secondary=True), downtime(300, 5, secondary=None)])

    found = pareto(past, ledger(past, WHOLE_DAY), "section")

    assert [(b.count, b.lost.ms // MINUTE) for b in found.bars] == [(2, 15)]
    assert [(b.count, b.lost.ms // MINUTE) for b in found.secondary] == [(1, 15)]


def test_a_break_that_began_before_the_period_brings_its_minutes_but_no_count() -> None:
    past = on_reel_but_for([downtime(50, 20)])

    found = pareto(past, ledger(past, Period(from_ms=HOUR, to_ms=DAY)), "section")

    assert [(b.label, b.count, b.lost.ms // MINUTE) for b in found.bars] == [("press", 0, 10)]


def test_unknown_rates_leave_tonnes_and_money_unknown() -> None:
    past = on_reel_but_for([downtime(60, 10)])

    (bar,) = pareto(past, ledger(past, WHOLE_DAY), "section").bars

    assert bar.value(Measure.TONNES) is None
    assert bar.value(Measure.MONEY) is None
    assert pareto(past, ledger(past, WHOLE_DAY), "section").rank(Measure.MONEY) == {}


def test_a_crews_rate_is_over_its_own_hours_on_the_reel() -> None:
    # Crew C: 12 h less a break of 30 min = 11.5 h on the reel, one break. Crew D: 12 h and none.
    shifts = rota(date(2026, 6, 10), 1)
    start = shifts[0].started_ms
    lost = downtime(start / MINUTE + 60, 30, crew="C", shift="day")
    past = on_reel_but_for([lost], from_ms=start, to_ms=start + DAY, shifts=tuple(shifts))
    book = ledger(past, Period(from_ms=start, to_ms=start + DAY))

    (bar,) = pareto(past, book, "crew").bars

    assert (bar.label, bar.count, bar.rate.exposure) == ("C", 1, 11.5)
    assert bar.rate.rate == pytest.approx(1 / 11.5)


def test_hours_of_the_day_are_mill_local_and_an_hour_that_clocks_repeat_is_twice_as_long() -> None:
    day = date(2026, 10, 25)
    start = day_start_ms(day, HELSINKI)
    lost = downtime(start / MINUTE + 200, 5)  # 03:20, the first of the two
    past = on_reel_but_for([lost], from_ms=start, to_ms=start + 25 * HOUR)

    (bar,) = pareto(past, ledger(past, Period(from_ms=start, to_ms=start + 25 * HOUR)), "hour").bars

    assert (bar.label, bar.count) == ("03 h", 1)
    assert bar.rate.exposure == pytest.approx(2 - 5 / 60)
