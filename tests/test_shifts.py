"""The mill's rota on the calendar."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from collector.settings import LaterRota, ShiftOverride, Shifts
from collector.shifts import ShiftRow, shift_rows

HELSINKI = ZoneInfo("Europe/Helsinki")
HOUR_MS = 3_600_000


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def shifts(
    *starts: time, pattern: str = "ABCD", anchor: date = date(2026, 1, 5), override: tuple[ShiftOverride, ...] = ()
) -> Shifts:
    names = tuple(f"shift {number}" for number in range(len(starts)))
    return Shifts(starts=starts, names=names, anchor=anchor, pattern=tuple(pattern), override=override)


TWELVE_HOURS = shifts(time(6), time(18))


def test_the_shift_that_is_on_has_its_name_crew_and_day() -> None:
    (row,) = shift_rows(TWELVE_HOURS, HELSINKI, at("2026-01-06T02:00+02:00"), at("2026-01-06T02:00+02:00"))

    # The pattern starts on 5 January with A by day and B by night; its night lasts until 6 on the 6th.
    assert row == ShiftRow(
        shift_date=date(2026, 1, 5),
        shift="shift 1",
        crew="B",
        started_ms=at("2026-01-05T18:00+02:00"),
        ended_ms=at("2026-01-06T06:00+02:00"),
    )


def test_the_crews_take_turns_and_the_pattern_repeats_and_runs_backwards_before_its_anchor() -> None:
    rows = shift_rows(TWELVE_HOURS, HELSINKI, at("2026-01-03T06:00+02:00"), at("2026-01-07T17:59+02:00"))

    assert "".join(row.crew for row in rows) == "ABCD" + "ABCD" + "A"
    assert rows[4].shift_date == date(2026, 1, 5)


def test_a_shift_ends_when_the_next_one_starts() -> None:
    rows = shift_rows(TWELVE_HOURS, HELSINKI, at("2026-01-05T17:59:59+02:00"), at("2026-01-05T18:00+02:00"))

    assert [row.shift for row in rows] == ["shift 0", "shift 1"]


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        # The clocks go from 3 to 4 on 29 March 2026 and from 4 to 3 on 25 October: the night before is 11 or 13 h long.
        (date(2026, 3, 28), [12, 11]),
        (date(2026, 3, 29), [12, 12]),
        (date(2026, 10, 24), [12, 13]),
        (date(2026, 10, 25), [12, 12]),
    ],
)
def test_the_night_in_which_the_clocks_change_is_an_hour_shorter_or_longer(day: date, hours: list[int]) -> None:
    noon = at(f"{day}T12:00+02:00")

    rows = [row for row in shift_rows(TWELVE_HOURS, HELSINKI, noon, noon + 12 * HOUR_MS) if row.shift_date == day]

    assert [(row.ended_ms - row.started_ms) / HOUR_MS for row in rows] == hours


def test_days_of_23_and_25_hours_add_up() -> None:
    midnight = shifts(time(0), time(8), time(16))

    def hours(day: date) -> float:
        around = shift_rows(midnight, HELSINKI, at(f"{day}T12:00+02:00") - 20 * HOUR_MS, at(f"{day}T12:00+02:00"))
        around += shift_rows(midnight, HELSINKI, at(f"{day}T12:00+02:00"), at(f"{day}T12:00+02:00") + 20 * HOUR_MS)
        return sum(row.ended_ms - row.started_ms for row in set(around) if row.shift_date == day) / HOUR_MS

    assert [hours(date(2026, 3, 29)), hours(date(2026, 3, 30)), hours(date(2026, 10, 25))] == [23, 24, 25]


def test_a_start_that_the_clocks_skip_falls_on_the_moment_they_are_put_forward() -> None:
    skipped = shifts(time(3, 30), time(15, 30))

    (row,) = shift_rows(skipped, HELSINKI, at("2026-03-29T01:00+00:00"), at("2026-03-29T01:00+00:00"))

    # The clocks go forward at 01:00 UTC in the whole European Union.
    assert row.started_ms == at("2026-03-29T01:00+00:00")
    assert row.ended_ms == at("2026-03-29T15:30+03:00")


def test_a_start_that_comes_twice_counts_the_first_time() -> None:
    twice = shifts(time(3, 30), time(15, 30))

    (row,) = shift_rows(twice, HELSINKI, at("2026-10-25T03:45+03:00"), at("2026-10-25T03:45+03:00"))

    assert row.started_ms == at("2026-10-25T03:30+03:00")


def test_a_shift_that_lies_wholly_in_skipped_time_is_left_out() -> None:
    """Apia went from 29 to 31 December 2011, across the date line (IANA time zone database)."""
    rows = shift_rows(
        TWELVE_HOURS, ZoneInfo("Pacific/Apia"), at("2011-12-29T00:00+00:00"), at("2012-01-02T00:00+00:00")
    )

    assert [row.shift for row in rows if row.shift_date == date(2011, 12, 30)] == ["shift 1"]
    assert all(one.ended_ms == other.started_ms for one, other in pairwise(rows))


ROTA_28_DAYS = "NNNN OOO DDD O NNN OOO DDDD OOOOOOO".replace(" ", "")
"""Four crews on 12 h shifts, each 7 days behind the one before: a published rota (trade notes 6.6, source S60)."""


def rota_pattern() -> str:
    crews = "ABCD"
    duty = [{crew: ROTA_28_DAYS[(day - 7 * index) % 28] for index, crew in enumerate(crews)} for day in range(28)]
    return "".join(crew for today in duty for turn in "DN" for crew in crews if today[crew] == turn)


def test_a_published_rota_gives_each_crew_14_shifts_in_28_days_and_each_day_one_day_and_one_night_crew() -> None:
    rota = shifts(time(6), time(18), pattern=rota_pattern())
    begin = at("2026-01-05T06:00+02:00")

    rows = shift_rows(rota, HELSINKI, begin, begin + 28 * 24 * HOUR_MS - 1)

    # 28 days of two shifts are 56; four crews of 14 each, that is 14 x 12 h / 4 weeks = 42 h a week.
    assert Counter(row.crew for row in rows) == {"A": 14, "B": 14, "C": 14, "D": 14}
    assert Counter(row.shift_date for row in rows) == {date(2026, 1, 5) + timedelta(days=day): 2 for day in range(28)}
    assert all(one.crew != other.crew for one, other in pairwise(rows))
    # Crew A: "NNNN OOO DDD O NNN OOO DDDD OOOOOOO"
    own = {(row.shift_date - date(2026, 1, 5)).days: row.shift for row in rows if row.crew == "A"}
    assert [day for day, shift in own.items() if shift == "shift 1"] == [0, 1, 2, 3, 11, 12, 13]
    assert [day for day, shift in own.items() if shift == "shift 0"] == [7, 8, 9, 17, 18, 19, 20]


def test_three_shifts_of_8_hours_in_turn_give_each_of_four_crews_14_nights_in_8_weeks() -> None:
    # Two mornings, two afternoons, two nights, two off, each crew two days behind the one before: own arithmetic.
    # 56 days are 7 turns; in each a crew has 2 nights of 8 h, and 6 shifts = 48 h in 8 days = 42 h a week.
    duty = ["MMAANNOO"[(day - 2 * crew) % 8] for day in range(8) for crew in range(4)]
    pattern = "".join("ABCD"[duty[4 * day : 4 * day + 4].index(turn)] for day in range(8) for turn in "MAN")
    rota = shifts(time(6), time(14), time(22), pattern=pattern)
    begin = at("2026-01-05T06:00+02:00")

    rows = shift_rows(rota, HELSINKI, begin, begin + 56 * 24 * HOUR_MS - 1)

    assert Counter(row.crew for row in rows if row.shift == "shift 2") == {"A": 14, "B": 14, "C": 14, "D": 14}
    assert Counter(row.crew for row in rows) == {"A": 42, "B": 42, "C": 42, "D": 42}


def test_an_override_gives_a_shift_to_another_crew_and_the_pattern_goes_on_beneath_it() -> None:
    swap = ShiftOverride(date=date(2026, 1, 6), shift="shift 1", crew="A")
    rota = shifts(time(6), time(18), override=(swap,))

    rows = shift_rows(rota, HELSINKI, at("2026-01-05T06:00+02:00"), at("2026-01-08T05:59+02:00"))

    # Without it: A B, C D, A B.
    assert "".join(row.crew for row in rows) == "ABCA" + "AB"


def test_shifts_of_a_shutdown_are_taken_off_and_leave_a_gap() -> None:
    shutdown = ShiftOverride(date=date(2026, 1, 6), to=date(2026, 1, 7), off=True)
    rota = shifts(time(6), time(18), override=(shutdown,))

    rows = shift_rows(rota, HELSINKI, at("2026-01-05T06:00+02:00"), at("2026-01-09T05:59+02:00"))

    assert [(row.shift_date.day, row.crew) for row in rows] == [(5, "A"), (5, "B"), (8, "C"), (8, "D")]
    assert rows[1].ended_ms == at("2026-01-06T06:00+02:00")
    assert rows[2].started_ms == at("2026-01-08T06:00+02:00")


def test_a_later_rota_holds_from_its_day_on_and_those_before_keep_their_crews() -> None:
    eight = LaterRota(
        date=date(2026, 1, 7),
        anchor=date(2026, 1, 7),
        starts=(time(6), time(14), time(22)),
        names=("early", "late", "night"),
        pattern=("X", "Y", "Z"),
    )
    rota = Shifts(
        starts=(time(6), time(18)),
        names=("day", "night"),
        anchor=date(2026, 1, 5),
        pattern=tuple("ABCD"),
        later=(eight,),
    )

    rows = shift_rows(rota, HELSINKI, at("2026-01-05T06:00+02:00"), at("2026-01-08T05:59+02:00"))

    # The last night of the old rota ends when the first shift of the new one begins.
    assert [(row.shift, row.crew) for row in rows] == [
        ("day", "A"), ("night", "B"), ("day", "C"), ("night", "D"), ("early", "X"), ("late", "Y"), ("night", "Z"),
    ]  # fmt: skip
    assert all(one.ended_ms == other.started_ms for one, other in pairwise(rows))
    assert rows[3].ended_ms == at("2026-01-07T06:00+02:00")


def test_a_swap_on_the_night_of_25_hours_keeps_its_13_hours() -> None:
    swap = ShiftOverride(date=date(2026, 10, 24), shift="shift 1", crew="D")
    rota = shifts(time(6), time(18), override=(swap,))

    (row,) = shift_rows(rota, HELSINKI, at("2026-10-25T01:00+00:00"), at("2026-10-25T01:00+00:00"))

    assert (row.crew, (row.ended_ms - row.started_ms) / HOUR_MS) == ("D", 13)


ZONES = ["Europe/Helsinki", "UTC", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "Africa/Casablanca"]
STARTS = st.lists(st.times().map(lambda one: one.replace(second=0, microsecond=0)), min_size=1, max_size=5, unique=True)


@given(
    STARTS.map(sorted),
    st.sampled_from(ZONES),
    st.datetimes(datetime(2010, 1, 1), datetime(2030, 1, 1)),
    st.integers(0, 5 * 24 * 60),
)
@example([time(3), time(3, 30), time(4)], "Europe/Helsinki", datetime(2026, 3, 28, 12), 2880)
@example([time(3), time(3, 30), time(4)], "Europe/Helsinki", datetime(2026, 10, 24, 12), 2880)
def test_shifts_cover_any_time_without_gap_or_overlap(
    starts: list[time], zone: str, begin: datetime, minutes: int
) -> None:
    from_ms = round(begin.replace(tzinfo=UTC).timestamp()) * 1000
    to_ms = from_ms + minutes * 60_000

    rows = shift_rows(shifts(*starts), ZoneInfo(zone), from_ms, to_ms)

    assert rows[0].started_ms <= from_ms < rows[0].ended_ms
    assert rows[-1].started_ms <= to_ms < rows[-1].ended_ms
    assert all(one.ended_ms == other.started_ms for one, other in pairwise(rows))
    assert all(row.started_ms < row.ended_ms for row in rows)


@given(st.sampled_from(ZONES), st.datetimes(datetime(2010, 1, 1), datetime(2030, 1, 1)), st.integers(1, 100))
def test_a_shift_is_the_same_whatever_period_it_is_asked_for(zone: str, begin: datetime, hours: int) -> None:
    from_ms = round(begin.replace(tzinfo=UTC).timestamp()) * 1000

    (alone, *_) = shift_rows(TWELVE_HOURS, ZoneInfo(zone), from_ms, from_ms)
    within = shift_rows(TWELVE_HOURS, ZoneInfo(zone), from_ms - hours * HOUR_MS, from_ms + hours * HOUR_MS)

    assert alone in within
