"""One shift: what it saw, what is still to be coded, and nothing of its neighbours'."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from analysis.figures.ledger import Class
from analysis.figures.shift_review import numbers_by_time, shift_review
from analysis.history import History, Production, ShiftSpan
from analysis.period import shift_period, until_horizon
from analysis.telling.shift import tell_shift
from tests.histories import DAY, HOUR, MINUTE, downtime, on_reel_but_for, rota

SHIFTS = rota(date(2026, 6, 10), 1)


def a_shift() -> tuple[History, ShiftSpan]:
    """A day shift that takes a break over, has one coded, one uncoded and a stop, and hands one on."""
    day, night = SHIFTS
    start = day.started_ms / MINUTE
    lost = [
        downtime(start - 10, 25, rate_before_t_h=12.0),
        downtime(start + 60, 20, cause="PR-FLT", rate_before_t_h=12.0),
        downtime(start + 200, 5, "stop", section=None, rate_before_t_h=12.0),
        downtime(start + 300, 10, rate_before_t_h=12.0),
        downtime(start + 710, 30, cause="PR-FLT", rate_before_t_h=12.0),
    ]
    made = Production(
        started_ms=day.started_ms + 2 * HOUR,
        ended_ms=day.started_ms + 3 * HOUR,
        grade="C80",
        shade="white",
        reel="R1",
        length_m=46_800.0,
        tonnes_t=12.0,
    )
    past = on_reel_but_for(
        lost, from_ms=day.started_ms - DAY, to_ms=night.ended_ms, shifts=tuple(SHIFTS), production=(made,)
    )
    return past, day


def test_the_shift_sees_its_own_part_of_every_downtime() -> None:
    past, day = a_shift()

    review = shift_review(past, shift_period(day))

    assert sum(review.book.ms.values()) == 12 * HOUR
    # 15 min taken over + 20 + 10 + 10 min before the hand-over; the stop's 5 are apart
    assert review.book.ms[Class.BREAK] == 55 * MINUTE
    assert review.book.ms[Class.STOP] == 5 * MINUTE
    assert review.lost.tonnes_t == pytest.approx(60 / 60 * 12.0)
    assert review.made.tonnes_t == 12.0


def test_what_is_still_to_be_coded_comes_first_and_is_only_the_shifts_own() -> None:
    past, day = a_shift()

    review = shift_review(past, shift_period(day))

    rows = [(r.downtime.kind, r.ms // MINUTE, r.began_here, r.to_code) for r in review.downtimes]
    assert rows == [
        ("break", 10, True, True),
        ("break", 15, False, False),
        ("break", 20, True, False),
        ("stop", 5, True, False),
        ("break", 10, True, False),
    ]
    assert review.to_code == 1


def test_the_shift_says_itself_in_a_sentence() -> None:
    past, day = a_shift()

    told = tell_shift(past, shift_review(past, shift_period(day)))

    # 720 - 55 - 5 = 660 of 720 min: 91.7 %
    assert told.headline == (
        "PM 2, day shift of 2026-06-10, crew C: time efficiency 91.7 %, 3 breaks began, breaks took 55.0 min; "
        "12.0 t made, 12.0 t not made; 1 break still to be coded."
    )
    first = told.tables[0].rows[0]
    # The fourth loss of the shift by time, and the first of the list.
    assert (first[0], first[4], first[7]) == ("4", "10.0", "not coded")
    assert told.tables[0].rows[1][1].startswith("← ")


def test_a_running_shift_is_reviewed_up_to_the_newest_data() -> None:
    past, day = a_shift()
    now = day.started_ms + 4 * HOUR
    running = replace(past, machine=replace(past.machine, last_ms=now), downtimes=past.downtimes[:2])

    review = shift_review(running, until_horizon(shift_period(day), now))

    assert sum(review.book.ms.values()) == 4 * HOUR


def test_a_quiet_shift_has_nothing_to_code() -> None:
    past = on_reel_but_for([], from_ms=SHIFTS[0].started_ms, to_ms=SHIFTS[1].ended_ms, shifts=tuple(SHIFTS))

    review = shift_review(past, shift_period(SHIFTS[0]))

    assert (review.downtimes, review.to_code) == ((), 0)
    assert "still to be coded" not in tell_shift(past, review).sentence


def test_downtimes_are_numbered_by_time_whatever_their_order_in_the_list() -> None:
    past, day = a_shift()
    review = shift_review(past, until_horizon(shift_period(day), past.horizon_ms))

    numbers = numbers_by_time(review.downtimes)

    in_time = sorted(review.downtimes, key=lambda row: row.downtime.started_ms)
    assert [numbers[row.downtime.downtime_id] for row in in_time] == [1, 2, 3, 4, 5]
    # The fourth loss is the one that waits for a cause, so it leads the list.
    assert numbers[review.downtimes[0].downtime.downtime_id] == 4
