"""The small parts that the page is put together from: plan, rounding, band, targets, what was said."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.ledger import ledger
from analysis.figures.plan import plan
from analysis.figures.rounding import in_whole_units
from analysis.history import Grade, GradeRun, StateSpan
from analysis.page.band import STATES, Mark, Stretch, band, stretches
from analysis.page.catalogue import words_of
from analysis.page.moments import Moments
from analysis.page.outbox import Kept, Way
from analysis.page.sayings import CAUSE, Saying, holding, on_its_way, sayings
from analysis.page.shift_facts import _habits
from analysis.page.targets import by_section, targets
from analysis.period import Period
from analysis.suggest.answer import Breaks, Suggestion
from analysis.suggest.known import Cause, Known
from analysis.suggest.model import Reason, Suggested
from tests.histories import downtime, history

HELSINKI = ZoneInfo("Europe/Helsinki")
HOUR_MS = 3_600_000


def test_the_plan_of_a_shift_is_its_share_of_the_plan_of_a_day() -> None:
    """By hand: 6 h of 290 t/d and 6 h of 240 t/d are 72.5 t + 60 t = 132.5 t."""
    made = history(
        grades=(Grade(grade="C80", plan_t_d=290), Grade(grade="C60", plan_t_d=240)),
        grade_runs=(
            GradeRun(grade="C80", shade=None, started_ms=0, ended_ms=6 * HOUR_MS),
            GradeRun(grade="C60", shade=None, started_ms=6 * HOUR_MS, ended_ms=None),
        ),
    )

    found = plan(made, ledger(made, Period(from_ms=0, to_ms=12 * HOUR_MS)))

    assert found.tonnes_t == pytest.approx(132.5)
    assert found.known


def test_a_plan_that_is_not_set_for_all_of_it_is_no_plan() -> None:
    made = history(
        grades=(Grade(grade="C80", plan_t_d=290), Grade(grade="C60")),
        grade_runs=(
            GradeRun(grade="C80", shade=None, started_ms=0, ended_ms=HOUR_MS),
            GradeRun(grade="C60", shade=None, started_ms=HOUR_MS, ended_ms=2 * HOUR_MS),
        ),
    )

    found = plan(made, ledger(made, Period(from_ms=0, to_ms=3 * HOUR_MS)))

    assert not found.known
    assert found.unplanned_ms == 2 * HOUR_MS


@given(parts=st.lists(st.integers(0, 10**9), max_size=12), unit=st.integers(1, 60_000))
def test_rounded_parts_add_up_to_the_rounded_whole_and_stay_near_themselves(parts: list[int], unit: int) -> None:
    found = in_whole_units(parts, unit)

    assert sum(found) == (sum(parts) + unit // 2) // unit
    assert all(abs(units * unit - part) < unit for units, part in zip(found, parts, strict=True))
    assert all(units == 0 for units, part in zip(found, parts, strict=True) if part == 0)


def test_parts_are_rounded_by_the_largest_remainder() -> None:
    """By hand: 2.4 + 3.4 + 1.2 = 7 of a unit; one must go up, and the first of the two largest remainders does."""
    assert in_whole_units([24, 34, 12], 10) == [3, 3, 1]


def drawn(marks: list[Mark], rows: list[Stretch] | None = None) -> str:
    whole = Period(from_ms=0, to_ms=12 * HOUR_MS)
    rows = rows or [Stretch(state="on_reel", from_ms=0, to_ms=12 * HOUR_MS, downtime_id=None)]
    return str(band(rows, marks, whole, HELSINKI, title="<The sheet>", said='"said"', unit="min"))


def test_the_band_covers_the_shift_without_gap() -> None:
    rows = [
        Stretch(state=state, from_ms=n * 2 * HOUR_MS, to_ms=(n + 1) * 2 * HOUR_MS, downtime_id=None)
        for n, state in enumerate(STATES)
    ]

    found = re.findall(r'class="state (\w+)" x="([\d.]+)%" y="\d+" width="([\d.]+)%"', drawn([], rows))

    assert [state for state, _, __ in found] == list(STATES)
    assert sum(float(width) for _, __, width in found) == pytest.approx(100, abs=0.01)


def test_a_length_that_would_leave_its_stretch_on_a_telephone_is_spared_there() -> None:
    rows = [
        Stretch(state="on_reel", from_ms=from_h * HOUR_MS, to_ms=to_h * HOUR_MS, downtime_id=None)
        for from_h, to_h in ((0, 3), (4, 12))
    ]

    assert re.findall(r'class="(length[^"]*)"[^>]*>(\d+) min', drawn([], rows)) == [
        ("length spare", "180"),  # 25 % of 336 px are 84
        ("length", "480"),
    ]


def test_the_band_says_what_it_shows_and_lets_no_name_become_markup() -> None:
    svg = drawn([])

    assert "&lt;The sheet&gt;" in svg
    assert 'role="img"' in svg
    assert "style=" not in svg


@given(at=st.lists(st.integers(0, 12 * HOUR_MS - 1), min_size=1, max_size=3, unique=True))
def test_numbers_of_up_to_three_losses_never_touch(at: list[int]) -> None:
    svg = drawn([Mark(number=n, at_ms=at_ms, open=True) for n, at_ms in enumerate(at)])

    places = [(float(x), int(y)) for x, y in re.findall(r'<circle class="mark open" cx="([\d.]+)%" cy="(\d+)"', svg)]
    assert len(places) == len(at)
    assert all(abs(x - u) >= 3 or abs(y - v) >= 28 for n, (x, y) in enumerate(places) for u, v in places[n + 1 :])


def test_hours_are_written_in_mill_time() -> None:
    """The epoch began at 02:00 in Helsinki."""
    assert ">02:00</text>" in drawn([])


def test_neighbours_of_one_state_are_one_stretch() -> None:
    made = history()
    found = stretches(ledger(made, Period(from_ms=0, to_ms=HOUR_MS)))

    assert [(row.from_ms, row.to_ms) for row in found] == [(0, HOUR_MS)]


def test_a_loss_that_people_added_is_red_though_the_detectors_saw_the_sheet_on_the_reel() -> None:
    made = history(downtimes=(downtime(10, 5),), states=(StateSpan(state="on_reel", started_ms=0, ended_ms=None),))

    found = stretches(ledger(made, Period(from_ms=0, to_ms=HOUR_MS)))

    assert [(row.state, row.from_ms // 60_000, row.to_ms // 60_000) for row in found] == [
        ("on_reel", 0, 10),
        ("down", 10, 15),
        ("on_reel", 15, 60),
    ]


def test_a_time_has_its_day_unless_it_is_that_of_what_stands_beside_it() -> None:
    """2026-03-04 22:00 UTC is midnight in Helsinki."""
    said = Moments(words=words_of("en"), zone=HELSINKI)
    midnight_ms = 1_772_661_600_000

    assert said.beside(midnight_ms + 1, midnight_ms) == "00:00"
    assert said.beside(midnight_ms - 60_000, midnight_ms) == "Wed 4 March 2026 23:59"
    assert Moments(words=words_of("en"), zone=None).fresh(1, 1) == "Data up to –, published –; mill time."


@pytest.mark.parametrize(
    ("section", "offered"),
    [
        ("press", ["PR-FLT"]),  # so its breaks were coded
        ("couch", []),  # none were, and the mill's list has causes of its own for it
        ("reel", ["PR-FLT"]),  # neither: those of the whole mill
        (None, ["PR-FLT"]),
    ],
)
def test_a_section_is_offered_what_its_own_breaks_had(section: str | None, offered: list[str]) -> None:
    coded = Known(downtime_id="d", started_ms=0, section="press", cause="PR-FLT")

    assert list(_habits(Breaks(all=(coded,), causes=CAUSES)).of(section)) == offered


CAUSES = (
    Cause(code="CO-HOL", name="Hole", section="couch"),
    Cause(code="PR-DRW", name="Draw", section="press"),
    Cause(code="PR-FLT", name="Felt", section="press"),
    Cause(code="XX-UNK", name="Unknown", section="other"),
)


def suggestion(*codes: str) -> Suggestion:
    known = Known(downtime_id="d", started_ms=0, section="press")
    return Suggestion(
        known=known, causes=tuple(Suggested(code=code, probability=0.4) for code in codes), learned_from=5
    )


def test_no_cause_is_offered_twice_and_unknown_always_is() -> None:
    found = targets("press", CAUSES, ["PR-DRW", "CO-HOL"], suggestion("PR-DRW", "GONE"))

    assert [one.code for one in found.suggested] == ["PR-DRW"]
    assert [one.code for one in found.usual] == ["CO-HOL", "PR-FLT"]
    assert [one.code for one in found.unknown] == ["XX-UNK"]


def test_a_suggestion_less_likely_than_the_usual_cause_stands_behind_the_usual_ones() -> None:
    asked = suggestion("CO-HOL", "PR-FLT")  # each 40 %

    behind = targets("press", CAUSES, ["PR-DRW"], asked, least=0.5)
    leading = targets("press", CAUSES, ["PR-DRW"], asked, least=0.4)
    usual_itself = targets("press", CAUSES, ["CO-HOL"], asked, least=0.5)

    assert (behind.suggested, [one.code for one in behind.usual]) == ((), ["PR-DRW", "PR-FLT"])
    assert [one.code for one in behind.faint] == ["CO-HOL"]
    assert (
        [one.code for one in leading.suggested] == [one.code for one in usual_itself.suggested] == ["CO-HOL", "PR-FLT"]
    )
    assert not leading.faint


def test_a_suggestion_must_be_as_likely_as_the_cause_that_a_section_uses_most() -> None:
    coded = [
        Known(downtime_id=f"d{n}", started_ms=n, section="press", cause=code)
        for n, code in enumerate(["PR-DRW"] * 3 + ["PR-FLT"])
    ]

    habits = _habits(Breaks(all=tuple(coded), causes=CAUSES))

    assert habits.least_to_lead("press") == pytest.approx(3 / 6)  # 3 of 4, and of 2 more that had none
    assert habits.least_to_lead("couch") == 1.0  # nothing coded there: any one of the list's one
    assert habits.least_to_lead("reel") == 0.0


def test_why_a_cause_is_suggested_is_what_tells_most_and_not_that_nothing_had_happened() -> None:
    spoken = (Reason(words="no flicker", factor=1.9, absent=True), Reason(words="at a turn-up", factor=1.2))
    asked = Suggestion(
        known=Known(downtime_id="d", started_ms=0, section="press"),
        causes=(Suggested(code="PR-DRW", probability=0.4, reasons=spoken),),
        learned_from=5,
    )

    assert [one.because for one in targets("press", CAUSES, [], asked).suggested] == ["at a turn-up"]


def test_where_nothing_was_ever_coded_the_causes_of_the_section_are_offered() -> None:
    found = targets("press", CAUSES, [], None)

    assert [one.code for one in found.usual] == ["PR-DRW", "PR-FLT"]


def test_all_causes_begin_with_the_section_of_the_loss_and_end_with_those_that_name_nothing() -> None:
    assert [section for section, _ in by_section(CAUSES, ["couch", "press"], "press")] == ["press", "couch", "other"]
    assert [section for section, _ in by_section(CAUSES, ["couch", "press"], None)] == ["couch", "press", "other"]


STORED = Saying(note_id="s", kind=CAUSE, downtime_id="d", noted_ms=1000, cause="PR-DRW")


def way_of(note_id: str, at_s: int, *, way: Way = Way.WAITING, **note: Any) -> Kept:
    said = {"note_id": note_id, "ts": f"1970-01-01T00:00:{at_s:02}Z", "downtime": "d", "kind": "cause"} | note
    return Kept(place=at_s, topic="t", note=said, way=way)


def test_the_newest_note_that_was_not_taken_back_holds() -> None:
    later, back = way_of("a", 2, cause="PR-FLT"), way_of("b", 3, kind="withdrawal", withdraws="a")

    with_later = holding(sayings([STORED], [later]), CAUSE)
    taken_back = holding(sayings([STORED], [later, back]), CAUSE)

    assert with_later is not None
    assert with_later.cause == "PR-FLT"
    assert taken_back == STORED


def test_a_note_that_the_store_has_counts_once() -> None:
    found = sayings([replace(STORED, note_id="a")], [way_of("a", 1, cause="PR-DRW")])

    assert len(found) == 1
    assert not on_its_way(found)


def test_a_note_that_was_refused_does_not_hold() -> None:
    found = sayings([STORED], [way_of("a", 2, cause="PR-FLT", way=Way.REFUSED)])

    assert holding(found, CAUSE) == STORED
    assert not on_its_way(found)
