"""Rows of a history as series of breaks on the on-reel clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given

from analysis.figures.ledger import SPLITS, Class, ledger
from analysis.history import Attempt, Downtime, History, StateSpan
from analysis.period import Period, day_start_ms
from analysis.runnability.series import (
    Clothing,
    OnReelClock,
    Selection,
    breaks_of,
    by_days,
    by_hour_of_day,
    by_label,
    by_shifts,
    campaigns,
    lost_minutes,
    lost_tonnes,
    observed,
    reels_between,
    returns_of,
    runs_of,
)
from tests.histories import DAY, HELSINKI, HOUR, MINUTE, downtime, history, on_reel_but_for, random_histories, rota
from tests.published_checks import near

ALL = Selection(secondary=True)


def whole(found: History) -> tuple[Period, OnReelClock]:
    period = Period(from_ms=0, to_ms=found.horizon_ms)
    return period, OnReelClock(ledger(found, period))


def test_the_clock_stands_still_while_the_sheet_is_off() -> None:
    # on reel 0-60, down 60-90, on reel 90-1440 min
    found = on_reel_but_for([downtime(60, 30)])

    _, clock = whole(found)

    assert clock.total_h == near((1440 - 30) / 60)
    assert [clock.at(m * MINUTE) for m in (0, 60, 75, 90, 120)] == near([0, 1, 1, 1, 1.5])
    assert clock.moment(1.0) == 60 * MINUTE
    assert clock.moment(1.5) == 120 * MINUTE
    assert clock.moment(0.0) == 0


def test_breaks_lie_where_the_clock_stood() -> None:
    found = on_reel_but_for([downtime(60, 30), downtime(150, 30), downtime(600, 15, kind="stop")])
    period, clock = whole(found)

    system = observed("PM 2", clock, breaks_of(found, period, Selection()))

    assert system.events == near((1.0, 2.0))
    assert system.end == near((1440 - 75) / 60)


def test_what_counts_can_be_chosen() -> None:
    rows = [
        downtime(60, 10, secondary=False),
        downtime(80, 10, secondary=True),
        downtime(200, 10, secondary=None, section="reel"),
        downtime(300, 10, kind="planned"),
    ]
    found = on_reel_but_for(rows)
    period, _ = whole(found)

    assert breaks_of(found, period, Selection()) == [rows[0], rows[2]]
    assert breaks_of(found, period, ALL) == rows[:3]
    assert breaks_of(found, period, Selection(section="reel")) == [rows[2]]
    assert Selection(section="reel").words == "primary breaks at reel"


def test_a_break_on_the_stroke_of_midnight_belongs_to_the_day_it_ended() -> None:
    # Helsinki midnight is 22:00 UTC of the day before; the machine stays off for the whole second day.
    midnight = day_start_ms(date(1970, 1, 2), HELSINKI)
    off = Downtime(downtime_id="x", kind="break", started_ms=midnight, ended_ms=midnight + DAY)
    found = on_reel_but_for([off], to_ms=2 * DAY)
    period, clock = whole(found)

    tally = by_days(ledger(found, period), clock, breaks_of(found, period, ALL), HELSINKI)

    assert tally.labels[:2] == ("1970-01-01", "1970-01-02")
    assert tally.counts[:2] == (1, 0)
    assert tally.hours[:2] == near((22.0, 0.0))


def test_days_and_shifts_share_out_all_breaks_and_hours() -> None:
    rows = [downtime(m, 20) for m in (5, 400, 500, 1300, 1500, 2800)]
    found = replace(on_reel_but_for(rows, to_ms=3 * DAY), shifts=tuple(rota(date(1969, 12, 31), 6)))
    period, clock = whole(found)
    breaks = breaks_of(found, period, ALL)

    days = by_days(ledger(found, period), clock, breaks, HELSINKI)
    shifts = by_shifts(found, period, clock, breaks)

    assert sum(days.counts) == sum(shifts.counts) == 6
    assert sum(days.hours) == near(clock.total_h)
    assert sum(shifts.hours) == near(clock.total_h)
    assert shifts.labels[0] == "1969-12-31 day" or shifts.labels[0] == "1969-12-31 night"


def test_hours_of_the_day_follow_the_mills_clock() -> None:
    # 00:30 UTC on 1 January 1970 is 02:30 in Helsinki.
    found = on_reel_but_for([downtime(30, 30)])
    period, clock = whole(found)

    tally = by_hour_of_day(period, clock, breaks_of(found, period, ALL), HELSINKI)

    assert tally.counts[2] == 1
    assert tally.hours[2] == near(0.5)
    assert sum(tally.hours) == near(clock.total_h)


def test_labels_of_time_share_out_breaks_by_where_the_run_ended() -> None:
    found = replace(on_reel_but_for([downtime(60, 30), downtime(1200, 30)]), shifts=tuple(rota(date(1969, 12, 31), 3)))
    period, _ = whole(found)

    tally = by_label(ledger(found, period), breaks_of(found, period, ALL), SPLITS["shift"])

    # 01:00 UTC is 03:00 mill time (night); 20:00 UTC is 22:00 (night)
    assert dict(zip(tally.labels, tally.counts, strict=True)) == {"day": 0, "night": 2}


def test_runs_begin_with_a_return_and_end_as_they_end() -> None:
    rows = [downtime(60, 30), downtime(150, 30, kind="planned"), downtime(240, 30), downtime(300, 10, kind="stop")]
    found = on_reel_but_for(rows)
    period, _ = whole(found)

    runs = runs_of(ledger(found, period), ALL)

    # after the first break 60 min to the planned one; 60 min to the break; 30 min to the stop; 1130 min to the end
    assert [round(h * 60) for h in runs.hours] == [60, 60, 30, 1130]
    assert runs.broke == (False, True, False, False)


def test_runs_around_a_data_gap_are_cut_off_or_left_out() -> None:
    states = (
        StateSpan(state="down", started_ms=0, ended_ms=HOUR),
        StateSpan(state="on_reel", started_ms=HOUR, ended_ms=3 * HOUR),
        StateSpan(state="no_data", started_ms=3 * HOUR, ended_ms=4 * HOUR),
        StateSpan(state="on_reel", started_ms=4 * HOUR, ended_ms=9 * HOUR),
        StateSpan(state="down", started_ms=9 * HOUR, ended_ms=None),
    )
    found = history(states, [downtime(0, 60), downtime(540, None)], last_ms=10 * HOUR)

    runs = runs_of(ledger(found, Period(from_ms=0, to_ms=10 * HOUR)), ALL)

    assert (runs.hours, runs.broke) == ((2.0,), (False,))


def test_a_run_after_a_standstill_without_downtime_has_no_known_beginning() -> None:
    states = (
        StateSpan(state="on_reel", started_ms=0, ended_ms=2 * HOUR),
        StateSpan(state="stock_off", started_ms=2 * HOUR, ended_ms=3 * HOUR),
        StateSpan(state="on_reel", started_ms=3 * HOUR, ended_ms=5 * HOUR),
        StateSpan(state="down", started_ms=5 * HOUR, ended_ms=None),
    )
    found = history(states, [downtime(300, None)], last_ms=6 * HOUR)

    assert runs_of(ledger(found, Period(from_ms=0, to_ms=6 * HOUR)), ALL).hours == ()


def test_a_break_between_known_shifts_belongs_to_none() -> None:
    # Helsinki days and nights change at 04:00 and 16:00 UTC in winter; the shift from 04:00 to 16:00 is not known.
    spans = [s for s in rota(date(1969, 12, 31), 2) if not (s.shift_date == date(1970, 1, 1) and s.shift == "day")]
    found = replace(on_reel_but_for([downtime(60, 10), downtime(600, 10)]), shifts=tuple(spans))
    period, clock = whole(found)

    tally = by_shifts(found, period, clock, breaks_of(found, period, ALL))

    assert (tally.labels, tally.counts) == (("1969-12-31 night", "1970-01-01 night"), (1, 0))


def test_a_break_of_another_section_cuts_a_run_off() -> None:
    found = on_reel_but_for([downtime(60, 30), downtime(150, 30, section="reel")])
    period, _ = whole(found)

    runs = runs_of(ledger(found, period), Selection(secondary=True, section="press"))

    assert runs.broke == (False, False)


def test_felts_are_aligned_at_their_installation() -> None:
    rows = [downtime(100, 20), downtime(400, 20, kind="planned"), downtime(600, 20), downtime(900, 20)]
    found = on_reel_but_for(rows)
    period, clock = whole(found)
    felts = [
        Clothing(position="pickup", installed_ms=-DAY, removed_ms=410 * MINUTE),
        Clothing(position="pickup", installed_ms=410 * MINUTE, removed_ms=800 * MINUTE),
        Clothing(position="pickup", installed_ms=800 * MINUTE, removed_ms=None),
    ]

    found_lives = campaigns(felts, period, clock, breaks_of(found, period, ALL), lost_minutes(found.horizon_ms))

    assert found_lives.left_out == 1
    second, third = found_lives.systems
    # on reel from 420 to 600 min: 3 h; the life ends at 800 min: 180 + 180 min on reel
    assert (second.events, second.end, second.costs) == (near((3.0,)), near(6.0), (20.0,))
    # 800 to 900: 100 min; to 1440: 100 + 520 min
    assert (third.events, third.end) == (near((100 / 60,)), near(620 / 60))


def test_a_break_costs_its_time_times_the_rate_before_it() -> None:
    one, unknown = downtime(60, 30, rate_before_t_h=12.0), downtime(200, 30, rate_before_t_h=None)

    assert lost_tonnes(DAY)(one) == near(6.0)
    assert lost_tonnes(DAY)(unknown) == 0.0


def test_reels_are_counted_between_breaks() -> None:
    breaks = [downtime(60, 10), downtime(200, 10), downtime(205, 10)]

    assert reels_between([m * MINUTE for m in (10, 70, 130, 190, 300)], breaks) == (3, 0)


def test_returns_are_timed_from_loss_and_from_the_first_attempt() -> None:
    d = downtime(60, 30, attempts=2)
    attempts = (
        Attempt(
            downtime_id=d.downtime_id,
            attempt=2,
            started_ms=80 * MINUTE,
            ended_ms=None,
            reached_section=None,
            outcome="success",
        ),
        Attempt(
            downtime_id=d.downtime_id,
            attempt=1,
            started_ms=70 * MINUTE,
            ended_ms=75 * MINUTE,
            reached_section="press",
            outcome="failed",
        ),
    )
    rows = [d, downtime(200, 30, attempts=1, end_uncertain=True), downtime(300, 30, attempts=None), downtime(500, None)]

    found = returns_of(replace(on_reel_but_for(rows), attempts=attempts), rows)

    (one,) = found.returns
    assert (one.attempts, one.lost_min, one.clearing_min, one.threading_min) == (2, 30.0, 10.0, 20.0)
    assert (found.unclear, found.still_open) == (2, 1)


@given(random_histories())
def test_whatever_happened_the_clock_adds_up_to_the_ledger(found: tuple[History, Period]) -> None:
    rows, period = found
    book = ledger(rows, period)
    clock = OnReelClock(book)
    breaks = breaks_of(rows, period, ALL)

    assert clock.total_h == near(book.ms[Class.ON_REEL] / HOUR)
    days = by_days(book, clock, breaks, HELSINKI)
    assert sum(days.hours) == near(clock.total_h)
    assert sum(days.counts) == (len(breaks) if clock.total_h else 0)
    assert sum(by_hour_of_day(period, clock, breaks, HELSINKI).hours) == near(clock.total_h)
    assert sum(by_label(book, breaks, SPLITS["shift"]).hours) <= clock.total_h + 1e-9
    runs = runs_of(book, ALL)
    assert sum(runs.hours) <= clock.total_h + 1e-9
    for at in (0.25, 0.5, 1.0):
        if clock.total_h:
            assert clock.at(clock.moment(at * clock.total_h)) == near(at * clock.total_h, abs=1e-6)


def test_an_empty_period_has_no_break() -> None:
    with pytest.raises(ValueError, match="not a window"):
        observed("x", OnReelClock(ledger(history(), Period(from_ms=0, to_ms=DAY))), [])
