"""What people write for a time. Helsinki's clocks go forward on 2026-03-29 at 03:00 and back on 2026-10-25 at 04:00."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.history import ShiftSpan
from analysis.period import (
    NoSuchTime,
    NothingThen,
    Period,
    day_start_ms,
    instant_ms,
    period_of,
    say,
    shift_of,
    until_horizon,
)

HELSINKI = ZoneInfo("Europe/Helsinki")
HOUR = 3_600_000


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


NOW = utc("2026-03-10 12:00")


@pytest.mark.parametrize(
    ("written", "instant"),
    [
        ("2026-03-02", "2026-03-01 22:00"),
        ("2026-03-02 06:00", "2026-03-02 04:00"),
        ("2026-03-02T06:00:30", "2026-03-02 04:00:30"),
        ("2026-03-02T06:00Z", "2026-03-02 06:00"),
        ("2026-03-02T06:00+05:00", "2026-03-02 01:00"),
        ("today", "2026-03-09 22:00"),
        ("yesterday", "2026-03-08 22:00"),
        ("now", "2026-03-10 12:00"),
    ],
)
def test_a_written_time_is_mill_local_unless_it_says_otherwise(written: str, instant: str) -> None:
    assert instant_ms(written, HELSINKI, now_ms=NOW) == utc(instant)


def test_a_date_at_the_end_of_a_period_includes_that_day() -> None:
    assert instant_ms("2026-03-02", HELSINKI, now_ms=NOW, end=True) == utc("2026-03-02 22:00")
    assert instant_ms("yesterday", HELSINKI, now_ms=NOW, end=True) == utc("2026-03-09 22:00")


@pytest.mark.parametrize("written", ["", "1.3.2026", "2026-13-01", "2026-03-01 25:00", "tomorrow", "2026-3-1"])
def test_what_is_no_time_is_refused_with_what_to_write(written: str) -> None:
    with pytest.raises(NoSuchTime, match="write a date"):
        instant_ms(written, HELSINKI, now_ms=NOW)


@pytest.mark.parametrize("written", ["0001-01-01", "9999-12-31", "0001-01-01T00:00+02:00", "9999-12-31 23:00"])
@pytest.mark.parametrize("end", [False, True])
def test_the_ends_of_the_calendar_are_no_times(written: str, end: bool) -> None:
    with pytest.raises(NoSuchTime, match="no mill has such a year"):
        instant_ms(written, ZoneInfo("America/Vancouver"), now_ms=NOW, end=end)


@given(st.dates(), st.sampled_from(["Etc/GMT+12", "Etc/GMT-14", "Europe/Helsinki"]), st.booleans())
def test_any_day_that_is_written_is_an_instant_or_none(day: date, zone: str, end: bool) -> None:
    try:
        found = instant_ms(day.isoformat(), ZoneInfo(zone), now_ms=NOW, end=end)
    except NoSuchTime:
        assert day.year in (1, 9999)
    else:
        assert day <= datetime.fromtimestamp(found / 1000, ZoneInfo(zone)).date() <= day + timedelta(days=int(end))


def test_a_local_time_that_clocks_repeat_is_refused_with_both_readings() -> None:
    with pytest.raises(NoSuchTime, match="occurs twice") as refused:
        instant_ms("2026-10-25 03:30", HELSINKI, now_ms=NOW)

    assert "2026-10-25T03:30+03:00 or 2026-10-25T03:30+02:00" in str(refused.value)
    assert instant_ms("2026-10-25T03:30+03:00", HELSINKI, now_ms=NOW) == utc("2026-10-25 00:30")


def test_a_local_time_that_clocks_skip_is_refused_with_the_one_after() -> None:
    with pytest.raises(NoSuchTime, match=r"does not occur .* write 2026-03-29T04:30"):
        instant_ms("2026-03-29 03:30", HELSINKI, now_ms=NOW)


def test_days_of_changing_clocks_have_23_and_25_hours() -> None:
    spring = day_start_ms(date(2026, 3, 30), HELSINKI) - day_start_ms(date(2026, 3, 29), HELSINKI)
    autumn = day_start_ms(date(2026, 10, 26), HELSINKI) - day_start_ms(date(2026, 10, 25), HELSINKI)

    assert (spring, autumn) == (23 * HOUR, 25 * HOUR)


def test_a_day_whose_midnight_clocks_skip_begins_at_the_jump() -> None:
    # In Beirut clocks went from 00:00 to 01:00 on 2022-03-27, that is at 22:00 UTC the day before.
    assert day_start_ms(date(2022, 3, 27), ZoneInfo("Asia/Beirut")) == utc("2022-03-26 22:00")


def test_a_repeated_hour_is_said_with_its_offset() -> None:
    assert say(utc("2026-10-25 00:30"), HELSINKI) == "2026-10-25 03:30 (+03:00)"
    assert say(utc("2026-10-25 01:30"), HELSINKI) == "2026-10-25 03:30 (+02:00)"
    assert say(utc("2026-10-25 02:30"), HELSINKI) == "2026-10-25 04:30"


@given(st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)))
def test_a_time_that_was_said_reads_back_as_itself(moment: datetime) -> None:
    at_ms = round(moment.replace(second=0, microsecond=0, tzinfo=UTC).timestamp() * 1000)
    written = say(at_ms, HELSINKI).replace(" (", "").rstrip(")")

    assert instant_ms(written, HELSINKI, now_ms=NOW) == at_ms


def test_without_times_a_period_is_all_there_is() -> None:
    assert period_of(None, None, HELSINKI, first_ms=5, now_ms=NOW) == Period(from_ms=5, to_ms=NOW)


@pytest.mark.parametrize(
    ("from_ms", "to_ms", "inside_ms"),
    [(0, 150, 50), (120, 140, 20), (150, 300, 50), (0, 300, 100), (0, 100, 0), (250, 300, 0)],
)
def test_of_a_stretch_counts_what_lies_within_the_period(from_ms: int, to_ms: int, inside_ms: int) -> None:
    assert Period(from_ms=100, to_ms=200).clipped_ms(from_ms, to_ms) == inside_ms


def test_a_period_holds_its_first_instant_and_not_its_end() -> None:
    period = Period(from_ms=100, to_ms=200)

    assert [at_ms for at_ms in (99, 100, 199, 200) if period.holds(at_ms)] == [100, 199]


def test_a_period_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(NoSuchTime, match="swap"):
        period_of("2026-03-05", "2026-03-01", HELSINKI, first_ms=0, now_ms=NOW)


def test_a_period_before_the_first_data_says_when_those_begin() -> None:
    with pytest.raises(NothingThen, match="begin at 2026-03-05 00:00"):
        period_of(None, "2026-03-01", HELSINKI, first_ms=utc("2026-03-04 22:00"), now_ms=NOW)


def test_a_period_after_the_newest_data_says_when_those_are_of() -> None:
    for written in ("2026-03-11", "2026-03-10 14:00"):
        with pytest.raises(NothingThen, match="newest data are of 2026-03-10 14:00"):
            period_of(written, None, HELSINKI, first_ms=0, now_ms=NOW)


def test_a_period_ends_at_the_newest_data_at_the_latest() -> None:
    period = Period(from_ms=100, to_ms=900, name="night shift")

    assert until_horizon(period, 500) == Period(from_ms=100, to_ms=500, name="night shift")
    assert until_horizon(period, 900) is period
    with pytest.raises(NothingThen):
        until_horizon(period, 100)


def shifts() -> list[ShiftSpan]:
    """Day and night from 2026-03-08 06:00 mill time (04:00 UTC) on, six of them."""
    first = utc("2026-03-08 04:00")
    return [
        ShiftSpan(
            shift_date=date(2026, 3, 8 + n // 2),
            shift=("day", "night")[n % 2],
            crew="ABCD"[n % 4],
            started_ms=first + n * 12 * HOUR,
            ended_ms=first + (n + 1) * 12 * HOUR,
        )
        for n in range(6)
    ]


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("last", (9, "night")),  # at 2026-03-10 14:00 mill time the day shift still runs
        ("current", (10, "day")),
        ("last night", (9, "night")),
        ("last day", (9, "day")),
        ("yesterday night", (9, "night")),
        ("today day", (10, "day")),
        ("2026-03-08 night", (8, "night")),
    ],
)
def test_a_shift_is_found_by_what_people_call_it(written: str, found: tuple[int, str]) -> None:
    shift = shift_of(written, shifts(), HELSINKI, now_ms=NOW)

    assert (shift.shift_date.day, shift.shift) == found


@pytest.mark.parametrize("written", ["last noon", "night", "2026-03-08", "soon", "current day"])
def test_what_is_no_shift_is_refused(written: str) -> None:
    with pytest.raises(NoSuchTime):
        shift_of(written, shifts(), HELSINKI, now_ms=NOW)


def test_at_the_turn_of_a_shift_the_new_one_is_current_and_the_old_one_the_last() -> None:
    turn_ms = utc("2026-03-10 16:00")

    current, last = (shift_of(word, shifts(), HELSINKI, now_ms=turn_ms) for word in ("current", "last"))

    assert (current.shift, last.shift) == ("night", "day")


def test_there_is_no_current_shift_once_the_data_have_outrun_the_rota() -> None:
    with pytest.raises(NothingThen):
        shift_of("current", shifts(), HELSINKI, now_ms=shifts()[-1].ended_ms)


def test_a_shift_without_data_and_a_mill_without_shifts_say_so() -> None:
    with pytest.raises(NothingThen, match="no shift"):
        shift_of("2026-03-10 night", shifts(), HELSINKI, now_ms=NOW)
    with pytest.raises(NothingThen, match=r"\[shifts\]"):
        shift_of("last", [], HELSINKI, now_ms=NOW)
