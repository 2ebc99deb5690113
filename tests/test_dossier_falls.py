"""How detectors fell: torn there, run out, knocked off, hung up; hand-worked at 780 m/min, 13 metres a second."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from analysis.dossier.falls import Change, Detector, Falls, Verdict, falls, seen_spans
from analysis.dossier.telling.detectors import falls_said

COUCH = Detector(tag="sheet.couch", section="couch", position_m=20.0)
PRESS = Detector(tag="sheet.press", section="press", position_m=32.0)
DRYER = Detector(tag="sheet.predryer", section="pre-dryer", position_m=193.0)
REEL = Detector(tag="sheet.reel", section="reel", position_m=275.0)
ALL = (COUCH, PRESS, DRYER, REEL)
LOSS_MS = 1_000_000


def fell(**seconds: float | None) -> dict[str, list[Change]]:
    """Detectors that saw the sheet and lost it so many seconds after the loss; None for never."""
    return {
        f"sheet.{name}": [Change(at_ms=LOSS_MS - 600_000, sees=True)]
        + ([] if after is None else [Change(at_ms=LOSS_MS + round(after * 1000), sees=False)])
        for name, after in seconds.items()
    }


def judged(changes: dict[str, list[Change]], speed: float | None = 780.0) -> Falls:
    return falls(ALL, changes, started_ms=LOSS_MS, speed_m_min=speed, debounce_s=2.0)


def verdicts(found: Falls) -> list[Verdict]:
    return [f.verdict for f in found.falls]


def test_a_sheet_torn_at_the_press_runs_out_downstream_and_is_knocked_off_upstream() -> None:
    # 161 m at 13 m/s is 12.4 s to the last pre-dryer, 243 m is 18.7 s to the reel.
    found = judged(fell(couch=4.6, press=0, predryer=12.4, reel=18.7))

    assert verdicts(found) == [Verdict.KNOCKED_OFF, Verdict.FIRST, Verdict.IN_TIME, Verdict.IN_TIME]
    assert found.torn == (20.0, 32.0)
    assert [None if f.expected_s is None else round(f.expected_s, 1) for f in found.falls] == [None, 0.0, 12.4, 18.7]
    assert falls_said(found) == (
        "press lost it first: torn between 20 and 32 m of path; pre-dryer and reel followed as the tail ran out; couch "
        "came later (4.6 s): knocked off, not torn."
    )


def test_one_that_never_lost_it_kept_the_sheet() -> None:
    found = judged(fell(couch=None, press=None, predryer=0, reel=6.3))

    assert verdicts(found) == [Verdict.KEPT, Verdict.KEPT, Verdict.FIRST, Verdict.IN_TIME]
    assert found.torn == (32.0, 193.0)


def test_one_much_later_than_the_tail_is_told_apart_from_one_much_earlier() -> None:
    found = judged(fell(couch=3, press=0, predryer=40.0, reel=2.0))

    assert verdicts(found)[2:] == [Verdict.LATE, Verdict.EARLY]
    said = falls_said(found)
    assert "pre-dryer 27.6 s later than the tail should have passed" in said
    assert "reel 16.7 s before the tail could reach it" in said


def test_one_read_in_turn_each_ten_seconds_cannot_be_put_in_order() -> None:
    changes = fell(couch=3, press=0, reel=18.7)
    changes["sheet.predryer"] = [
        Change(at_ms=LOSS_MS - 600_000, sees=True),
        Change(at_ms=LOSS_MS + 20_000, sees=False, heard_ms=LOSS_MS + 10_000),
    ]

    assert verdicts(judged(changes))[2] == Verdict.UNCLEAR


def test_without_a_speed_nothing_is_expected() -> None:
    found = judged(fell(couch=3, press=0, predryer=12.4, reel=18.7), speed=None)

    assert verdicts(found)[2:] == [Verdict.UNCLEAR, Verdict.UNCLEAR]


def test_a_flicker_shorter_than_the_debounce_time_is_no_fall() -> None:
    changes = fell(press=0, predryer=12.4, reel=18.7)
    changes["sheet.couch"] = [
        Change(at_ms=LOSS_MS - 600_000, sees=True),
        Change(at_ms=LOSS_MS + 500, sees=False),
        Change(at_ms=LOSS_MS + 1_500, sees=True),
        Change(at_ms=LOSS_MS + 30_000, sees=False),
    ]

    couch = judged(changes).falls[0]

    assert (couch.verdict, couch.seen_s) == (Verdict.KNOCKED_OFF, 30.0)


def test_one_that_is_sent_only_when_it_changes_saw_the_sheet_before_its_first_word() -> None:
    changes = fell(press=0, predryer=12.4, reel=18.7)
    changes["sheet.couch"] = [Change(at_ms=LOSS_MS + 4_000, sees=False)]

    assert judged(changes).torn == (20.0, 32.0)


def test_one_that_saw_nothing_before_does_not_bound_where_it_tore() -> None:
    changes = fell(press=0, predryer=12.4, reel=18.7)
    changes["sheet.couch"] = [Change(at_ms=LOSS_MS - 600_000, sees=False)]

    found = judged(changes)

    assert found.falls[0].verdict == Verdict.NOT_SEEN
    assert found.torn == (0.0, 32.0)


def test_a_sheet_that_was_taken_off_is_not_called_torn() -> None:
    found = judged(fell(couch=0, press=0.9, predryer=13.3, reel=19.6))

    assert falls_said(found, "planned").startswith("couch lost it first: taken off between 0 and 20 m of path")
    assert "the machine was stopping" in falls_said(found, "stop")


def test_with_nothing_heard_no_detector_is_said_to_have_lost_it() -> None:
    found = judged({})

    assert found.torn is None
    assert falls_said(found) == "no detector was seen to lose the sheet at that moment."


@given(st.lists(st.tuples(st.integers(-900, 900), st.booleans()), max_size=12))
def test_spans_and_gaps_fill_the_time_and_never_overlap(said: list[tuple[int, bool]]) -> None:
    changes = [Change(at_ms=at * 1000, sees=sees) for at, sees in sorted(said)]

    spans = seen_spans(changes, -600_000, 600_000)

    assert all(a <= b for a, b in spans)
    assert all(one[1] <= two[0] for one, two in pairwise(spans))
    assert all(a >= -600_000 and b <= 600_000 for a, b in spans)
