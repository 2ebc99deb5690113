"""Crew notes, clothing changes, lab results, grade orders."""

from __future__ import annotations

from typing import Any

import pytest

from collector.decode import Decoder
from collector.message import ClothingChange, Decoded, GradeOrder, LabResult, Note, NoteKind
from tests import mills
from tests.mills import RECEIVED_MS, SENT_MS, message, reason

DECODER = Decoder(mills.readable_mill())
NOTE_ID = "0b54c6a2-1c5e-4a0f-9d2b-5f1f0d6a7e11"
OTHER_ID = "7d0e2b1a-93f4-4c88-8f6d-2a9c4e5b6d22"
DOWNTIME = "pm2-20260301T015900Z"


def decode(word: str, body: object, **more: Any) -> Decoded:
    return DECODER.decode(message(body, f"ellerholm/pm2/{word}", **more))


def note(**fields: Any) -> Decoded:
    return decode("note", {"note_id": NOTE_ID, "ts": SENT_MS, "by": "K. L."} | fields)


def expected_note(kind: NoteKind, **fields: Any) -> Decoded:
    body: dict[str, Any] = {
        "note_id": NOTE_ID,
        "machine": "pm2",
        "at_ms": SENT_MS,
        "received_ms": RECEIVED_MS,
        "by": "K. L.",
    }
    return Decoded(context=[Note(kind=kind, **body | fields)])


def test_a_note_gives_a_downtime_its_cause() -> None:
    decoded = note(kind="cause", downtime=DOWNTIME, cause="PR-FLT", certainty="likely", comment="felt 2")

    assert decoded == expected_note(
        NoteKind.CAUSE, downtime=DOWNTIME, cause="PR-FLT", certainty="likely", comment="felt 2"
    )


def test_a_note_may_hold_only_a_comment() -> None:
    decoded = note(kind="cause", downtime=DOWNTIME, comment="shaking before it went")

    assert decoded == expected_note(NoteKind.CAUSE, downtime=DOWNTIME, comment="shaking before it went")


def test_a_note_corrects_the_kind() -> None:
    decoded = note(kind="kind", downtime=DOWNTIME, new_kind="planned")

    assert decoded == expected_note(NoteKind.KIND, downtime=DOWNTIME, new_kind="planned")


def test_a_missed_break_may_say_its_section() -> None:
    decoded = note(kind="missed", started=SENT_MS - 9000, ended=SENT_MS - 8000, section="press")

    assert decoded == expected_note(
        NoteKind.MISSED, started_ms=SENT_MS - 9000, ended_ms=SENT_MS - 8000, section="press"
    )


def test_a_section_that_says_nothing_is_refused_with_the_reason() -> None:
    elsewhere = note(kind="missed", started=SENT_MS - 9000, ended=SENT_MS - 8000, section="winder")
    of_found = note(kind="cause", downtime=DOWNTIME, comment="wet", section="press")

    assert reason(elsewhere) == '"section" is "winder": use press'
    assert reason(of_found) == '"section" belongs to a missed break: a downtime that was found has its own'


@pytest.mark.parametrize(
    ("word", "body"),
    [
        ("clothing", {"position": "felt", "installed": SENT_MS}),
        ("lab", {"test": "ash", "value": 1, "sampled": SENT_MS}),
        ("order", {"order_id": "4711", "grade": "C80"}),
    ],
)
def test_what_was_sent_by_mistake_can_be_taken_back(word: str, body: dict[str, Any]) -> None:
    (kept,), (taken_back,) = (decode(word, said).context for said in (body, {**body, "withdrawn": True}))

    assert not isinstance(kept, Note)
    assert not isinstance(taken_back, Note)
    assert (kept.withdrawn, taken_back.withdrawn) == (False, True)


def test_a_note_adds_a_missed_break() -> None:
    decoded = note(kind="missed", started=SENT_MS - 9000, ended="2026-03-01T02:03:00Z", cause="PR-FLT")

    assert decoded == expected_note(NoteKind.MISSED, started_ms=SENT_MS - 9000, ended_ms=SENT_MS - 4500, cause="PR-FLT")


def test_a_note_merges_two_downtimes() -> None:
    decoded = note(kind="merge", downtime=DOWNTIME, merge_into="pm2-20260301T015800Z")

    assert decoded == expected_note(NoteKind.MERGE, downtime=DOWNTIME, merge_into="pm2-20260301T015800Z")


@pytest.mark.parametrize("kind", [None, "withdrawal", "cause"])
def test_a_note_that_names_another_to_withdraw_is_a_withdrawal(kind: str | None) -> None:
    assert note(kind=kind, withdraws=OTHER_ID) == expected_note(NoteKind.WITHDRAWAL, withdraws=OTHER_ID)


def test_a_note_id_in_capitals_is_the_same_id() -> None:
    assert note(note_id=NOTE_ID.upper(), withdraws=OTHER_ID) == expected_note(NoteKind.WITHDRAWAL, withdraws=OTHER_ID)


def test_a_note_without_a_time_has_that_of_receipt() -> None:
    assert note(ts=None, withdraws=OTHER_ID) == expected_note(
        NoteKind.WITHDRAWAL, withdraws=OTHER_ID, at_ms=RECEIVED_MS
    )


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, '"kind" is missing: use cause, kind, missed, merge or withdrawal'),
        ({"kind": "delete"}, '"kind" is "delete": use cause'),
        ({"kind": "cause", "cause": "PR-FLT"}, 'needs "downtime"'),
        ({"kind": "cause", "downtime": DOWNTIME}, 'needs "cause" or "comment"'),
        ({"kind": "cause", "downtime": DOWNTIME, "cause": "PR-FLY"}, 'no cause "PR-FLY": did you mean "PR-FLT"?'),
        ({"kind": "cause", "downtime": DOWNTIME, "cause": "?"}, "add it there as a [[cause]]"),
        (
            {"kind": "cause", "downtime": DOWNTIME, "cause": "PR-FLT", "certainty": "sure"},
            '"certainty" is "sure": use suspected, likely or confirmed',
        ),
        ({"kind": "cause", "downtime": 7, "cause": "PR-FLT"}, '"downtime" must be a text or null, not a number'),
        ({"kind": "cause", "downtime": DOWNTIME, "comment": "x" * 2001}, '"comment" must have at most 2000 characters'),
        ({"kind": "kind", "downtime": DOWNTIME}, 'needs "new_kind"'),
        ({"kind": "kind", "downtime": DOWNTIME, "new_kind": "brake"}, '"new_kind" is "brake": use break, stop'),
        ({"kind": "missed"}, 'needs "started"'),
        ({"kind": "missed", "started": "two"}, '"started": time "two" is not RFC 3339'),
        ({"kind": "missed", "started": SENT_MS, "ended": SENT_MS}, '"ended" must be later than "started"'),
        ({"kind": "missed", "started": SENT_MS + 400_000}, '"started": time is 394 s ahead of receipt'),
        ({"kind": "merge", "downtime": DOWNTIME}, 'needs "merge_into"'),
        ({"kind": "merge", "downtime": DOWNTIME, "merge_into": DOWNTIME}, "must name another downtime"),
        ({"kind": "withdrawal"}, 'needs "withdraws"'),
        ({"withdraws": "last"}, '"withdraws" must be a UUID, not "last"'),
        ({"withdraws": OTHER_ID, "note_id": "1"}, '"note_id" must be a UUID, not "1"'),
        ({"withdraws": OTHER_ID, "note_id": None}, '"note_id" must be a text, not null'),
        ({"withdraws": OTHER_ID, "ts": 5}, "before 1990"),
    ],
)
def test_a_note_that_cannot_hold_is_rejected_with_what_to_change(fields: dict[str, Any], expected: str) -> None:
    decoded = note(**fields)

    assert expected in reason(decoded)
    assert decoded.context == []


def test_a_change_of_clothing() -> None:
    decoded = decode("clothing", {"position": "felt 2", "installed": "2026-02-24T10:00:00+02:00", "by": "K. L."})

    # 2026-03-01T02:03:10Z is 4 days, 18 h, 3 min, 10 s after 2026-02-24T08:00:00Z: 410,590 s.
    assert decoded == Decoded(
        context=[
            ClothingChange(
                machine="pm2",
                position="felt 2",
                installed_ms=RECEIVED_MS - 410_590_000,
                received_ms=RECEIVED_MS,
                by="K. L.",
            )
        ]
    )


def test_a_lab_result_belongs_to_the_time_of_its_sample() -> None:
    decoded = decode("lab", {"test": "ash", "value": 21, "unit": "%", "sampled": SENT_MS, "reel": 4711, "ts": SENT_MS})

    assert decoded == Decoded(
        context=[
            LabResult(
                machine="pm2",
                sampled_ms=SENT_MS,
                received_ms=RECEIVED_MS,
                test="ash",
                value=21.0,
                unit="%",
                reel="4711",
            )
        ]
    )


def test_a_grade_order() -> None:
    body = {"order_id": 88, "grade": "C80", "shade": "white", "basis_weight": 80, "tonnes": 120.5, "ts": SENT_MS}

    assert decode("order", body) == Decoded(
        context=[
            GradeOrder(
                machine="pm2",
                order_id="88",
                at_ms=SENT_MS,
                received_ms=RECEIVED_MS,
                grade="C80",
                shade="white",
                basis_weight_g_m2=80.0,
                tonnes_t=120.5,
            )
        ]
    )


@pytest.mark.parametrize(
    ("word", "body", "expected"),
    [
        ("clothing", {"position": "felt 2"}, 'has no "installed"'),
        ("clothing", {"position": "", "installed": SENT_MS}, '"position" must have at least 1 characters'),
        ("clothing", {"position": "felt 2", "installed": RECEIVED_MS + 300_001}, '"installed": time is 300 s ahead'),
        ("lab", {"test": "ash", "value": True, "sampled": SENT_MS}, '"value" must be a number, not true or false'),
        ("lab", {"test": "ash", "value": "21", "sampled": SENT_MS}, '"value" must be a number, not a text'),
        ("lab", {"test": "ash", "value": 21}, 'has no "sampled"'),
        ("order", {"order_id": "88"}, 'has no "grade"'),
        ("order", {"order_id": "88", "grade": "C80", "tonnes": 0}, '"tonnes" must be more than 0'),
        ("order", b"C80", "is not JSON"),
        ("order", [], None),
        ("order", 5, "must be an object, not a number"),
    ],
)
def test_what_lacks_something_is_rejected_with_what_to_change(word: str, body: object, expected: str | None) -> None:
    decoded = decode(word, body)

    assert decoded.context == []
    assert expected is None or expected in reason(decoded)


def test_the_good_results_of_a_list_are_kept() -> None:
    results = [{"test": "ash", "value": value, "sampled": SENT_MS} for value in (20, "x", 21)]

    decoded = decode("lab", results)

    assert [one.value for one in decoded.context if isinstance(one, LabResult)] == [20.0, 21.0]
    assert reason(decoded) == 'element 1: "value" must be a number, not a text'


def test_a_note_for_an_unknown_machine_is_rejected() -> None:
    decoded = DECODER.decode(message({}, "ellerholm/pm9/note"))

    assert reason(decoded) == 'unknown machine "pm9": mill.toml names pm2'
