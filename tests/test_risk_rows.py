"""Which minutes count and what is asked of them, worked out by hand."""

from __future__ import annotations

import numpy as np

from analysis.risk.rows import Loss, Past, count_within, minutes_since, primary_breaks, rows_of
from analysis.risk.settings import MINUTE_MS, RiskSettings

SETTINGS = RiskSettings()


def ms(minute: float) -> int:
    return round(minute * MINUTE_MS)


def past_of(
    *stretches: tuple[float, float], losses: tuple[Loss, ...] = (), until: float = 10_000, from_: float = 0
) -> Past:
    on_reel = np.array([[ms(a), ms(b)] for a, b in stretches], np.int64)
    return Past(on_reel_ms=on_reel, losses=losses, until_ms=ms(until), from_ms=ms(from_))


def lost(minute: float, kind: str = "break", *, secondary: bool | None = False, section: str = "press") -> Loss:
    return Loss(downtime_id=f"pm2-{minute:g}", kind=kind, started_ms=ms(minute), section=section, secondary=secondary)


def outcomes(past: Past) -> dict[int, int]:
    """Outcome by the minute at whose end it was asked."""
    rows = rows_of(past, primary_breaks(past, SETTINGS), SETTINGS)
    return {int(at // MINUTE_MS): int(o) for at, o in zip(rows.at_ms, rows.outcome, strict=True)}


def test_rows_begin_a_quarter_of_an_hour_after_the_return_and_end_before_the_loss() -> None:
    past = past_of((100, 200.5), losses=(lost(200.5),))

    asked = outcomes(past)

    assert min(asked) == 115
    assert max(asked) == 200


def test_a_minute_that_had_begun_when_the_sheet_came_back_is_no_row() -> None:
    # Back 12 s into minute 100, so the first whole minute on the reel is 101 to 102.
    past = past_of((100.2, 200), losses=(lost(200),))

    assert min(outcomes(past)) == 116


def test_the_outcome_is_one_from_one_horizon_before_a_primary_break() -> None:
    past = past_of((0, 200), losses=(lost(200),))

    asked = outcomes(past)

    assert asked[169] == 0
    assert asked[170] == 1
    assert asked[199] == 1


def test_a_planned_sheet_off_within_the_horizon_leaves_the_outcome_unknown() -> None:
    past = past_of((0, 200), losses=(lost(200, "planned"),))

    asked = outcomes(past)

    assert asked[169] == 0
    assert asked[170] == -1


def test_a_secondary_break_is_not_asked_for() -> None:
    past = past_of((0, 100), (120, 145), losses=(lost(100), lost(145, secondary=True)))

    asked = outcomes(past)

    assert {o for minute, o in asked.items() if minute > 120} == {-1}
    assert len(primary_breaks(past, SETTINGS)) == 1


def test_a_break_after_an_unknown_run_is_primary_if_the_sheet_was_seen_long_enough() -> None:
    seen_long = past_of((0, 31), losses=(lost(31, secondary=None),))
    seen_short = past_of((0, 29), losses=(lost(29, secondary=None),))

    assert len(primary_breaks(seen_long, SETTINGS)) == 1
    assert len(primary_breaks(seen_short, SETTINGS)) == 0


def test_a_data_gap_within_the_horizon_leaves_the_outcome_unknown_but_for_a_break_that_was_seen() -> None:
    gap = past_of((0, 200), (210, 400), losses=(lost(400),))
    gap_and_break = past_of((0, 200), (202, 220), losses=(lost(220, secondary=False),))

    assert outcomes(gap)[180] == -1
    assert outcomes(gap_and_break)[195] == 1


def test_the_end_of_the_data_leaves_the_outcome_unknown() -> None:
    past = past_of((0, 200), until=200)

    asked = outcomes(past)

    assert asked[170] == 0
    assert asked[171] == -1


def test_minutes_that_lead_to_one_loss_have_one_group() -> None:
    past = past_of((0, 100), (120, 200), losses=(lost(100), lost(200)))

    rows = rows_of(past, primary_breaks(past, SETTINGS), SETTINGS)

    assert set(rows.group[rows.at_ms < ms(100)]) == {0}
    assert set(rows.group[rows.at_ms > ms(120)]) == {1}


def test_rows_and_breaks_before_the_time_asked_for_are_left_out() -> None:
    past = past_of((0, 100), (120, 300), losses=(lost(100), lost(300)), from_=150)

    rows = rows_of(past, primary_breaks(past, SETTINGS), SETTINGS)

    assert rows.at_ms[0] == ms(150)
    assert primary_breaks(past, SETTINGS).started_ms.tolist() == [ms(300)]


def test_time_since_an_event_is_unknown_before_the_first() -> None:
    events, at = np.array([ms(10), ms(20)]), np.array([ms(5), ms(10), ms(25)])

    since = minutes_since(events, at)

    np.testing.assert_array_equal(since, [np.nan, 0, 5])
    assert np.isnan(minutes_since(np.empty(0, np.int64), at)).all()


def test_events_are_counted_within_a_stretch_that_ends_now() -> None:
    events = np.array([ms(10), ms(20), ms(30)])

    counted = count_within(events, np.array([ms(30), ms(39.9), ms(40)]), ms(20))

    # At 30 the one at 10 lies just outside; at 40 the one at 20.
    assert counted.tolist() == [2, 2, 1]
