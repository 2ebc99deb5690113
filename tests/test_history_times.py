"""Times in historian exports: how they are written, whose clock they keep, and hours that come twice or never."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.history import (
    Ambiguous,
    TimeUnclear,
)
from collector.history.clock import DAY_MS, format_of, zone_days, zone_of
from tests.exports import Loaded, T, faults, file

__all__ = ["file"]

# -------------------------------------------------------------------------------------------------------------- times


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-01T02:00:00Z",
        "2026-03-01 04:00:00",
        "2026-03-01 04:00",
        "2026-03-01T04:00:00.000",
        "2026-03-01T03:00:00+01:00",
        "2026/03/01 04:00:00",
        "1.3.2026 04:00:00",
        "01.03.2026 04:00",
        "01-Mar-2026 04:00:00",
        "1772330400000",
        "1772330400",
        "20260301 04:00:00",
    ],
)
def test_times_are_understood_as_they_are_written(file: Any, text: str) -> None:
    assert Loaded(file("ts;a", f"{text};5")).samples == [(0, "a", 5.0)]


def test_fractions_of_a_second_have_a_point_or_a_comma(file: Any) -> None:
    path = file("ts;a", "2026-03-01 04:00:00,25;1", "2026-03-01 04:00:00.5;2", "2026-03-01 04:00:01;3")

    assert [scan.at_ms - T for scan in Loaded(path).scans] == [250, 500, 1000]


def test_date_and_time_of_day_may_be_two_columns(file: Any) -> None:
    assert Loaded(file("Date;Time;a", "01.03.2026;04:00:00;5")).samples == [(0, "a", 5.0)]


def test_half_a_day_may_be_told_by_letters(file: Any) -> None:
    assert Loaded(file("ts;a", "3/13/2026 4:00:00 PM;5"), time_zone="UTC").samples == [(12 * 86_400 + 50_400, "a", 5.0)]


def test_day_and_month_are_not_guessed(file: Any) -> None:
    path = file("ts;a", "03/01/2026 04:00:00;5")

    assert faults(path) == [
        'export.csv:2: column ts: times such as "03/01/2026 04:00:00" can be read in two ways: '
        'give --time-format "%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"'
    ]
    assert Loaded(path, time_format="%m/%d/%Y %H:%M:%S").samples == [(0, "a", 5.0)]


def test_a_day_beyond_the_twelfth_tells_day_from_month() -> None:
    assert format_of(["03/01/2026 04:00", "13/01/2026 04:00"]).pattern == "%d/%m/%Y %H:%M"


@pytest.mark.parametrize(("zone", "hours"), [("UTC", 2), ("+02:00", 0), ("America/New_York", 7)])
def test_a_file_may_keep_another_clock(file: Any, zone: str, hours: int) -> None:
    """04:00 on 1 March: in New York, five hours behind UTC in winter, 09:00 UTC, which is 7 h after 02:00 UTC."""
    assert Loaded(file("ts;a", "2026-03-01 04:00:00;5"), time_zone=zone).samples == [(hours * 3600, "a", 5.0)]


def test_a_clock_that_does_not_exist_is_refused() -> None:
    with pytest.raises(TimeUnclear, match='no such time zone "Ellerholm"'):
        zone_of("Ellerholm")


AUTUMN = ("ts;a", "25.10.2026 02:59:59;1", "25.10.2026 03:30:00;2", "25.10.2026 04:00:00;3")
"""In Helsinki the clock goes from 04:00 (UTC+3) back to 03:00 (UTC+2) on that day: 03:30 comes twice."""

SPRING = ("ts;a", "29.03.2026 02:59:59;1", "29.03.2026 03:30:00;2", "29.03.2026 04:00:00;3")
"""In Helsinki the clock goes from 03:00 (UTC+2) on to 04:00 (UTC+3) on that day: there is no 03:30."""


def test_an_hour_that_comes_twice_is_asked_about_with_its_line(file: Any) -> None:
    (fault,) = faults(file(*AUTUMN))

    assert fault.startswith(
        'export.csv:3: column ts: "25.10.2026 03:30:00" comes twice in Europe/Helsinki, when the clock is set back: '
        "give --ambiguous earlier, later or reject"
    )


@pytest.mark.parametrize(("rule", "offset_h"), [(Ambiguous.EARLIER, 3), (Ambiguous.LATER, 2)])
def test_a_rule_settles_an_hour_that_comes_twice(file: Any, rule: Ambiguous, offset_h: int) -> None:
    loaded = Loaded(file(*AUTUMN), ambiguous=rule)

    hours = (3, offset_h, 2)
    local = ((2, 59, 59), (3, 30, 0), (4, 0, 0))
    expected = [
        datetime(2026, 10, 25, *clock, tzinfo=UTC) - timedelta(hours=ahead)
        for clock, ahead in zip(local, hours, strict=True)
    ]
    assert [datetime.fromtimestamp(scan.at_ms / 1000, UTC) for scan in loaded.scans] == expected


def test_an_hour_that_never_was_is_no_matter_of_earlier_or_later(file: Any) -> None:
    (fault,) = faults(file(*SPRING), ambiguous=Ambiguous.EARLIER)

    assert fault.startswith('export.csv:3: column ts: "29.03.2026 03:30:00" does not exist in Europe/Helsinki')
    assert 'give --time-zone, say "+02:00"; or --ambiguous reject' in fault


@pytest.mark.parametrize("lines", [AUTUMN, SPRING])
def test_doubtful_hours_may_be_rejected_and_are_kept_with_their_place(file: Any, lines: tuple[str, ...]) -> None:
    path = file(*lines)

    loaded = Loaded(path, ambiguous=Ambiguous.REJECT)

    assert [value for _, _, value in loaded.samples] == [1.0, 3.0]
    assert [(item.topic, item.payload.decode()[11:]) for item in loaded.rejected] == [(f"{path}:3", "03:30:00")]


@given(st.integers(631_152_000, 2_840_000_000), st.sampled_from(["Europe/Helsinki", "America/New_York", "UTC"]))
def test_local_days_agree_with_the_time_zone_database(second: int, name: str) -> None:
    """Python's own zoneinfo is the reference: an instant, shown by the clock, is found again."""
    days = {day.day: day for day in zone_days(zone_of(name))}
    instant = datetime.fromtimestamp(second, UTC)
    offset_s = round((instant.astimezone(ZoneInfo(name)).utcoffset() or timedelta()).total_seconds())
    local_ms = (second + offset_s) * 1000

    day = days.get(local_ms // DAY_MS)

    if day is None:
        assert local_ms < 631_152_000_000 or local_ms > 2_839_968_000_000
    elif day.edge_from_ms <= local_ms < day.edge_to_ms:
        assert day.is_twice
        assert offset_s * 1000 in (day.before_ms, day.after_ms)
    else:
        assert offset_s * 1000 == (day.before_ms if local_ms < day.edge_from_ms else day.after_ms)
