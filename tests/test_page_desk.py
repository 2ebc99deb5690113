"""Notes handed in at the desk: said to a real broker in their order, and again until they are answered."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analysis.broker.address import Broker, broker_of
from analysis.page import desk as module
from analysis.page.desk import Desk
from analysis.page.outbox import Outbox, Way
from analysis.read import open_store
from collector.mqtt.broker import free_port
from tests.analysis_store import HandMadeStore, at
from tests.servers import mosquitto_at, wait_until
from tests.test_secured_broker import secured

TOPIC = "ellerholm/pm2/note"


@contextmanager
def desk_at(folder: Path, broker: Broker) -> Iterator[Desk]:
    with Desk(Outbox(folder / "outbox"), broker, "ellerholm", now_ms=lambda: time.time_ns() // 1_000_000) as desk:
        yield desk


def published(folder: Path, note_id: str, rejected_id: str, *, withdrawn: bool = False) -> Path:
    """A store that has one note, and has rejected the message of another."""
    made = HandMadeStore(folder)
    made.machine("2026-03-01 00:00", "2026-03-02 00:00")
    made.insert(
        "note", note_id=note_id, machine="pm2", kind="cause", noted_at=at("2026-03-01 01:00"),
        received_at=at("2026-03-01 01:00"), receipt=1, downtime_id="pm2-20260301T000000Z", comment="a",
    )  # fmt: skip
    if withdrawn:
        made.insert(
            "note", note_id="w", machine="pm2", kind="withdrawal", noted_at=at("2026-03-01 02:00"),
            received_at=at("2026-03-01 02:00"), receipt=2, withdraws=note_id,
        )  # fmt: skip
    made.insert(
        "rejected_message", received_at=at("2026-03-01 01:00"), topic=TOPIC, reason="mill.toml has no cause X",
        payload=b'{"note_id": "' + rejected_id.encode() + b'", "comment": "\xc3\xb6"}',
    )  # fmt: skip
    return made.close(published="2026-03-02 00:00", data_to="2026-03-02 00:00")


def test_a_note_goes_once_the_store_has_it_and_one_that_it_rejected_is_told_with_the_reason(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    broker = Broker(port=free_port())
    with Desk(outbox, broker, "ellerholm", now_ms=lambda: time.time_ns() // 1_000_000) as desk:
        there, rejected, other = (desk.hand_in("pm2", {"kind": "cause", "comment": text}) for text in "abc")
        for kept in (there, rejected, other):
            outbox.mark(kept.note_id, Way.SENT)

        with open_store(published(tmp_path, there.note_id, rejected.note_id)) as store:
            desk.settle(store)

        assert [(kept.note_id, kept.way, kept.reason) for kept in desk.all()] == [
            (rejected.note_id, Way.REFUSED, "mill.toml has no cause X"),
            (other.note_id, Way.SENT, None),
        ]


def test_a_note_that_changes_nothing_stays_until_it_is_taken_back(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    with Desk(outbox, Broker(port=free_port()), "ellerholm", now_ms=lambda: 0) as desk:
        kept = desk.hand_in("pm2", {"kind": "cause", "comment": "a"})
        outbox.mark(kept.note_id, Way.TAKEN, "no such downtime")
        (tmp_path / "before").mkdir()
        (tmp_path / "after").mkdir()

        with open_store(published(tmp_path / "before", kept.note_id, "x")) as store:
            desk.settle(store)
        before = desk.all()
        with open_store(published(tmp_path / "after", kept.note_id, "x", withdrawn=True)) as store:
            desk.settle(store)

        assert [one.note_id for one in before] == [kept.note_id]
        assert desk.all() == ()


class Collector:
    """Hears notes, and answers them when a test says so."""

    def __init__(self, port: int) -> None:
        self.heard: list[dict[str, str]] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _, __, message: self.heard.append(json.loads(message.payload))
        self._subscribed = False
        self._client.on_subscribe = lambda *_: setattr(self, "_subscribed", True)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(TOPIC, qos=1)
        wait_until(lambda: self._subscribed, what="the collector's subscription")

    def answer(self, payload: object) -> None:
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self._client.publish(f"{TOPIC}/receipt", raw, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def collector_at(port: int) -> Iterator[Collector]:
    collector = Collector(port)
    try:
        yield collector
    finally:
        collector.close()


def ways(desk: Desk) -> list[Way]:
    return [kept.way for kept in desk.all()]


def answered(desk: Desk) -> bool:
    """Whether the broker has taken the only note, or said why not."""
    (kept,) = desk.all()
    return kept.way is not Way.WAITING or kept.reason is not None


@pytest.mark.broker
def test_notes_made_while_the_broker_was_away_go_out_in_their_order_once_it_is_back(tmp_path: Path) -> None:
    port = free_port()
    with desk_at(tmp_path, Broker(port=port)) as desk:
        for number in range(30):
            desk.hand_in("pm2", {"kind": "cause", "comment": str(number)})
        assert ways(desk) == [Way.WAITING] * 30

        with mosquitto_at(tmp_path / "mosquitto", port=port), collector_at(port) as collector:
            wait_until(lambda: len(collector.heard) >= 30, what="all notes")
            wait_until(lambda: ways(desk) == [Way.SENT] * 30, what="the broker's answers")

    assert [note["comment"] for note in collector.heard] == [str(number) for number in range(30)]


@pytest.mark.broker
def test_what_was_not_answered_is_said_again_after_each_connection_with_the_same_id(tmp_path: Path) -> None:
    port = free_port()
    with desk_at(tmp_path, Broker(port=port)) as desk:
        with mosquitto_at(tmp_path / "mosquitto", port=port), collector_at(port) as collector:
            kept = desk.hand_in("pm2", {"kind": "cause", "comment": "a"})
            wait_until(lambda: ways(desk) == [Way.SENT], what="the broker's answer")

        with mosquitto_at(tmp_path / "another", port=port), collector_at(port) as again:
            wait_until(lambda: again.heard, what="the note's second coming")

    assert collector.heard == again.heard == [dict(kept.note)]


@pytest.mark.broker
def test_a_note_that_the_broker_had_nobody_to_give_to_is_said_again(
    tmp_path: Path, mosquitto: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "FIRST_AGAIN_S", 0.05)
    with desk_at(tmp_path, Broker(port=mosquitto)) as desk:
        kept = desk.hand_in("pm2", {"kind": "cause", "comment": "a"})
        wait_until(lambda: ways(desk) == [Way.SENT], what="the broker's answer")

        with collector_at(mosquitto) as collector:
            wait_until(lambda: collector.heard, what="the note, said again")
            collector.answer({"note_id": kept.note_id, "accepted": True, "reason": None})
            wait_until(lambda: ways(desk) == [Way.TAKEN], what="the answer")


@pytest.mark.broker
def test_a_receipt_says_what_became_of_a_note_and_nonsense_says_nothing(tmp_path: Path, mosquitto: int) -> None:
    with desk_at(tmp_path, Broker(port=mosquitto)) as desk, collector_at(mosquitto) as collector:
        wait_until(lambda: desk.connected, what="the connection")
        first, second = (desk.hand_in("pm2", {"kind": "cause", "comment": text}) for text in "ab")
        wait_until(lambda: len(collector.heard) == 2, what="both notes")

        for nonsense in (b"\xff", b"[]", b"{}", b"[" * 100_000, {"note_id": 7, "accepted": True}):
            collector.answer(nonsense)
        collector.answer({"note_id": first.note_id, "accepted": True, "reason": None})
        collector.answer({"note_id": second.note_id, "accepted": False, "reason": "no such downtime"})
        wait_until(lambda: ways(desk) == [Way.TAKEN, Way.REFUSED], what="both answers")

        assert [kept.reason for kept in desk.all()] == [None, "no such downtime"]


@pytest.mark.broker
def test_the_user_that_ships_for_the_page_may_do_what_it_needs_and_without_rights_notes_wait(
    tmp_path: Path,
) -> None:
    with secured(tmp_path / "broker") as broker:
        for user, allowed in (("page", True), ("watch", False)):
            folder = tmp_path / user
            folder.mkdir()
            (folder / "mill.toml").write_text(f"[broker]\nport = {broker.port}\n{broker.lines(user)}\n")

            with desk_at(folder, broker_of(folder / "mill.toml", user_of="page")) as desk:
                desk.hand_in("pm2", {"kind": "cause", "comment": "a"})
                wait_until(partial(answered, desk), what=f"the answer to {user}")

                assert (ways(desk), desk.all()[0].reason) == (
                    ([Way.SENT], None) if allowed else ([Way.WAITING], "the broker: Not authorized")
                )
