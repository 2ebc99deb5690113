"""Every question of the cookbook, on a store small enough to answer it by hand, and on the recorded night."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from analysis.cookbook import NoSuchQuestion, Question, question, questions
from analysis.query import Format, answered, only_select, text_of
from analysis.read import Store, open_store
from tests.cookbook_mill import B1, B2, B3, B4, B5, B6, B7, B8, P1
from tests.nights import read_night

NAMES = [found.name for found in questions()]


@pytest.fixture(scope="module")
def mill(small_mill: Path) -> Iterator[Store]:
    with open_store(small_mill) as store:
        yield store


@pytest.fixture(scope="module")
def night(night_mill: Path) -> Iterator[Store]:
    """The recorded night shift, as the real collector stored it."""
    with open_store(night_mill) as store:
        yield store


def asked(store: Store, name: str, **given: str) -> list[list[Any]]:
    """The rows of an answer, as JSON has them."""
    found = question(name)
    with answered(store.connection, found.sql, found.values(given), seconds=60) as answer:
        return [list(json.loads(line).values()) for line in "".join(text_of(answer, Format.JSONL)).splitlines()]


def test_there_are_questions_of_all_three_users() -> None:
    askers = [found.asker for found in questions()]

    assert len(NAMES) >= 25
    assert {asker: askers.count(asker) >= 5 for asker in askers} == {"crew": True, "engineer": True, "analyst": True}


@pytest.mark.parametrize("found", questions(), ids=NAMES)
def test_every_file_is_a_sentence_and_one_select_whose_parameters_are_all_explained(found: Question) -> None:
    only_select(found.sql)

    assert found.sentence.endswith("?")
    assert all(setting.meaning for setting in found.settings)
    used = {word.strip("$,():") for word in found.sql.replace("::", " ").replace("(", " ").split() if word[0] == "$"}
    assert {setting.name for setting in found.settings} == used


@pytest.mark.parametrize("name", ["../on_reel_stretch", "nix", ""])
def test_what_is_no_question_is_refused(name: str) -> None:
    with pytest.raises(NoSuchQuestion, match="--questions"):
        question(name)


def test_values_put_into_the_sql_stay_values() -> None:
    shown = question("last_night").with_values({"shift": "x' OR TRUE --"})

    assert "shift = 'x'' OR TRUE --'" in shown


# Worked by hand from the store of cookbook_mill.py, whose names B1 … B8 stand in the remarks. Minutes and tonnes lost:
#   B1 30 6.0   B2 10 2.0   B3 60 12.0   S1 (stop) 20   B4 20 4.0   P1 (planned) 60   B5 15 2.5   B6 15 2.5   B7 30 5.0
# Crews: B1 B2 B5 of A, B3 B6 B7 of B, S1 B8 of C, B4 P1 of D. Together 180 min of breaks.
EXPECTED: dict[str, list[list[Any]]] = {
    "last_night": [
        ["pm2", "2026-03-04T20:05:00", "break", "reel", 15.0, 1, "C60", "RE-TUP", "B"],
        ["pm2", "2026-03-05T03:00:00", "break", "press", 30.0, 2, "C60", None, "B"],
    ],
    "still_to_code": [
        [B8.downtime_id, "2026-03-05T17:30:00", "couch", None, "C", "C60"],
        [B7.downtime_id, "2026-03-05T03:00:00", "press", 30.0, "B", "C60"],
        [B5.downtime_id, "2026-03-04T06:50:00", "pre-dryer", 15.0, "A", "C60"],
        [B2.downtime_id, "2026-03-02T17:00:00", "press", 10.0, "A", "C80"],
    ],
    # A: first attempts after 20, 5, 5 min, lost 30, 10, 15. B: 20, 5, 10 and 60, 15, 30, with 3 + 1 + 2 attempts.
    "rethreading_by_crew": [
        ["pm2", "A", 3, 1.0, 5.0, 15.0],
        ["pm2", "B", 3, 2.0, 10.0, 30.0],
        ["pm2", "D", 1, 1.0, 10.0, 20.0],
    ],
    "where_attempts_fail": [["pm2", "press", 2, 0, 66.7], ["pm2", "pre-dryer", 1, 1, 33.3]],
    # R6, Wednesday 20:00 to Thursday 08:00: on the reel 20:00-20:05, 20:20-03:00, 03:30-08:00. The draw each 10 min:
    # 1 + 40 + 27 less the one out of range. The stock each hour: 20:00, 21 to 02, 04 to 07, one of them 0.91:
    # (10 x 0.8 + 0.91) / 11.
    "what_the_reel_was_made_of": [
        ["R6", "couch", "headbox.consistency", "%", 0.81, 0.8, 0.91, 11],
        ["R6", "press", "press.draw", "%", 2.0, 2.0, 2.0, 67],
    ],
    # On the reel 10 h, 10 h 20, 11 h 30, 13 h 10 at 12 t/h; 13 h 15, 11 h 15, 9 h 30 at 10 t/h: 540 and 340 t.
    "reels": [
        ["pm2", "R1", "2026-03-02T06:00:00", 10.0, 120.0, 0],
        ["pm2", "R2", "2026-03-02T16:00:00", 12.0, 124.0, 3],
        ["pm2", "R3", "2026-03-03T04:00:00", 12.0, 138.0, 0],
        ["pm2", "R4", "2026-03-03T16:00:00", 14.0, 158.0, 1],
        ["pm2", "R5", "2026-03-04T06:00:00", 14.0, 132.5, 1],
        ["pm2", "R6", "2026-03-04T20:00:00", 12.0, 112.5, 2],
        ["pm2", "R7", "2026-03-05T08:00:00", None, 95.0, 1],
    ],
    "stock_and_tower_at_breaks": [
        [B1.downtime_id, "2026-03-02T16:10:00", "reel", "C80", 0.7, 45.0],
        [B2.downtime_id, "2026-03-02T17:00:00", "press", "C80", 0.7, 45.0],
        [B3.downtime_id, "2026-03-03T02:00:00", "press", "C80", 0.7, 55.0],
        [B4.downtime_id, "2026-03-03T22:00:00", "press", "C80", 0.7, 50.0],
        [B5.downtime_id, "2026-03-04T06:50:00", "pre-dryer", "C60", 0.8, 40.0],
        [B6.downtime_id, "2026-03-04T20:05:00", "reel", "C60", 0.8, 50.0],
        [B7.downtime_id, "2026-03-05T03:00:00", "press", "C60", 0.8, 55.0],
        [B8.downtime_id, "2026-03-05T17:30:00", "couch", "C60", 0.8, 45.0],
    ],
    # Seven first hours, all on the reel but Wednesday's 06:00, 20 min: 6 h 20. B5 falls into one of them.
    "after_shift_change": [["pm2", "first", 1, 6.33, 15.79], ["pm2", "rest", 7, 72.67, 9.63]],
    "handed_over": [
        ["pm2", "2026-03-02", "night", "B", 1, 60.0, 0, "on_reel"],
        ["pm2", "2026-03-03", "day", "C", 1, 20.0, 0, "on_reel"],
        ["pm2", "2026-03-03", "night", "D", 2, 80.0, 0, "down"],
        ["pm2", "2026-03-04", "day", "A", 1, 15.0, 1, "on_reel"],
        ["pm2", "2026-03-04", "night", "B", 2, 45.0, 1, "on_reel"],
        ["pm2", "2026-03-05", "day", "C", 1, 0.0, 1, "threading"],
    ],
    # Turn-ups onto R2 R3 R4 with C80 and R5 R6 R7 with C60; B1 10 min and B6 5 min after one.
    "after_turn_up": [["pm2", "C60", 3, 1, 33.3], ["pm2", "C80", 3, 1, 33.3]],
    # Before B2 2, B3 3, B4 3, B7 2: mean 2.5, spread sqrt(4 x 0.25 / 3). Whole hours before a whole one, run by run:
    # 9 + 7 + 6 + 1 + 7 + 5 + 11 + 5 + 12.
    "draw_before_press_breaks": [
        ["pm2", "before breaks", 4, 2.5, 0.577, 2.0, 3.0],
        ["pm2", "quiet hours", 63, 2.0, 0.0, 2.0, 2.0],
    ],
    # At 300 EUR a tonne not made and 100 a tonne of broke: B3; B6 and B7; B4 (P1 was planned).
    "costliest_nights": [
        ["2026-03-02", "night", "B", 1, 60.0, 12.0, 12.0, 4800.0, "EUR"],
        ["2026-03-04", "night", "B", 2, 45.0, 7.5, 7.5, 3000.0, "EUR"],
        ["2026-03-03", "night", "D", 1, 20.0, 4.0, 4.0, 1600.0, "EUR"],
    ],
    # The moisture is off at the return of B3, B4 and B6, and right 10 min later. C60: 15, 25, 30. C80: 30, 10, 70, 30.
    "time_to_saleable_by_grade": [["pm2", "C60", 3, 3, 25.0, 15.0], ["pm2", "C80", 4, 4, 30.0, 25.0]],
    "flicker_by_week": [
        ["pm2", "2026-02-23", "sheet.reel", "reel", 5, 1],
        ["pm2", "2026-03-02", "sheet.press", "press", 7, 2],
    ],
    "what_follows_what": [
        ["pm2", "break", "reel", "press", 1, 20.0],
        ["pm2", "planned", None, "pre-dryer", 1, 20.0],
    ],
    # 3 / 34 and 3 / 45 primary breaks an hour; B2 and B5 are secondary.
    "rate_by_grade": [["pm2", "C60", 34.0, 3, 1, 8.82], ["pm2", "C80", 45.0, 3, 1, 6.67]],
    # Monday 18 h less 40 min; Tuesday 24 h less 60, 20, 10, 20 min; Wednesday 5 h 30 of C80, 17 of C60; Thursday 17.
    "breaks_by_day": [
        ["pm2", "2026-03-02", 17.33, 208.0, 2, 11.54],
        ["pm2", "2026-03-03", 22.17, 266.0, 2, 9.02],
        ["pm2", "2026-03-04", 22.5, 236.0, 2, 8.89],
        ["pm2", "2026-03-05", 17.0, 170.0, 2, 11.76],
    ],
    # All of it within the first week of a felt; by days: see below.
    "breaks_by_felt_age": [["pm2", 0, 7, 79.0, 4, 5.06]],
    # Two hours from Wednesday 06:00: 06:30-06:50 and 07:05-08:00 on the reel, and B5.
    "after_grade_change": [["pm2", "after a change", 1, 1.25, 80.0], ["pm2", "else", 7, 77.75, 9.0]],
    "breaks_by_speed": [["pm2", 750.0, 800.0, 45.0, 4, 8.89], ["pm2", 900.0, 950.0, 34.0, 4, 11.76]],
    # 60, 55, 45 and 20 of 180 min.
    "causes": [
        ["pm2", "PR-FLT", "Felt plugged", 1, 60.0, 12.0, 33.3],
        ["pm2", None, None, 4, 55.0, 9.5, 30.6],
        ["pm2", "RE-TUP", "Turn-up failed", 2, 45.0, 8.5, 25.0],
        ["pm2", "SA-BRK", "Broke share swung", 1, 20.0, 4.0, 11.1],
    ],
    "broke_where_caused": [
        ["pm2", "reel", "reel", 2, 45.0],
        ["pm2", "press", "press", 1, 60.0],
        ["pm2", "stock", "press", 1, 20.0],
    ],
    "out_of_range_before_breaks": [
        ["pm2", "headbox.consistency", "couch", 1, 1, 1],
        ["pm2", "press.draw", "press", 1, 1, 0],
    ],
    # 340 t in 1.5 d of 240 t/d, 540 t in 2 d of 290 t/d.
    "made_against_plan": [
        ["pm2", "C60", 1.5, 340.0, 226.7, 240.0, 94.4],
        ["pm2", "C80", 2.0, 540.0, 270.0, 290.0, 93.1],
    ],
    "losses_by_kind": [
        ["pm2", "2026-03", "break", 8, 3.0],
        ["pm2", "2026-03", "planned", 1, 1.0],
        ["pm2", "2026-03", "stop", 1, 0.33],
    ],
    # Noted after 35 (B1), 80 (B3), 60 (B4) and 30 min (B6).
    "coding_delay": [
        ["pm2", "A", 3, 1, 35.0, 35.0],
        ["pm2", "B", 3, 2, 55.0, 80.0],
        ["pm2", "C", 1, 0, None, None],
        ["pm2", "D", 1, 1, 60.0, 60.0],
    ],
    "late_and_repeated": [["2026-03-02", "pm2", 100, 2, 3, 1, 0, 0], ["2026-03-05", "pm2", 50, 0, 0, 0, 1, 1]],
    "silences": [["pm2", "2026-03-03T11:00:00Z", "2026-03-03T11:10:00Z", 10.0, True]],
    "rejected": [
        ["is no JSON", 2, 2, "2026-03-03T09:00:00Z", "2026-03-03T09:00:00Z"],
        ["unknown machine 'pm9'", 1, 1, "2026-03-03T09:00:00Z", "2026-03-03T09:00:00Z"],
    ],
    # Before B3 and B4 3.0, before B2 and B7 2.0; the last one before B7 is out of range: (3 + 3 + 2) / 3.
    "curve_around_breaks": [
        *(["pm2", float(minute), 2.0, 2.0, 2.0, 4, 4] for minute in (-60, -50, -40)),
        *(["pm2", float(minute), 2.5, 2.0, 3.0, 4, 4] for minute in (-30, -20)),
        ["pm2", -10.0, 2.6667, 2.0, 3.0, 3, 3],
        *(["pm2", float(minute), 2.0, 2.0, 2.0, 4, 4] for minute in (0, 10, 20)),
    ],
    "corrections": [
        ["2026-03-05T06:00:00Z", "pm2", "cause", "pm2-20990101T000000Z", None, None, False, False, "no such downtime"],
        ["2026-03-05T07:10:00Z", "pm2", "withdrawal", None, None, None, False, True, None],
    ],
    # Shift by shift 11 h 20 + 11 h 15; 11 h + 11 h 15; 11 h 30 twice; 11 h 10: 79 h.
    "hours_by_crew": [
        ["pm2", "A", 24.0, 22.58, 94.1],
        ["pm2", "B", 24.0, 22.25, 92.7],
        ["pm2", "C", 24.0, 23.0, 95.8],
        ["pm2", "D", 12.0, 11.17, 93.1],
    ],
}


@pytest.mark.parametrize("name", EXPECTED)
def test_a_question_is_answered_as_by_hand(mill: Store, name: str) -> None:
    assert asked(mill, name) == EXPECTED[name]


def test_the_hardest_threadings_are_those_with_most_attempts_then_most_minutes(mill: Store) -> None:
    rows = asked(mill, "hardest_threadings", most="3")

    assert [row[0] for row in rows] == [B3.downtime_id, B7.downtime_id, P1.downtime_id]
    assert [row[-2:] for row in rows] == [[3, 60.0], [2, 30.0], [1, 60.0]]


def test_the_longest_runs_say_what_ended_them(mill: Store) -> None:
    assert asked(mill, "longest_runs", most="3") == [
        ["pm2", "2026-03-05T03:30:00", 14.0, "break", "couch"],
        ["pm2", "2026-03-04T07:05:00", 13.0, "break", "reel"],
        ["pm2", "2026-03-02T06:00:00", 10.17, "break", "reel"],
    ]
    assert ["pm2", "2026-03-03T10:20:00", 2.67, "data gap", None] in asked(mill, "longest_runs", most="99")


def test_hours_of_the_day_add_up_to_all_time_on_the_reel(mill: Store) -> None:
    rows = {hour: rest for _, hour, *rest in asked(mill, "breaks_by_hour")}

    # 16:00: half an hour on Monday, three whole ones. 17:00: 50 min, two whole ones, 30 min; B2 and B8.
    # 06:00: three whole ones and 20 min; B5. Each of 24 numbers is rounded to a hundredth.
    assert (rows[16], rows[17], rows[6]) == ([3.5, 1, 28.57], [3.33, 2, 60.0], [3.33, 1, 30.0])
    assert sum(row[0] for row in rows.values()) == pytest.approx(79, abs=0.12)
    assert sum(row[1] for row in rows.values()) == 8


def test_the_age_of_a_felt_is_that_of_the_one_that_ran_then(mill: Store) -> None:
    # Put in on Sunday and Wednesday, 06:00. First day: Wednesday, 22 h 30, B7. Second: Monday 22 h 20, B2 and B3, and
    # Thursday 11 h 30. Third: Tuesday 22 h 40, B4.
    assert asked(mill, "breaks_by_felt_age", band_d="1") == [
        ["pm2", 0, 1, 22.5, 1, 4.44],
        ["pm2", 1, 2, 33.83, 2, 5.91],
        ["pm2", 2, 3, 22.67, 1, 4.41],
    ]


def test_what_moved_before_a_break_is_told_in_spreads_of_the_time_before(mill: Store) -> None:
    # Last sample 3; before it ten of 2 and two of 3: mean 26/12, spread sqrt((10/36 + 2 x 25/36) / 11) = 0.389.
    assert asked(mill, "what_moved_before", downtime=B3.downtime_id) == [
        ["press.draw", "press", "%", 3.0, 2.167, 0.389, 2.14]
    ]


def test_tags_at_a_glance_count_the_last_day(mill: Store) -> None:
    rows = {row[1]: row[2:8] for row in asked(mill, "tags_at_a_glance")}

    # From 18:10 to 17:50 each 10 min; from 19:00 to 17:00 each hour; 00:00, 06:00 and 12:00.
    assert rows["press.draw"] == ["%", "press", "process", 143, 1, 0]
    assert rows["headbox.consistency"][3:] == [23, 0, 0]
    assert rows["broke.tower_level"] == ["%", "couch", "result", 3, 0, 0]
    assert rows["reel.speed"][3] == 0


def test_hourly_means_are_of_the_tags_asked_for(mill: Store) -> None:
    rows = asked(mill, "hourly_means", tags="broke.tower_level, press.draw")

    assert [row[1:] for row in rows if row[2] == "broke.tower_level"] == [
        ["2026-03-04T22:00:00Z", "broke.tower_level", 55.0, 55.0, 55.0, 1],
        ["2026-03-05T04:00:00Z", "broke.tower_level", 40.0, 40.0, 40.0, 1],
        ["2026-03-05T10:00:00Z", "broke.tower_level", 45.0, 45.0, 45.0, 1],
    ]
    # 00:00 UTC to 01:00: 02:50 local is out of range, so five samples are left.
    assert ["pm2", "2026-03-05T00:00:00Z", "press.draw", 2.0, 2.0, 2.0, 5] in rows


def test_every_question_is_asked_by_a_test() -> None:
    others = {
        "hardest_threadings", "longest_runs", "breaks_by_hour", "what_moved_before", "tags_at_a_glance", "hourly_means"
    }  # fmt: skip

    assert set(NAMES) == set(EXPECTED) | others


# On the recorded night, answers come from what the simulator did (expected.json beside the stream), by Python.
TRUTH = json.loads((Path(__file__).parent.parent / "replay_data/golden/night_shift/expected.json").read_text("utf-8"))


@pytest.mark.parametrize("name", NAMES)
def test_a_question_can_be_asked_of_what_the_collector_stored(night: Store, name: str) -> None:
    assert isinstance(asked(night, name), list)


def test_losses_of_the_recorded_night_are_those_that_happened(night: Store) -> None:
    truth = Counter(row["kind"] for row in TRUTH["downtime"])

    assert {kind: losses for _, __, kind, losses, ___ in asked(night, "losses_by_kind")} == truth


def test_attempts_of_the_recorded_night_failed_where_they_did(night: Store) -> None:
    failed = [row for row in TRUTH["threading_attempt"] if row["outcome"] != "success"]

    rows = asked(night, "where_attempts_fail")

    assert {section: number for _, section, number, *__ in rows} == Counter(row["reached_section"] for row in failed)
    assert sum(row[3] for row in rows) == sum(row["outcome"] == "held" for row in failed)


def test_the_hardest_threadings_of_the_recorded_night_took_the_minutes_that_they_took(night: Store) -> None:
    attempts = Counter(row["downtime_id"] for row in TRUTH["threading_attempt"])
    ended = {row["downtime_id"]: row for row in TRUTH["downtime"] if row["ended_at"]}

    rows = {row[0]: row for row in asked(night, "hardest_threadings")}

    assert {downtime: row[-2] for downtime, row in rows.items()} == {
        d["downtime_id"]: attempts[d["downtime_id"]] for d in TRUTH["downtime"]
    }
    for downtime, row in ended.items():
        lost_s = datetime.fromisoformat(row["ended_at"]) - datetime.fromisoformat(row["started_at"])
        assert rows[downtime][-1] == pytest.approx(lost_s.total_seconds() / 60, abs=0.05)


def test_the_draw_of_the_recorded_night_goes_as_it_was_sent(night: Store) -> None:
    (loss,) = [row for row in TRUTH["downtime"] if row["section"] == "press"]
    lost_ms = datetime.fromisoformat(loss["started_at"]).timestamp() * 1000
    scans = [
        scan
        for message in read_night()
        if message["topic"].endswith("/scan")
        for scan in (message["payload"] if isinstance(message["payload"], list) else [message["payload"]])
    ]
    sent = {scan["ts"]: scan["values"]["press.draw"] for scan in scans if "press.draw" in scan["values"]}
    expected = [value for at_ms, value in sent.items() if -10 <= (at_ms - lost_ms) / 60_000 < 0]

    rows = {from_min: rest for _, from_min, *rest in asked(night, "curve_around_breaks")}

    assert len(expected) > 50
    assert rows[-10.0][0] == pytest.approx(sum(expected) / len(expected), abs=1e-4)
    assert rows[-10.0][1:3] == [min(expected), max(expected)]
