"""What the collector says over MQTT."""

from __future__ import annotations

import json

import pytest

from collector.decode import Decoder
from collector.fact import DowntimeClosed, DowntimeOpened, Kind, LateValue, State
from collector.service import announce
from tests.mills import message, readable_mill

OPENED = DowntimeOpened(
    machine="pm2",
    downtime_id="pm2-20260301T020304Z",
    kind=Kind.BREAK,
    started_ms=1_772_330_584_500,
    section="press",
    location_tied=False,
    start_uncertain=False,
    unwitnessed=False,
    at_reel=False,
    grade="C80",
    shade="white",
    reel="17",
    speed_before_m_min=780.0,
    rate_before_t_h=12.7,
    on_reel_before_ms=None,
    since_turn_up_ms=None,
    since_grade_change_ms=None,
)
NOTE_ID = "0b54c6a2-1c5e-4a0f-9d2b-5f1f0d6a7e11"
CLOSED = DowntimeClosed(machine="pm2", downtime_id="pm2-20260301T020304Z", ended_ms=1_772_331_000_000)


def test_each_opening_and_closing_of_a_downtime_is_said_and_retained() -> None:
    said = list(announce.breaks("ellerholm", [OPENED, LateValue(machine="pm2", tag="x", at_ms=1), CLOSED]))

    assert [one.topic for one in said] == ["ellerholm/pm2/runnability/break"] * 2
    assert all(one.retain for one in said)
    opened, closed = (json.loads(one.payload) for one in said)
    # 1,772,330,584 s are 2026-03-01 02:03:04 UTC: 20,513 days of 86,400 s, then 7,384 s.
    assert opened["started_at"] == "2026-03-01T02:03:04.500Z"
    assert opened["ended_at"] is None
    assert closed["ended_at"] == "2026-03-01T02:10:00.000Z"


def test_the_live_state_says_that_it_is_provisional() -> None:
    said = announce.state("ellerholm", "pm2", State.THREADING, as_of_ms=0)

    assert said.topic == "ellerholm/pm2/runnability/state"
    assert json.loads(said.payload) == {"state": "threading", "as_of": "1970-01-01T00:00:00.000Z", "provisional": True}


def test_a_receipt_goes_to_its_machine_and_is_not_retained() -> None:
    said = announce.receipt("ellerholm", "pm2", "n1", accepted=False, reason="no such downtime")

    assert said.topic == "ellerholm/pm2/note/receipt"
    assert not said.retain


def refused(body: object, topic: str = "ellerholm/pm2/note") -> list[dict[str, object]]:
    decoded = Decoder(readable_mill()).decode(message(body, topic))
    assert decoded.rejected
    return [json.loads(said.payload) for said in announce.refusals("ellerholm", ["pm2"], decoded.rejected)]


def test_a_note_that_cannot_be_used_is_answered_with_the_reason() -> None:
    (said,) = refused({"note_id": NOTE_ID.upper(), "kind": "kind", "downtime": CLOSED.downtime_id})

    assert said == {"note_id": NOTE_ID, "accepted": False, "reason": 'a note of kind "kind" needs "new_kind"'}


def test_of_several_notes_in_one_message_those_that_cannot_be_used_are_answered() -> None:
    good = {"note_id": NOTE_ID, "kind": "cause", "downtime": CLOSED.downtime_id, "comment": "felt"}

    (said,) = refused([good, good | {"note_id": NOTE_ID[:-1] + "2", "comment": 7}])

    assert said["note_id"] == NOTE_ID[:-1] + "2"
    assert str(said["reason"]).startswith("element 1: ")


@pytest.mark.parametrize(
    "body",
    [b"[" * 100_000, b"\xff", [], 7, {"kind": "cause"}, {"note_id": 7}, {"note_id": "n1"}, [{"note_id": "x" * 9999}]],
    ids=lambda body: str(body)[:20],
)
def test_a_note_without_an_id_that_can_be_read_is_not_answered(body: object) -> None:
    assert refused(body) == []


def test_other_messages_and_other_machines_are_not_answered() -> None:
    assert refused({"note_id": NOTE_ID}, "ellerholm/pm2/lab") == []
    assert refused({"note_id": NOTE_ID}, "ellerholm/pm7/note") == []


def test_the_last_will_stands_where_health_is_said() -> None:
    assert announce.last_will("ellerholm")[0] == announce.health("ellerholm", {"status": "up"}).topic
