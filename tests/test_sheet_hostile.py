"""Streams that try to mislead a tracker. Every expected row is worked out by hand from TRACKING.md, in the comments.

The machine (streams.ELLERHOLM): detectors press, predryer, afterdryer and reel at 30, 130, 190 and 210 m. At 600 m/min,
10 m/s, the torn end takes 10, 6 and 2 s from one to the next. A detector that falls alone is blind unless one
downstream falls within transport + 5 s (margin) + 2 s (debounce). Times are hh:mm:ss.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import cast

import pytest

from collector import sheet
from collector.fact import Fault, Kind, Outcome, State, StateChanged
from collector.message import Scan, Value
from collector.sheet.gather import clean
from tests.naive_tracker import track
from tests.sheet_adapter import rules_of, run_sheet, sheet_facts
from tests.streams import ELLERHOLM, ROLES, Stream, ms
from tests.tracked import Attempt, Downtime, FaultSpan, Made, Settings, Tracked

Tracker = Callable[[Sequence[Scan], Settings], Tracked]

WITNESSED = replace(ELLERHOLM, roles=ROLES | {"reel_witness": "scanner.basis_weight"})
GATED = replace(ELLERHOLM, roles=ROLES | {"full_width": "reel.full_width"})


@pytest.fixture(params=["naive", "sheet"])
def tracker(request: pytest.FixtureRequest) -> Tracker:
    return {"naive": track, "sheet": run_sheet}[str(request.param)]


def running(until: str) -> Stream:
    """On the reel from midnight, something heard every second."""
    return Stream().beats("00:00:00", until).on_reel()


def near(value: float) -> float:
    """A number that is compared within one in a million."""
    return cast(float, pytest.approx(value))


def clock(rows: Tracked) -> list[tuple[int, int | None, Kind, str | None]]:
    """When each downtime began and ended, its kind and section."""
    return [(row.started_ms, row.ended_ms, row.kind, row.section) for row in rows.downtimes]


def tries(rows: Tracked) -> list[tuple[int, int | None, str | None, Outcome | None]]:
    """When each attempt began and ended, what it reached and how it ended."""
    return [(row.started_ms, row.ended_ms, row.reached_section, row.outcome) for row in rows.attempts]


def fault(tag: str, kind: Fault, start: str, end: str | None) -> FaultSpan:
    return FaultSpan(tag=tag, kind=kind, started_ms=ms(start), ended_ms=ms(end) if end else None)


# ---------------------------------------------------------------- scans, clocks, lateness


def test_a_break_told_one_tag_a_message_is_one_whole_row(tracker: Tracker) -> None:
    stream = Stream().beats("00:00:00", "00:20:00")
    stream.at("00:00:00", order_grade="C80").at("00:00:00.010", scanner_basis_weight=80.0)
    stream.at("00:00:00.020", headbox_stock_on=True).at("00:00:00.030", sheet_press=True)
    stream.at("00:00:00.040", sheet_predryer=True).at("00:00:00.050", sheet_afterdryer=True)
    stream.at("00:00:00.060", sheet_reel=True).at("00:00:00.070", reel_speed=600.0)
    stream.torn_at_press("00:10").threaded("00:12")

    rows = tracker(stream.scans, ELLERHOLM)

    # Speed comes last: the state is known from 00:00:00.070. 600 m/min x 3.4 m x 80 g/m2 x 60 / 1e6 = 9.792 t/h.
    # The run's beginning was not seen, no grade ever changed.
    assert rows.downtimes == [
        Downtime(
            started_ms=ms("00:10:00"),
            ended_ms=ms("00:12:40"),
            kind=Kind.BREAK,
            section="press",
            grade="C80",
            speed_before_m_min=near(600.0),
            rate_before_t_h=near(9.792),
        )
    ]
    assert rows.attempts == [
        Attempt(
            downtime_ms=ms("00:10:00"),
            number=1,
            started_ms=ms("00:12:00"),
            ended_ms=ms("00:12:40"),
            reached_section="reel",
            outcome=Outcome.SUCCESS,
        )
    ]
    assert rows.states == [
        (ms("00:00:00"), State.NO_DATA),
        (ms("00:00:00.070"), State.ON_REEL),
        (ms("00:10:00"), State.DOWN),
        (ms("00:12:00"), State.THREADING),
        (ms("00:12:40"), State.ON_REEL),
    ]
    assert rows.faults == []


def skewed(torn: Sequence[str]) -> Stream:
    """Detectors come from a second source; ``torn`` are the times its clock gives for 00:10:00, :10, :16 and :18."""
    stream = running("00:12:00").beats("00:00:00", "00:00:00", source=1)
    names = ("sheet_press", "sheet_predryer", "sheet_afterdryer", "sheet_reel")
    real = ("00:10:00", "00:10:10", "00:10:16", "00:10:18")
    for name, at, heard in zip(names, torn, real, strict=True):
        stream.at(at, source=1, heard=heard, **{name: False})
    return stream


def test_a_clock_that_is_behind_by_more_than_the_reorder_time_makes_late_values(tracker: Tracker) -> None:
    stream = skewed(("00:09:57", "00:10:07", "00:10:13", "00:10:15"))

    rows = tracker(stream.scans, ELLERHOLM)

    # At 00:10:00 source 0 has moved the watermark to 00:09:59 (00:09:58 before its heartbeat): 00:09:57 is late.
    assert rows.downtimes == []
    assert rows.late == [
        (ms("00:09:57"), "sheet.press"),
        (ms("00:10:07"), "sheet.predryer"),
        (ms("00:10:13"), "sheet.afterdryer"),
        (ms("00:10:15"), "sheet.reel"),
    ]


def test_a_longer_reorder_time_takes_a_clock_that_is_behind(tracker: Tracker) -> None:
    stream = skewed(("00:09:57", "00:10:07", "00:10:13", "00:10:15"))

    rows = tracker(stream.scans, replace(ELLERHOLM, reorder_ms=5_000))

    # Dated by the clock of the source that told it.
    assert clock(rows) == [(ms("00:09:57"), None, Kind.BREAK, "press")]
    assert rows.late == []


def test_a_clock_that_is_ahead_makes_nobody_late(tracker: Tracker) -> None:
    stream = skewed(("00:10:05", "00:10:15", "00:10:21", "00:10:23"))
    stream.at("00:10:03", reel_speed=590.0)

    rows = tracker(stream.scans, ELLERHOLM)

    # Five seconds ahead, but the watermark never passes the time of receipt: the speed of 00:10:03 is in time.
    assert clock(rows) == [(ms("00:10:05"), None, Kind.BREAK, "press")]
    assert rows.late == []


def test_a_value_exactly_as_old_as_the_watermark_is_in_time(tracker: Tracker) -> None:
    stream = skewed(("00:09:59", "00:10:09", "00:10:15", "00:10:17"))

    rows = tracker(stream.scans, ELLERHOLM)

    # Behind by the reorder time of 1 s: late is what is older than the watermark, a scan closes when it is passed.
    assert clock(rows) == [(ms("00:09:59"), None, Kind.BREAK, "press")]
    assert rows.late == []


def test_a_late_value_is_not_used(tracker: Tracker) -> None:
    stream = running("00:12:00").at("00:09:00", heard="00:10:00", reel_speed=0.0, vacuum_couch=40.0)

    rows = tracker(stream.scans, ELLERHOLM)

    # A speed of 0 from 00:09:00 on would be a stop. Only the role value is late: the vacuum is no role.
    assert rows.downtimes == []
    assert rows.late == [(ms("00:09:00"), "reel.speed")]


def test_of_two_values_of_one_millisecond_the_later_arrived_holds(tracker: Tracker) -> None:
    stream = running("00:12:00")
    stream.at("00:10:00", reel_speed=0.0).at("00:10:00", heard="00:10:00.500", reel_speed=600.0)

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.downtimes == []


def test_what_came_within_the_last_second_counts_at_the_end_of_a_load(tracker: Tracker) -> None:
    stream = running("00:10:00").at("00:10:00.400", headbox_stock_on=False).at("00:10:00.800", order_grade="C70")

    rows = tracker(stream.scans, ELLERHOLM)

    # Nothing waits any longer for what might still come before it.
    assert rows.states == [(ms("00:00:00"), State.ON_REEL), (ms("00:10:00.400"), State.STOCK_OFF)]


@pytest.mark.parametrize(
    ("role", "value", "taken"),
    [
        ("speed", 600, 600.0),
        ("speed", True, None),
        ("speed", "fault", None),
        ("basis_weight", "80", None),
        ("grade", "C80", "C80"),
        ("grade", 80.0, "80"),
        ("reel", 1041.5, "1041.5"),
        ("reel", True, None),
        ("stock_on", "on", None),
        ("stock_on", 1.0, True),
        ("stock_on", 0.0, False),
        ("d1", 0.2, True),
        ("d1", "", None),
        ("reel_witness", 0.4, True),
        ("reel_witness", 0.0, False),
        ("reel_witness", -0.1, False),
        ("reel_witness", "dry", None),
        ("planned", None, None),
    ],
)
def test_a_value_is_taken_as_its_role_needs_it_or_is_bad(role: str, value: Value, taken: Value) -> None:
    found = clean(role, value)

    assert found == taken
    assert type(found) is type(taken)


def test_retained_values_set_what_was_not_heard_and_nothing_else(tracker: Tracker) -> None:
    stream = Stream().at("00:00:00", initial=True, sheet_press=True, sheet_predryer=True, sheet_afterdryer=True)
    stream.at("00:00:00", initial=True, sheet_reel=True, order_grade="C80")
    stream.at("00:00:01", reel_speed=600.0).beats("00:00:02", "00:05:00")
    stream.at("00:02:00", initial=True, reel_speed=0.0, sheet_reel=False, order_shade="white")

    rows = tracker(stream.scans, ELLERHOLM)

    # The first scan is that of 00:00:01: with it all is known. Of what comes at 00:02:00 only the shade is new: a
    # first shade, no change of grade run.
    assert rows.states == [(ms("00:00:01"), State.ON_REEL)]
    assert rows.downtimes == []
    assert rows.grade_runs[0] == (ms("00:00:01"), "C80", None, True)
    assert [run[1:] for run in rows.grade_runs[1:]] == [("C80", "white", True)]


def test_a_first_scan_overrules_what_was_retained(tracker: Tracker) -> None:
    stream = Stream().at("00:00:00", initial=True, sheet_reel=False, reel_speed=0.0)
    stream.on_reel("00:00:01").beats("00:00:02", "00:05:00")

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.states == [(ms("00:00:01"), State.ON_REEL)]
    assert rows.flickers == []


# ---------------------------------------------------------------- eyes that lie


def test_a_dead_photo_eye_is_blind_and_no_break(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_predryer=False).at("00:15:00", sheet_predryer=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Afterdryer would fall until 00:10:13 (6 + 5 + 2 s), reel until 00:10:15 (8 + 5 + 2 s): neither does.
    assert rows.downtimes == []
    assert rows.faults == [fault("sheet.predryer", Fault.BLIND, "00:10:00", "00:15:00")]
    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]


@pytest.mark.parametrize(("fell", "section"), [("00:10:13", "predryer"), ("00:10:13.001", "afterdryer")])
def test_the_window_for_the_next_detector_includes_its_last_moment(tracker: Tracker, fell: str, section: str) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_predryer=False).at(fell, sheet_afterdryer=False)
    stream.at("00:10:15.100", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # 60 m at 10 m/s = 6 s, + 5 s + 2 s = 13 s. One ms later predryer is blind, and afterdryer, with the reel
    # falling within 2 + 5 + 2 s = 9 s, is a loss of its own. The reel's window of predryer ends at 00:10:15.
    assert [row.section for row in rows.downtimes] == [section]


@pytest.mark.parametrize(("fell", "kinds"), [("00:10:18.200", [Kind.BREAK]), ("00:10:18.201", [])])
def test_the_torn_end_is_followed_at_the_speeds_that_it_runs_at(tracker: Tracker, fell: str, kinds: list[Kind]) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False).at("00:10:04", reel_speed=500.0)
    stream.at(fell, sheet_predryer=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # Of 100 m, 40 m in 4 s at 600 m/min and 60 m in 7.2 s at 500: there after 11.2 s, + 5 s + 2 s. A millisecond later
    # both eyes are merely blind: nothing further down falls.
    assert [row.kind for row in rows.downtimes] == kinds


def test_a_blind_detector_is_passed_over_by_a_real_break(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:05:00", sheet_press=False)
    stream.at("00:10:00", sheet_predryer=False).at("00:10:06", sheet_afterdryer=False).at("00:10:08", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "predryer")]
    assert rows.faults == [fault("sheet.press", Fault.BLIND, "00:05:00", None)]


def test_an_eye_dirtied_during_a_break_does_not_keep_the_sheet_off(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10")
    stream.at("00:12:00", sheet_press=True).at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True)
    stream.at("00:15:00", sheet_predryer=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # At 00:12:40 the reel rises and goes on; only predryer does not see, and not before 00:13:10: blind from there.
    # Judged with that trust the frontier goes from 3 to 4: back on reel, and the attempt of 00:12:00 (0 to 1) ends.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:00"), ms("00:12:40"), "reel", Outcome.SUCCESS)]
    assert rows.faults == [fault("sheet.predryer", Fault.BLIND, "00:12:40", "00:15:00")]


def test_the_first_eye_too_is_shown_blind_by_the_reel(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:12:20", sheet_predryer=True)
    stream.at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True).at("00:15:00", sheet_press=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # The press eye does not see until 00:15:00, the reel sees from 00:12:40 on. With that trust 3 of 4 become 4.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:40"), ms("00:12:40"), "reel", Outcome.SUCCESS)]
    assert rows.faults == [fault("sheet.press", Fault.BLIND, "00:12:40", "00:15:00")]


def test_a_reel_that_has_been_seeing_for_long_still_shows_the_last_dirty_eye(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:12:30", sheet_afterdryer=True)
    stream.at("00:12:35", sheet_reel=True).at("00:13:10", sheet_press=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Until 00:13:10, 35 s after the reel rose, two eyes do not see: that shows nothing. Then predryer alone does not.
    assert clock(rows) == [(ms("00:10:00"), ms("00:13:10"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:13:10"), ms("00:13:10"), "reel", Outcome.SUCCESS)]
    assert rows.faults == [fault("sheet.predryer", Fault.BLIND, "00:13:10", None)]


def test_a_dirtied_eye_is_blind_even_if_the_sheet_is_lost_right_after_its_confirmation(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:12:00", sheet_press=True)
    stream.at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True).at("00:13:10", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # The reel went on seeing for 30 s: blind, back on reel, and a new loss.
    assert clock(rows) == [
        (ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press"),
        (ms("00:13:10"), None, Kind.BREAK, "reel"),
    ]
    assert rows.faults == [fault("sheet.predryer", Fault.BLIND, "00:12:40", None)]


def test_an_eye_dirtied_while_the_return_is_being_confirmed_is_blind(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").threaded("00:12").at("00:12:50", sheet_predryer=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # Judged as on the reel: nothing downstream falls within 13 and 15 s.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:00"), ms("00:12:40"), "reel", Outcome.SUCCESS)]
    assert rows.faults == [fault("sheet.predryer", Fault.BLIND, "00:12:50", None)]


def test_a_first_eye_dirtied_while_the_return_is_confirmed_is_blind_though_the_next_one_winks(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").threaded("00:12").at("00:12:50", sheet_press=False)
    stream.at("00:12:58", sheet_predryer=False).at("00:13:01", sheet_predryer=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Predryer falls when a torn end would be there (10 s + 5 s + 2 s), but the reel goes on seeing to 00:13:20: of
    # those that did not see at 00:12:50, the press eye alone does not see until then. Predryer sees again after 3 s.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert sorted(rows.faults, key=lambda one: one.started_ms) == [
        fault("sheet.press", Fault.BLIND, "00:12:50", None),
        fault("sheet.predryer", Fault.BLIND, "00:12:58", "00:13:01"),
    ]


def test_a_detector_that_becomes_trusted_again_is_neither_rise_nor_fall(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False).at("00:10:10", sheet_predryer=False)
    stream.at("00:10:16", sheet_afterdryer=False).at("00:10:18", sheet_reel=False).at("00:10:30", sheet_predryer=None)
    stream.at("00:12:00", sheet_press=True).at("00:12:10", sheet_predryer=False).at("00:12:20", sheet_predryer=True)
    stream.at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Bad from 00:10:30 and passed over: at 00:12:00 the frontier rises from 0 to 2. Known again at 00:12:10 it stands
    # at 1 without having fallen.
    assert tries(rows) == [(ms("00:12:00"), ms("00:12:40"), "reel", Outcome.SUCCESS)]
    assert rows.faults == [fault("sheet.predryer", Fault.BAD, "00:10:30", "00:12:10")]


def test_two_dirty_eyes_are_more_likely_one_reel_detector_that_lies(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:12:00", sheet_press=True).at("00:12:40", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # The frontier stays 1. Upstream of the reel, afterdryer does not see: stuck from 00:12:40 (2 + 5 s allowed).
    # The attempt of 00:12:00 stands still: held 300 s later.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:00"), ms("00:17:00"), "press", Outcome.HELD)]
    assert rows.faults == [fault("sheet.reel", Fault.STUCK, "00:12:40", None)]


def test_a_detector_that_goes_on_seeing_alone_is_stuck(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False).at("00:10:10", sheet_predryer=False)
    stream.at("00:10:18", sheet_reel=False).threaded("00:12")

    rows = tracker(stream.scans, ELLERHOLM)

    # Both neighbours have lost it at 00:10:18; 60 m at 10 m/s + 5 s = 11 s are over long before predryer sees again
    # at 00:12:20. Afterdryer stays trusted: the frontier at 00:12:20 is 3.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert rows.faults == [fault("sheet.afterdryer", Fault.STUCK, "00:10:18", "00:12:20")]


@pytest.mark.parametrize(("lets_go", "stuck"), [("00:10:29", False), ("00:10:29.001", True)])
def test_a_detector_is_stuck_when_it_sees_for_longer_than_the_allowed_time(
    tracker: Tracker, lets_go: str, stuck: bool
) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False).at("00:10:10", sheet_predryer=False)
    stream.at("00:10:18", sheet_reel=False).at(lets_go, sheet_afterdryer=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # 60 m from the upstream neighbour at 10 m/s + 5 s = 11 s from 00:10:18, when both have lost it.
    assert rows.faults == ([fault("sheet.afterdryer", Fault.STUCK, "00:10:18", lets_go)] if stuck else [])


def test_a_detector_that_sees_a_standing_sheet_is_not_stuck(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False).at("00:10:10", sheet_predryer=False)
    stream.at("00:10:18", sheet_reel=False).at("00:10:20", reel_speed=0.0)

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.faults == []


# ---------------------------------------------------------------- debounce


def test_a_flicker_below_the_debounce_time_changes_nothing_and_is_counted(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at("00:10:01.999", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.downtimes == []
    assert rows.flickers == [(ms("00:10:00"), "sheet.reel")]


def test_a_change_of_exactly_the_debounce_time_counts(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at("00:10:02", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # The reel alone, no witness: a break. It is back after 2 s, and stays.
    assert clock(rows) == [(ms("00:10:00"), ms("00:10:02"), Kind.BREAK, "reel")]
    assert tries(rows) == [(ms("00:10:02"), ms("00:10:02"), "reel", Outcome.SUCCESS)]
    assert rows.flickers == []


# ---------------------------------------------------------------- where it broke


def test_a_knock_off_does_not_move_the_section(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_afterdryer=False).at("00:10:02", sheet_reel=False)
    stream.at("00:10:04", sheet_press=False, sheet_predryer=False)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "afterdryer")]
    assert not rows.downtimes[0].location_tied


def test_two_detectors_lost_in_one_scan_are_tied(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_predryer=False, sheet_afterdryer=False)
    stream.at("00:10:02", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # The most upstream of them.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "predryer")]
    assert rows.downtimes[0].location_tied
    assert not rows.downtimes[0].at_reel


def test_an_eye_first_heard_of_in_the_scan_of_a_loss_ties_nothing(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_press=False, sheet_predryer=False)
    stream.at("00:10:16", sheet_afterdryer=False).at("00:10:18", sheet_reel=False)
    stream.made = [
        replace(scan, values={tag: value for tag, value in scan.values.items() if tag != "sheet.predryer"})
        if scan.at_ms == ms("00:00:00")
        else scan
        for scan in stream.made
    ]

    rows = tracker(stream.scans, ELLERHOLM)

    # Predryer has nothing to say of where the sheet was lost: it did not see it before either.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "press")]
    assert not rows.downtimes[0].location_tied


def test_a_break_far_from_the_reel_is_witnessed_however_slowly_the_tail_runs_out(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:05:00", reel_speed=120.0)
    stream.at("00:10:00", sheet_press=False).at("00:10:50", sheet_predryer=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # 100 m at 2 m/s: the next eye falls after 50 s, long after the 15 s in which one at the reel would be witnessed.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "press")]
    assert not rows.downtimes[0].unwitnessed


def test_the_reel_alone_without_a_witness_is_an_unwitnessed_break(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "reel")]
    assert rows.downtimes[0].unwitnessed
    assert rows.downtimes[0].at_reel


@pytest.mark.parametrize(("knocked_off", "unwitnessed"), [("00:10:15", False), ("00:10:15.001", True)])
def test_a_knock_off_within_the_trip_window_witnesses_a_break_at_the_reel(
    tracker: Tracker, knocked_off: str, unwitnessed: bool
) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at(knocked_off, sheet_press=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # 15 s, the last moment included.
    assert [row.unwitnessed for row in rows.downtimes] == [unwitnessed]


def test_a_reel_detector_that_a_witness_contradicts_is_blind(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at("00:15:00", sheet_reel=True)

    rows = tracker(stream.scans, WITNESSED)

    # Grammage stays at 80 g/m2 through 00:10:07 (5 + 2 s).
    assert rows.downtimes == []
    assert rows.faults == [fault("sheet.reel", Fault.BLIND, "00:10:00", "00:15:00")]


@pytest.mark.parametrize("stops", ["00:10:00", "00:10:05", "00:10:07"])
def test_a_witness_that_stops_in_time_confirms_the_break(tracker: Tracker, stops: str) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at(stops, scanner_basis_weight=0.0)

    rows = tracker(stream.scans, WITNESSED)

    # At every moment up to 00:10:07, that one included.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "reel")]
    assert not rows.downtimes[0].unwitnessed


def test_a_witness_that_falls_silent_too_soon_cannot_contradict(tracker: Tracker) -> None:
    stream = silent("00:10:05", "00:12:00", "00:20:00").at("00:10:00", sheet_reel=False)

    rows = tracker(stream.scans, WITNESSED)

    # It was to show sheet through 00:10:07; nothing is known after 00:10:05.
    assert clock(rows) == [(ms("00:10:00"), None, Kind.BREAK, "reel")]


def test_a_blind_reel_detector_is_believed_again_when_the_witness_stops(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at("00:12:00", scanner_basis_weight=0.0)

    rows = tracker(stream.scans, WITNESSED)

    # It falls at that moment.
    assert clock(rows) == [(ms("00:12:00"), None, Kind.BREAK, "reel")]
    assert rows.downtimes[0].at_reel
    assert rows.faults == [fault("sheet.reel", Fault.BLIND, "00:10:00", "00:12:00")]


# ---------------------------------------------------------------- gaps


def silent(start: str, end: str, until: str) -> Stream:
    """On the reel from midnight, something heard every second but between two moments."""
    return Stream().beats("00:00:00", start).beats(end, until).on_reel()


def test_a_gap_in_mid_break_leaves_it_open_and_its_end_uncertain(tracker: Tracker) -> None:
    stream = silent("00:10:50", "00:12:30", "00:20:00").torn_at_press("00:10").threaded("00:14")

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms("00:10:00"), ms("00:14:40"), Kind.BREAK, "press")]
    assert rows.downtimes[0].end_uncertain
    assert rows.states == [
        (ms("00:00:00"), State.ON_REEL),
        (ms("00:10:00"), State.DOWN),
        (ms("00:10:50"), State.NO_DATA),
        (ms("00:12:30"), State.DOWN),
        (ms("00:14:00"), State.THREADING),
        (ms("00:14:40"), State.ON_REEL),
    ]


def test_a_sheet_that_came_back_within_a_gap_is_back_at_the_first_scan_after_it(tracker: Tracker) -> None:
    stream = silent("00:10:50", "00:12:30", "00:20:00").torn_at_press("00:10")
    stream.at("00:12:30", sheet_press=True, sheet_predryer=True, sheet_afterdryer=True, sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Compared with before the gap the frontier rises from 0 to 4 at 00:12:30.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:30"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:30"), ms("00:12:30"), "reel", Outcome.SUCCESS)]
    assert rows.downtimes[0].end_uncertain


def test_a_gap_within_the_confirmation_judges_the_return_anew(tracker: Tracker) -> None:
    stream = silent("00:13:00", "00:15:00", "00:20:00").torn_at_press("00:10").threaded("00:12")

    rows = tracker(stream.scans, ELLERHOLM)

    # At the reel from 00:12:40, known only to 00:13:00, 20 s: not confirmed. Still there at 00:15:00, and for 30 s.
    assert clock(rows) == [(ms("00:10:00"), ms("00:15:00"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:00"), ms("00:15:00"), "reel", Outcome.SUCCESS)]


def test_a_gap_on_the_reel_with_the_sheet_kept_hides_only_the_length_of_the_run(tracker: Tracker) -> None:
    stream = silent("00:20:00", "00:22:00", "01:00:00").torn_at_press("00:10").threaded("00:12")
    stream.torn_at_press("00:30").threaded("00:32").torn_at_press("00:40").threaded("00:42")

    rows = tracker(stream.scans, ELLERHOLM)

    # 1st: the return before it was not seen. 2nd: a gap since 00:12:40. 3rd: 00:32:40 to 00:40:00 = 440 s.
    assert [row.kind for row in rows.downtimes] == [Kind.BREAK] * 3
    assert [row.on_reel_before_ms for row in rows.downtimes] == [None, None, 440_000]
    assert (ms("00:20:00"), State.NO_DATA) in rows.states
    assert (ms("00:22:00"), State.ON_REEL) in rows.states


def test_a_silence_of_exactly_the_stale_time_is_no_gap(tracker: Tracker) -> None:
    stream = silent("00:10:00", "00:11:00", "00:20:00")

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]


def test_a_sheet_gone_after_a_gap_is_an_unknown_downtime(tracker: Tracker) -> None:
    stream = silent("00:10:00", "00:12:00", "00:20:00").at(
        "00:12:00", sheet_press=False, sheet_predryer=False, sheet_afterdryer=False, sheet_reel=False
    )
    stream.threaded("00:14")

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.downtimes == [
        Downtime(
            started_ms=ms("00:12:00"), ended_ms=ms("00:14:40"), kind=Kind.UNKNOWN, section=None, start_uncertain=True
        )
    ]


def test_values_of_the_first_scan_after_a_gap_hold_at_once(tracker: Tracker) -> None:
    stream = silent("00:10:00", "00:12:00", "00:20:00").at("00:12:00", sheet_reel=False)
    stream.at("00:12:01", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # One second would not be enough without the gap. The rise at 00:12:01 lasts.
    assert clock(rows) == [(ms("00:12:00"), ms("00:12:01"), Kind.UNKNOWN, None)]
    assert rows.flickers == []


@pytest.mark.parametrize(
    ("shown", "kind", "section"), [("00:12:02", Kind.UNKNOWN, None), ("00:12:02.001", Kind.BREAK, "press")]
)
def test_a_loss_shown_within_the_debounce_time_after_a_gap_belongs_to_the_gap(
    tracker: Tracker, shown: str, kind: Kind, section: str | None
) -> None:
    stream = silent("00:10:00", "00:12:00", "00:20:00").at(shown, sheet_press=False)
    stream.at("00:12:12", sheet_predryer=False).at("00:12:18", sheet_afterdryer=False).at("00:12:20", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms(shown), None, kind, section)]


def test_a_break_in_the_shadow_of_a_gap_is_not_dated_into_it(tracker: Tracker) -> None:
    stream = silent("00:10:01", "00:12:00", "00:20:00").at("00:10:00", sheet_press=False)
    stream.at("00:12:00", sheet_press=False, sheet_predryer=False, sheet_afterdryer=False, sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # Press had not been away for 2 s when the gap began: forgotten. Nothing but unknown is left.
    assert clock(rows) == [(ms("00:12:00"), None, Kind.UNKNOWN, None)]
    assert rows.faults == []
    assert rows.flickers == []


def test_what_has_not_fallen_before_a_gap_has_not_fallen(tracker: Tracker) -> None:
    stream = silent("00:10:05", "00:12:00", "00:20:00").at("00:10:00", sheet_press=False)
    stream.at("00:12:00", sheet_predryer=False, sheet_afterdryer=False, sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # Press, away for 5 s, is a fall; the gap ends its window (17 s to predryer): blind. After the gap: unknown.
    assert clock(rows) == [(ms("00:12:00"), None, Kind.UNKNOWN, None)]
    assert rows.faults == [fault("sheet.press", Fault.BLIND, "00:10:00", None)]


def test_an_unconfirmed_change_that_nobody_takes_back_holds_after_the_gap(tracker: Tracker) -> None:
    stream = silent("00:10:01", "00:12:00", "00:20:00")
    stream.at("00:10:01", sheet_press=False, sheet_predryer=False, sheet_afterdryer=False, sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # The last thing the detectors said is that there is no sheet. It is not dated back before the gap.
    assert clock(rows) == [(ms("00:12:00"), None, Kind.UNKNOWN, None)]


# ---------------------------------------------------------------- bad quality


@pytest.mark.parametrize(("good", "lost_sight"), [("00:10:59", False), ("00:11:00", False), ("00:11:01", True)])
def test_a_speed_that_is_bad_for_longer_than_the_stale_time_is_no_data(
    tracker: Tracker, good: str, lost_sight: bool
) -> None:
    stream = running("00:20:00").at("00:10:00", reel_speed=None).at(good, reel_speed=600.0)

    rows = tracker(stream.scans, ELLERHOLM)

    # From the first null to the next good value; 60 s are not longer than 60 s.
    seen = [(ms("00:10:00"), State.NO_DATA), (ms(good), State.ON_REEL)]
    assert rows.states == [(ms("00:00:00"), State.ON_REEL), *(seen if lost_sight else [])]
    assert rows.downtimes == []
    assert rows.faults == []


def test_a_speed_of_the_wrong_type_is_bad(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", reel_speed="fault").at("00:12:00", reel_speed=600.0)

    rows = tracker(stream.scans, ELLERHOLM)

    assert (ms("00:10:00"), State.NO_DATA) in rows.states


def test_a_bad_detector_is_a_fault_and_not_trusted(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:05:00", sheet_predryer=None).torn_at_press("00:10")
    stream.made = [scan for scan in stream.made if "sheet.predryer" not in scan.values or scan.at_ms < ms("00:06:00")]
    stream.at("00:12:00", sheet_press=True).at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Passed over: at 00:12:00 press and predryer count (2), at 00:12:30 afterdryer (3), at 00:12:40 all.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert rows.faults == [fault("sheet.predryer", Fault.BAD, "00:05:00", None)]


def test_an_eye_that_went_bad_without_the_sheet_does_not_keep_it_off(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:11:00", sheet_predryer=None)
    stream.at("00:12:00", sheet_press=True).at("00:12:30", sheet_afterdryer=True).at("00:12:40", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # Bad since 00:11:00, so passed over, though the last it said was that it sees nothing.
    assert clock(rows) == [(ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press")]
    assert rows.faults == [fault("sheet.predryer", Fault.BAD, "00:11:00", None)]


def test_where_staleness_is_switched_off_a_bad_value_changes_nothing(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:05:00", sheet_predryer=None).at("00:06:00", reel_speed=None)

    rows = tracker(stream.scans, replace(ELLERHOLM, stale_after_ms=0))

    # What was last known holds, for as long as it takes.
    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]
    assert rows.faults == []


def test_a_moment_of_bad_quality_is_no_flicker(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=None).at("00:10:01", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.flickers == []
    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]


def test_a_bad_reel_detector_is_no_data(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:10:00", sheet_reel=None).at("00:12:00", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    assert rows.states == [
        (ms("00:00:00"), State.ON_REEL),
        (ms("00:10:00"), State.NO_DATA),
        (ms("00:12:00"), State.ON_REEL),
    ]
    assert rows.faults == [fault("sheet.reel", Fault.BAD, "00:10:00", "00:12:00")]


# ---------------------------------------------------------------- missed heartbeats

EYES = {"sheet_press": True, "sheet_predryer": True, "sheet_afterdryer": True, "sheet_reel": True}
TWO_GATEWAYS = replace(ELLERHOLM, heartbeats={1: 30_000})


def two_gateways(*, dies: str, **eyes: Value) -> Stream:
    """Source 0 tells of the machine each second for 20 min, source 1 of its eyes, every 10 s until it dies."""
    stream = running("00:20:00").at("00:00:01", source=1, **(eyes or EYES))
    return stream.beats("00:00:10", dies, every_ms=10_000, source=1)


@pytest.mark.parametrize(("back", "lost_sight"), [("00:11:29", False), ("00:11:30", False), ("00:11:31", True)])
def test_a_gateway_that_dies_while_another_lives_loses_sight_of_the_sheet(
    tracker: Tracker, back: str, lost_sight: bool
) -> None:
    stream = two_gateways(dies="00:10:00").beats(back, "00:20:00", every_ms=10_000, source=1)

    rows = tracker(stream.scans, TWO_GATEWAYS)

    # Null from 00:10:30 on; 60 s of it are not longer than 60 s. It comes back with a heartbeat only: nothing changed.
    seen = [(ms("00:10:30"), State.NO_DATA), (ms(back), State.ON_REEL)]
    assert rows.states == [(ms("00:00:00"), State.ON_REEL), *(seen if lost_sight else [])]
    assert rows.downtimes == []
    bad = [fault(name.replace("_", "."), Fault.BAD, "00:10:30", back) for name in EYES]
    assert sorted(rows.faults, key=repr) == (sorted(bad, key=repr) if lost_sight else [])


def test_without_a_heartbeat_a_silent_source_is_one_that_has_nothing_to_say(tracker: Tracker) -> None:
    rows = tracker(two_gateways(dies="00:10:00").scans, ELLERHOLM)

    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]
    assert rows.faults == []


def test_a_sheet_that_is_gone_when_the_gateway_is_back_was_lost_at_an_unknown_time(tracker: Tracker) -> None:
    stream = two_gateways(dies="00:10:00").at("00:15:00", source=1, sheet_press=False, sheet_predryer=False)
    stream.beats("00:15:10", "00:20:00", every_ms=10_000, source=1)

    rows = tracker(stream.scans, TWO_GATEWAYS)

    assert clock(rows) == [(ms("00:15:00"), None, Kind.UNKNOWN, None)]
    assert rows.states[1:] == [(ms("00:10:30"), State.NO_DATA), (ms("00:15:00"), State.DOWN)]


def test_a_gateway_of_one_eye_that_dies_leaves_the_others_to_see(tracker: Tracker) -> None:
    stream = two_gateways(dies="00:10:00", sheet_predryer=True).at("00:15:00", sheet_press=False)
    stream.at("00:15:16", sheet_afterdryer=False).at("00:15:18", sheet_reel=False)

    rows = tracker(stream.scans, TWO_GATEWAYS)

    # The afterdryer falls 16 s after the press, as the torn end runs (160 m at 10 m/s): a break at the press.
    assert clock(rows) == [(ms("00:15:00"), None, Kind.BREAK, "press")]
    assert rows.faults == [fault("sheet.predryer", Fault.BAD, "00:10:30", None)]


def test_a_silence_of_all_is_a_gap_and_the_gateway_that_stays_away_after_it_is_dead(tracker: Tracker) -> None:
    stream = two_gateways(dies="00:10:00").beats("00:14:00", "00:20:00", every_ms=10_000, source=1)
    stream.made = [scan for scan in stream.made if scan.source or not ms("00:10:00") < scan.at_ms < ms("00:12:00")]

    rows = tracker(stream.scans, TWO_GATEWAYS)

    # 00:10:30 lies in the gap, so the eyes are bad with the first scan after it, and until their gateway is back.
    assert rows.states[1:] == [(ms("00:10:00"), State.NO_DATA), (ms("00:14:00"), State.ON_REEL)]
    assert fault("sheet.press", Fault.BAD, "00:12:00", "00:14:00") in rows.faults


def test_a_role_that_another_source_took_over_lives_on(tracker: Tracker) -> None:
    stream = two_gateways(dies="00:10:00").at("00:10:20", sheet_reel=True).beats("00:15:00", "00:15:00", source=1)

    rows = tracker(stream.scans, TWO_GATEWAYS)

    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]
    assert {each.tag for each in rows.faults} == {"sheet.press", "sheet.predryer", "sheet.afterdryer"}


@pytest.mark.parametrize(("heartbeats", "from_", "until"), [({}, "00:10:30", "00:15:00"), ({1: 2_000}, None, None)])
def test_a_heartbeat_may_be_changed_in_mid_silence(
    heartbeats: dict[int, int], from_: str | None, until: str | None
) -> None:
    """Taken away, what it made bad is good again with the next scan; made shorter, what is overdue is due at once."""
    before = replace(TWO_GATEWAYS, heartbeats={1: 30_000} if from_ else {1: 900_000})
    stream = two_gateways(dies="00:10:00").scans
    early = [scan for scan in stream if scan.at_ms < ms("00:15:00")]
    late = [scan for scan in stream if scan.at_ms > ms("00:15:00")]
    state = sheet.fresh(4)

    facts = sheet.advance(rules_of(before), state, early)
    facts += sheet.advance(rules_of(replace(before, heartbeats=heartbeats)), state, late)

    told = [(fact.at_ms, fact.state) for fact in facts if isinstance(fact, StateChanged)]
    # The newest second waits for its order over the change: the scan of 00:14:58 is the last that closed before it.
    if from_:
        assert told[1:] == [(ms(from_), State.NO_DATA), (ms("00:14:58"), State.ON_REEL)]
    else:
        assert told[1:] == [(ms("00:14:58"), State.NO_DATA)]


# ---------------------------------------------------------------- start and standing sheet


def test_a_machine_first_seen_while_down_is_an_unknown_downtime(tracker: Tracker) -> None:
    stream = Stream().beats("00:00:00", "00:20:00").at("00:00:00", reel_speed=600.0, order_grade="C80")
    stream.at("00:00:00", sheet_press=False, sheet_predryer=False, sheet_afterdryer=False, sheet_reel=False)
    stream.threaded("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    # Nothing of its context was seen, the grade neither.
    assert rows.downtimes == [
        Downtime(started_ms=ms("00:00:00"), ended_ms=ms("00:10:40"), kind=Kind.UNKNOWN, start_uncertain=True)
    ]
    assert tries(rows) == [(ms("00:10:00"), ms("00:10:40"), "reel", Outcome.SUCCESS)]


def test_a_machine_first_seen_with_a_reel_eye_that_its_witness_contradicts_is_on_the_reel(tracker: Tracker) -> None:
    stream = Stream().beats("00:00:00", "00:20:00").at("00:00:00", reel_speed=600.0, scanner_basis_weight=80.0)
    stream.at("00:00:00", sheet_press=True, sheet_predryer=True, sheet_afterdryer=True, sheet_reel=False)

    rows = tracker(stream.scans, WITNESSED)

    assert rows.downtimes == []
    assert rows.states == [(ms("00:00:00"), State.ON_REEL)]
    assert rows.faults == [fault("sheet.reel", Fault.BLIND, "00:00:00", None)]


def test_a_standing_sheet_is_not_on_the_reel(tracker: Tracker) -> None:
    stream = running("00:40:00").at("00:10:00", reel_speed=0.0).at("00:20:00", reel_speed=30.0)
    stream.at("00:30:00", reel_speed=600.0)

    rows = tracker(stream.scans, ELLERHOLM)

    # No detector ever loses it. Below 50 m/min the frontier is 0; it rises from 0 to 4 at 00:30:00.
    assert clock(rows) == [(ms("00:10:00"), ms("00:30:00"), Kind.STOP, None)]
    assert tries(rows) == [(ms("00:30:00"), ms("00:30:00"), "reel", Outcome.SUCCESS)]
    assert rows.states == [
        (ms("00:00:00"), State.ON_REEL),
        (ms("00:10:00"), State.STOPPED),
        (ms("00:30:00"), State.ON_REEL),
    ]
    assert rows.faults == []


# ---------------------------------------------------------------- threading


@pytest.mark.parametrize("torn", ["00:13:09", "00:13:09.999"])
def test_a_tail_that_breaks_within_30_s_after_it_got_to_the_reel_is_another_try(tracker: Tracker, torn: str) -> None:
    stream = running("00:20:00").torn_at_press("00:10").threaded("00:12")
    stream.at(torn, sheet_reel=False).at("00:14:00", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # 00:12:40 + 30 s is 00:13:10.
    assert clock(rows) == [(ms("00:10:00"), ms("00:14:00"), Kind.BREAK, "press")]
    assert tries(rows) == [
        (ms("00:12:00"), ms(torn), "reel", Outcome.FAILED),
        (ms("00:14:00"), ms("00:14:00"), "reel", Outcome.SUCCESS),
    ]


def test_a_sheet_lost_exactly_30_s_after_its_return_is_a_new_break(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").threaded("00:12").at("00:13:10", sheet_reel=False)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [
        (ms("00:10:00"), ms("00:12:40"), Kind.BREAK, "press"),
        (ms("00:13:10"), None, Kind.BREAK, "reel"),
    ]
    assert rows.downtimes[1].on_reel_before_ms == 30_000


def test_an_attempt_that_stands_still_is_held(tracker: Tracker) -> None:
    stream = running("00:30:00").torn_at_press("00:10").at("00:12:00", sheet_press=True)
    stream.at("00:12:20", sheet_predryer=True).at("00:20:00", sheet_afterdryer=True).at("00:20:10", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    # The last rise was at 00:12:20: held 300 s later at predryer.
    assert tries(rows) == [
        (ms("00:12:00"), ms("00:17:20"), "predryer", Outcome.HELD),
        (ms("00:20:00"), ms("00:20:10"), "reel", Outcome.SUCCESS),
    ]
    assert (ms("00:17:20"), State.DOWN) in rows.states


@pytest.mark.parametrize(("rises", "count"), [("00:17:19.999", 1), ("00:17:20", 2)])
def test_a_rise_when_the_pause_is_just_over_starts_a_new_attempt(tracker: Tracker, rises: str, count: int) -> None:
    stream = running("00:30:00").torn_at_press("00:10").at("00:12:00", sheet_press=True)
    stream.at("00:12:20", sheet_predryer=True).at(rises, sheet_afterdryer=True).at("00:17:30", sheet_reel=True)

    rows = tracker(stream.scans, ELLERHOLM)

    assert len(rows.attempts) == count
    assert rows.downtimes[0].ended_ms == ms("00:17:30")


def test_no_state_is_told_that_lasts_no_time() -> None:
    stream = running("00:30:00").torn_at_press("00:10").at("00:12:00", sheet_press=True)
    stream.at("00:17:00", sheet_predryer=True).at("00:20:00", sheet_afterdryer=True)

    told = [fact.at_ms for fact in sheet_facts(stream.scans, ELLERHOLM) if isinstance(fact, StateChanged)]

    # Held at 00:17:00, the moment at which the next rise begins a new attempt: threading goes on.
    # Held again 5 min after the rise of 00:20:00.
    assert told == [ms(at) for at in ("00:00:00", "00:10:00", "00:12:00", "00:25:00")]


def test_a_tail_at_the_reel_is_not_back_before_it_is_wide(tracker: Tracker) -> None:
    stream = running("00:30:00").at("00:00:00", reel_full_width=True).torn_at_press("00:10")
    stream.at("00:11:00", reel_full_width=False).threaded("00:12").at("00:13:20", reel_full_width=True)
    stream.at("00:20:00", reel_full_width=False)

    rows = tracker(stream.scans, GATED)

    # At the reel since 00:12:40, wide since 00:13:20. Losing the width at 00:20:00 is no loss.
    assert clock(rows) == [(ms("00:10:00"), ms("00:13:20"), Kind.BREAK, "press")]
    assert tries(rows) == [(ms("00:12:00"), ms("00:13:20"), "reel", Outcome.SUCCESS)]


# ---------------------------------------------------------------- kinds


def test_a_planned_signal_that_stays_true_makes_one_downtime_planned_not_the_next(tracker: Tracker) -> None:
    stream = running("00:40:00").at("00:09:50", crew_sheet_off=True).torn_at_press("00:10").threaded("00:12")
    stream.torn_at_press("00:20")

    rows = tracker(stream.scans, ELLERHOLM)

    # It rose before the first loss; since the return at 00:12:40 it has not.
    assert clock(rows) == [
        (ms("00:10:00"), ms("00:12:40"), Kind.PLANNED, "press"),
        (ms("00:20:00"), None, Kind.BREAK, "press"),
    ]


@pytest.mark.parametrize(("withdrawn", "kind"), [("00:09:45", Kind.BREAK), ("00:09:45.001", Kind.PLANNED)])
def test_a_planned_signal_counts_if_it_was_true_within_the_window(tracker: Tracker, withdrawn: str, kind: Kind) -> None:
    stream = running("00:20:00").at("00:09:00", crew_sheet_off=True).at(withdrawn, crew_sheet_off=False)
    stream.torn_at_press("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    # The window begins at 00:09:45: false from there on is not true at any moment of it.
    assert [row.kind for row in rows.downtimes] == [kind]


@pytest.mark.parametrize(("off", "kind"), [("00:10:15", Kind.STOP), ("00:10:15.001", Kind.BREAK)])
def test_a_trip_that_follows_the_loss_is_a_stop(tracker: Tracker, off: str, kind: Kind) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at(off, headbox_stock_on=False)

    rows = tracker(stream.scans, ELLERHOLM)

    # 15 s, the last moment included. A stop has no section.
    section = None if kind is Kind.STOP else "press"
    assert clock(rows) == [(ms("00:10:00"), None, kind, section)]


def test_a_machine_that_trips_is_a_stop_and_then_stopped(tracker: Tracker) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at("00:10:03", reel_speed=400.0)
    stream.at("00:10:08", reel_speed=0.0)

    rows = tracker(stream.scans, ELLERHOLM)

    assert clock(rows) == [(ms("00:10:00"), None, Kind.STOP, None)]
    assert rows.states == [
        (ms("00:00:00"), State.ON_REEL),
        (ms("00:10:00"), State.DOWN),
        (ms("00:10:08"), State.STOPPED),
    ]


@pytest.mark.parametrize(
    ("speed", "kind"), [(486.0, Kind.BREAK), (480.0, Kind.BREAK), (474.0, Kind.STOP)], ids=["19 %", "20 %", "21 %"]
)
@pytest.mark.parametrize("sags", ["00:09:50", "00:10:05"])
def test_a_speed_that_sags_by_more_than_a_fifth_is_a_stop(
    tracker: Tracker, speed: float, kind: Kind, sags: str
) -> None:
    stream = running("00:20:00").torn_at_press("00:10").at(sags, reel_speed=speed)

    rows = tracker(stream.scans, ELLERHOLM)

    # 0.8 x 600 = 480 m/min, in the window before the loss or after it; exactly 480 is not less.
    assert [row.kind for row in rows.downtimes] == [kind]


def test_the_highest_speed_before_in_the_window_is_the_measure_of_a_sag(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:09:00", reel_speed=500.0).at("00:09:50", reel_speed=600.0)
    stream.torn_at_press("00:10").at("00:10:05", reel_speed=474.0)

    rows = tracker(stream.scans, ELLERHOLM)

    # The window begins with 500 m/min; its highest is 600, and 474 is less than 480.
    assert [row.kind for row in rows.downtimes] == [Kind.STOP]


def test_a_speed_that_sags_in_small_steps_before_the_loss_is_a_stop(tracker: Tracker) -> None:
    # 600, 560, 520, 470 m/min within 8 s: no step is a fifth, 600 to 470 is 21.7 %.
    stream = running("00:20:00").at("00:09:50", reel_speed=560.0).at("00:09:54", reel_speed=520.0)
    stream.at("00:09:58", reel_speed=470.0).torn_at_press("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    assert [row.kind for row in rows.downtimes] == [Kind.STOP]


def test_stock_that_was_off_just_before_the_loss_is_a_stop(tracker: Tracker) -> None:
    stream = running("00:20:00").at("00:09:46", headbox_stock_on=False).at("00:09:48", headbox_stock_on=True)
    stream.torn_at_press("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    assert [row.kind for row in rows.downtimes] == [Kind.STOP]
    assert (ms("00:09:46"), State.STOCK_OFF) in rows.states


def test_the_window_of_the_kind_does_not_reach_back_over_a_gap(tracker: Tracker) -> None:
    stream = silent("00:08:00", "00:09:50", "00:20:00").at("00:09:50", reel_speed=474.0).torn_at_press("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    # 600 m/min before the gap is not in [00:09:50, 00:10:15].
    assert [row.kind for row in rows.downtimes] == [Kind.BREAK]


# ---------------------------------------------------------------- context


def test_context_is_what_held_just_before_the_loss(tracker: Tracker) -> None:
    stream = running("02:00:00").torn_at_press("00:10").threaded("00:12")
    stream.at("00:20:00", order_grade="C70", scanner_basis_weight=70.0).at("00:30:00", reel_speed=660.0)
    stream.at("00:35:00", reel_number="1042")
    stream.torn_at_press("00:40").at("00:40:00", order_grade="C80", reel_number="1043")

    rows = tracker(stream.scans, ELLERHOLM)

    # Grade run since 00:20:00: 10 min at 600 and 10 min at 660 m/min: mean 630. Rate 630 x 3.4 x 70 x 60 / 1e6
    # = 8.9964 t/h. On reel since 00:12:40: 27 min 20 s = 1640 s. Turn-up 00:35:00: 300 s. Grade change: 1200 s.
    second = rows.downtimes[1]
    assert (second.grade, second.shade, second.reel) == ("C70", "white", "1042")
    assert second.speed_before_m_min == near(630.0)
    assert second.rate_before_t_h == near(8.9964)
    assert second.on_reel_before_ms == 1_640_000
    assert second.since_turn_up_ms == 300_000
    assert second.since_grade_change_ms == 1_200_000
    assert rows.reels == [
        (ms("00:00:00"), "1041", True),
        (ms("00:35:00"), "1042", False),
        (ms("00:40:00"), "1043", False),
    ]
    assert rows.grade_runs == [
        (ms("00:00:00"), "C80", "white", True),
        (ms("00:20:00"), "C70", "white", False),
        (ms("00:40:00"), "C80", "white", False),
    ]


def test_of_a_long_run_only_the_last_half_hour_counts(tracker: Tracker) -> None:
    stream = running("01:00:00").at("00:05:00", reel_speed=660.0).at("00:35:00", reel_speed=780.0)
    stream.torn_at_press("00:45")

    rows = tracker(stream.scans, ELLERHOLM)

    # 20 min at 660 and 10 min at 780 m/min: 700; x 3.4 m x 80 g/m2 x 60 / 1e6 = 11.424 t/h.
    found = rows.downtimes[0]
    assert (found.speed_before_m_min, found.rate_before_t_h) == (near(700.0), near(11.424))


def test_a_rate_is_unknown_if_the_basis_weight_was_for_a_part_of_the_half_hour(tracker: Tracker) -> None:
    stream = running("00:30:00").at("00:10:00", scanner_basis_weight=None).at("00:12:00", scanner_basis_weight=80.0)
    stream.torn_at_press("00:20")

    rows = tracker(stream.scans, ELLERHOLM)

    found = rows.downtimes[0]
    assert (found.speed_before_m_min, found.rate_before_t_h) == (near(600.0), None)


def test_the_last_half_hour_skips_over_breaks(tracker: Tracker) -> None:
    stream = running("02:00:00").at("00:30:00", reel_speed=780.0).torn_at_press("00:40").threaded("00:42")
    stream.torn_at_press("00:50")

    rows = tracker(stream.scans, ELLERHOLM)

    # Before 00:50:00: 00:42:40-00:50:00 (440 s) and 00:30:00-00:40:00 (600 s) at 780, then 760 s at 600 m/min:
    # (1040 x 780 + 760 x 600) / 1800 = (811200 + 456000) / 1800 = 704 m/min.
    assert rows.downtimes[1].speed_before_m_min == near(704.0)


def test_what_is_made_is_summed_by_grade_shade_and_reel(tracker: Tracker) -> None:
    stream = running("00:30:00").at("00:05:00", reel_number="1042").torn_at_press("00:10")

    rows = tracker(stream.scans, ELLERHOLM)

    # 5 min x 600 m/min = 3000 m on each reel; x 3.4 m x 80 g/m2 = 0.816 t. Nothing after the loss.
    assert rows.made == {
        ("C80", "white", "1041"): Made(on_reel_ms=300_000, length_m=3000.0, tonnes_t=near(0.816)),
        ("C80", "white", "1042"): Made(on_reel_ms=300_000, length_m=3000.0, tonnes_t=near(0.816)),
    }


# ---------------------------------------------------------------- the state in the store


@pytest.mark.parametrize(
    ("kept", "detectors", "said"),
    [
        (sheet.pack(sheet.fresh(4)), 3, "with 4 detectors"),
        (sheet.pack(replace(sheet.fresh(4), layout=0)), 4, "layout 0"),
        (b"\xc1", 4, "malformed"),
    ],
)
def test_a_state_of_another_version_or_of_another_machine_is_refused(kept: bytes, detectors: int, said: str) -> None:
    with pytest.raises(sheet.UnreadableState, match=said):
        sheet.unpack(kept, detectors=detectors)
