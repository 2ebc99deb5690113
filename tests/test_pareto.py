"""Losses ranked: counts, minutes, tonnes and money side by side, and nothing hidden in a remainder."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.ledger import Class, ledger
from analysis.history import History
from analysis.pareto import ALL_KINDS, DIMENSIONS, Measure, Selection, Sort, chosen, pareto, pareto_of, ranked
from analysis.period import Period, day_start_ms
from analysis.telling.pareto import pareto_table, tell_pareto
from tests.histories import DAY, HELSINKI, HOUR, MINUTE, downtime, history, on_reel_but_for, random_histories, rota

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)


def test_the_ranking_is_the_published_one() -> None:
    # T12-01: R package qcc, man/paretoChart.Rd: defects by category; its printed table ends 31.33 58 80 91 100.
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

    apart = [d for d in began if d.secondary] if by not in ("kind", "secondary") else []
    assert sum(bar.count for bar in found.secondary) == len(apart)
    assert sum(bar.count for bar in found.bars) == len(began) - len(apart)


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
    assert found.rank(Measure.COUNT) == {"press": 1, "pre-dryer": 2, "reel": 2}
    assert found.rank(Measure.MINUTES) == {"pre-dryer": 1, "press": 2, "reel": 3}
    assert found.rank(Measure.TONNES) == {"reel": 1, "press": 2, "pre-dryer": 3}
    assert found.rank(Measure.MONEY) == {"reel": 1, "press": 2, "pre-dryer": 3}
    assert [[b.value(m) for b in found.bars] for m in (Measure.COUNT, Measure.MINUTES)] == [[3, 1, 1], [30, 40, 5]]
    assert [b.label for b in found.order(Measure.TONNES)] == ["reel", "press", "pre-dryer"]
    assert found.bars[0].money == pytest.approx(6.0 * 300)
    assert found.cumulative_pct(Measure.MINUTES) == pytest.approx(
        {"pre-dryer": 4000 / 75, "press": 7000 / 75, "reel": 100}
    )


def test_a_bar_whose_tonnes_are_unknown_has_no_place_among_those_that_are_known() -> None:
    lost = [downtime(60, 10, rate_before_t_h=None), downtime(300, 5, section="reel", rate_before_t_h=12.0)]
    past = on_reel_but_for(lost)

    found = pareto(past, ledger(past, WHOLE_DAY), "section")

    assert [b.label for b in found.order(Measure.TONNES)] == ["reel"]
    assert [b.label for b in found.order(Measure.MINUTES)] == ["press", "reel"]


def test_of_all_downtimes_the_secondary_breaks_are_not_shown_apart() -> None:
    lost = [downtime(60, 10), downtime(80, 5, secondary=True), downtime(300, 30, "stop")]
    past = on_reel_but_for(lost)

    found = pareto(past, ledger(past, WHOLE_DAY), "section", Selection(kinds=ALL_KINDS))

    assert (found.noun, found.secondary) == ("downtime", ())
    assert sum(bar.count for bar in found.bars) == 3


def test_uncoded_breaks_are_a_bar_of_their_own_at_the_end() -> None:
    lost = [downtime(60 * n, 10) for n in (1, 2, 3)] + [downtime(400, 5, cause="PR-FLT")]
    past = on_reel_but_for(lost, causes={"PR-FLT": "Felt plugged"})

    found = pareto(past, ledger(past, WHOLE_DAY), "cause")

    assert [(b.label, b.name, b.sort, b.count) for b in found.bars] == [
        ("PR-FLT", "Felt plugged", Sort.KNOWN, 1),
        ("not coded", "", Sort.REMAINDER, 3),
    ]


def test_a_code_that_names_no_cause_leads_nothing() -> None:
    lost = [downtime(60 * n, 10, cause=code) for n, code in enumerate(("XX", "XX", "PR"), start=1)]
    past = replace(on_reel_but_for(lost, causes={"XX": "Unknown", "PR": "Draw"}), nameless=frozenset({"XX"}))

    found = pareto(past, ledger(past, WHOLE_DAY), "cause")

    said = tell_pareto(past, ledger(past, WHOLE_DAY), found).sentence

    assert [(bar.label, bar.sort) for bar in found.bars] == [("PR", Sort.KNOWN), ("XX", Sort.REMAINDER)]
    assert said.startswith("PR (Draw) leads with 1 of 3 primary breaks")
    assert said.endswith("; 2 XX (Unknown).")


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

    bars = pareto(past, book, "crew").bars

    assert [(bar.label, bar.count, bar.rate.exposure) for bar in bars] == [("C", 1, 11.5), ("D", 0, 12.0)]
    assert [bar.rate.rate for bar in bars] == [pytest.approx(1 / 11.5), 0.0]


def test_hours_of_the_day_are_mill_local_and_an_hour_that_clocks_repeat_is_twice_as_long() -> None:
    day = date(2026, 10, 25)
    start = day_start_ms(day, HELSINKI)
    lost = downtime(start / MINUTE + 200, 5)  # 03:20, the first of the two
    past = on_reel_but_for([lost], from_ms=start, to_ms=start + 25 * HOUR)

    bars = pareto(past, ledger(past, Period(from_ms=start, to_ms=start + 25 * HOUR)), "hour").bars

    assert [bar.label for bar in bars] == [f"{hour:02d} h" for hour in range(24)]
    assert [(bar.label, bar.count) for bar in bars if bar.count] == [("03 h", 1)]
    assert bars[3].rate.exposure == pytest.approx(2 - 5 / 60)
    assert bars[4].rate.exposure == pytest.approx(1)


def test_equal_bars_share_a_place_and_the_next_one_is_as_if_they_had_not() -> None:
    lines = ranked({"press": 4, "reel": 7, "couch": 4, "calender": 1})

    assert {line.label: line.place for line in lines} == {"reel": 1, "couch": 2, "press": 2, "calender": 4}


def test_the_remainder_has_no_place_and_stands_last_in_what_bars_add_up_to() -> None:
    # 3 not coded, 1 coded: in the order shown the coded one is 25 % and the remainder completes it.
    past = on_reel_but_for([downtime(60 * n, 10) for n in (1, 2, 3)] + [downtime(400, 5, cause="PR-FLT")])

    found = pareto(past, ledger(past, WHOLE_DAY), "cause")

    assert found.rank(Measure.COUNT) == {"PR-FLT": 1}
    assert found.cumulative_pct(Measure.COUNT) == {"PR-FLT": 25.0, "not coded": 100.0}


def test_days_of_the_week_stand_in_their_order_with_their_own_time_on_the_reel() -> None:
    # 1970-01-01 was a Thursday; in Helsinki (UTC+2) that day's epoch begins at 02:00, so 22 h of it and 2 h of Friday.
    past = on_reel_but_for([downtime(60, 60)])

    bars = pareto(past, ledger(past, WHOLE_DAY), "weekday").bars

    assert [bar.label for bar in bars][:2] == ["Monday", "Tuesday"]
    assert {bar.label: bar.count for bar in bars if bar.count} == {"Thursday": 1}
    on_reel_h = {bar.label: bar.rate.exposure for bar in bars if bar.rate.exposure}
    assert on_reel_h == pytest.approx({"Thursday": 21, "Friday": 2})


def test_ranked_by_kind_every_downtime_is_counted_once() -> None:
    past = on_reel_but_for([downtime(60, 10), downtime(100, 5, secondary=True), downtime(300, 40, "planned")])
    every = Selection(kinds=ALL_KINDS)

    found = pareto(past, ledger(past, WHOLE_DAY), "kind", every)

    assert [(bar.label, bar.count, bar.lost.ms // MINUTE) for bar in found.bars] == [
        ("break", 2, 15),
        ("planned", 1, 40),
    ]
    assert found.secondary == ()
    assert found.noun == "downtime"


def test_ranked_by_secondary_what_cannot_be_known_is_a_bar_of_its_own() -> None:
    past = on_reel_but_for(
        [downtime(60, 10, secondary=False), downtime(80, 5, secondary=True), downtime(300, 5, secondary=None)]
    )

    found = pareto(past, ledger(past, WHOLE_DAY), "secondary")

    assert [(bar.label, bar.sort) for bar in found.bars] == [
        ("primary", Sort.KNOWN),
        ("secondary", Sort.KNOWN),
        ("secondary not known", Sort.REMAINDER),
    ]


def test_breaks_are_ranked_by_attempts_in_order_of_their_number() -> None:
    past = on_reel_but_for([downtime(60, 10, attempts=10), downtime(100, 5, attempts=2), downtime(200, 5, attempts=1)])

    found = pareto(past, ledger(past, WHOLE_DAY), "attempts")

    assert [bar.label for bar in found.bars] == ["1 attempt", "2 attempts", "10 attempts"]


def test_within_a_section_only_its_breaks_are_ranked() -> None:
    lost = [
        downtime(60, 10, cause="PR-FLT"),
        downtime(120, 20, cause="PR-FLT", section="reel"),
        downtime(200, 30),
    ]
    past = on_reel_but_for(lost)
    press = Selection(within=(("section", "press"),))

    found = pareto(past, ledger(past, WHOLE_DAY), "cause", press)

    assert [(bar.label, bar.count, bar.lost.ms // MINUTE) for bar in found.bars] == [
        ("PR-FLT", 1, 10),
        ("not coded", 1, 30),
    ]
    assert [d.downtime_id for d in chosen(past, ledger(past, WHOLE_DAY), press)] == [
        lost[2].downtime_id,
        lost[0].downtime_id,
    ]


def test_within_a_crew_the_rate_is_over_its_time_and_its_part_of_a_break_of_the_shift_before_is_lost_time() -> None:
    # Day shift (crew C) 06:00 to 18:00, night (D) from 18:00; a break from 17:50 to 18:20 began with C.
    shifts = rota(date(2026, 6, 10), 1)
    start = shifts[0].started_ms
    lost = downtime(start / MINUTE + 710, 30, crew="C", shift="day")
    past = on_reel_but_for([lost], from_ms=start, to_ms=start + DAY, shifts=tuple(shifts))
    book = ledger(past, Period(from_ms=start, to_ms=start + DAY))

    of_c, of_d = (pareto(past, book, "section", Selection(within=(("crew", crew),))).bars for crew in "CD")

    assert [(b.count, b.lost.ms // MINUTE) for b in (*of_c, *of_d)] == [(1, 10), (0, 20)]
    assert [b.rate.exposure for b in (*of_c, *of_d)] == pytest.approx([12 - 10 / 60, 12 - 20 / 60])


@given(random_histories(), st.sampled_from(sorted(DIMENSIONS)), st.sampled_from(sorted(DIMENSIONS)))
def test_what_lies_within_the_bars_of_one_dimension_adds_up_to_all_of_another(
    made: tuple[History, Period], by: str, other: str
) -> None:
    past, period = made
    book = ledger(past, period)
    whole = Selection(kinds=ALL_KINDS)
    labels = [bar.label for bar in pareto(past, book, by, whole).bars]

    parts = [pareto(past, book, other, Selection(kinds=ALL_KINDS, within=((by, label),))) for label in labels]

    everything = pareto(past, book, other, whole).bars
    assert sum(bar.lost.ms for part in parts for bar in part.bars) == sum(bar.lost.ms for bar in everything)
    assert sum(bar.count for part in parts for bar in part.bars) == sum(bar.count for bar in everything)


def test_machines_are_ranked_together_each_over_its_own_time_on_the_reel() -> None:
    two, three = on_reel_but_for([downtime(60, 60)]), on_reel_but_for([downtime(60, 10), downtime(200, 10)])
    three = replace(three, machine=replace(three.machine, machine="pm3", name="PM 3"))
    sources = [(past, ledger(past, WHOLE_DAY)) for past in (two, three)]

    found = pareto_of(sources, "machine")

    assert [(bar.label, bar.count, bar.lost.ms // MINUTE) for bar in found.bars] == [("PM 3", 2, 20), ("PM 2", 1, 60)]
    assert [bar.rate.exposure for bar in found.bars] == [pytest.approx(24 - 1 / 3), pytest.approx(23)]


def test_sums_have_intervals_that_hold_them_and_what_lost_nothing_has_none() -> None:
    lost = [downtime(60 * n, 10 + n, rate_before_t_h=12.0) for n in range(1, 8)]
    past = on_reel_but_for(lost)

    bars = pareto(past, ledger(past, WHOLE_DAY), "hour").bars

    for bar in bars:
        for measure in (Measure.MINUTES, Measure.TONNES, Measure.MONEY):
            interval, value = bar.interval(measure), bar.value(measure)
            assert (interval is None) is (bar.count == 0)
            assert interval is None or interval[0] <= (value or 0) <= interval[1]


def test_without_prices_money_is_not_set_and_never_0() -> None:
    past = on_reel_but_for([downtime(60, 10, rate_before_t_h=12.0)])
    past = replace(past, mill=replace(past.mill, margin_per_t=None, broke_cost_per_t=None))

    (bar,) = pareto(past, ledger(past, WHOLE_DAY), "section").bars

    assert (bar.money, bar.interval(Measure.MONEY)) == (None, None)
    assert "not set" in [
        cell for row in pareto_table(pareto(past, ledger(past, WHOLE_DAY), "section"), past).rows for cell in row
    ]


def test_money_that_cannot_be_known_is_not_said_to_be_not_set() -> None:
    past = on_reel_but_for([downtime(60, 10)])  # no rate before it, so no tonnes; prices are set

    (row,) = pareto_table(pareto(past, ledger(past, WHOLE_DAY), "section"), past).rows

    assert "not set" not in row
    assert row[5:7] == ("not known", "not known")
