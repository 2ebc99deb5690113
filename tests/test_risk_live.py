"""The scorer at work with real brokers: from the demo mill's stream to the retained message, and to its last will."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from iotcore import Broker as OldBroker
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from analysis.broker.address import Broker, broker_of
from analysis.read import open_store
from analysis.risk.bulletin import Bulletin, Condition
from analysis.risk.card import Card, save
from analysis.risk.live import Scorer, client_id_of, serve, topic_of
from analysis.risk.outlet import Outlet
from analysis.risk.windows import Feature
from collector.decode import Decoder
from collector.load import load
from collector.message import Message
from collector.mqtt.broker import free_port
from collector.mqtt.replay import Publisher, replay
from collector.publish import publish
from collector.settings import load_mill
from collector.store import Store
from tests.risk_card import hand_card, straight
from tests.servers import accepts, mosquitto_at, wait_until
from tests.test_service import collecting, golden_messages, mill_at

TOPIC = "ellerholm/pm2/runnability/risk"
DRAW = straight(Feature(tag="press.draw", stat="mean", window_min=5, unit="%"), slope=10.0, middle=1.8)
JUST_AFTER_MS = 20_000
"""The clock stands so long after the newest data. [ms]"""
LATE_EVENING_MS = 1_772_574_300_000
"""2026-03-03 21:45 UTC: in the recorded night the sheet has then been on the reel for half an hour."""


def evening() -> list[Message]:
    """The recorded night up to where the sheet has been on the reel for a while."""
    return [message for message in golden_messages() if message.received_ms <= LATE_EVENING_MS]


class Listener:
    """A subscriber of the risk topic, connected anew: what it hears first is what was retained."""

    def __init__(self, port: int, version: MQTTProtocolVersion) -> None:
        self.heard: list[dict[str, Any]] = []
        self.retained: list[bool] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=version)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        wait_until(self._client.is_connected, what="the listener's connection")
        self._client.subscribe(TOPIC, qos=1)

    def _take(self, _: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        self.heard.append(json.loads(message.payload))
        self.retained.append(message.retain)

    @property
    def state(self) -> str | None:
        return self.heard[-1]["state"] if self.heard else None

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def listening(port: int, version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5) -> Iterator[Listener]:
    listener = Listener(port, version)
    try:
        yield listener
    finally:
        listener.close()


def model_in(folder: Path, card: Card | None = None) -> dict[str, Path]:
    """A model where the commands look for it."""
    file = folder / "risk" / "pm2.json"
    file.parent.mkdir(exist_ok=True)
    save(card or hand_card(DRAW), file)
    return {"pm2": file}


def newest_ms(path: Path) -> int:
    with open_store(path) as store:
        return store.machine("pm2").last_ms or 0


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """The recorded night, loaded and published without a broker; gives its mill.toml."""
    mill = mill_at(tmp_path, free_port())
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "test")
        load(mill, store, evening())
        publish(store, mill, now_ms=1)
    return tmp_path / "mill.toml"


@contextmanager
def scoring(path: Path, cards: dict[str, Path], port: int, clock_ms: list[int], **more: bool) -> Iterator[None]:
    """The scorer at work in a thread, by a clock that the test sets; an error in it fails the test."""
    stopping, errors = threading.Event(), list[BaseException]()

    def run() -> None:
        try:
            scorer = Scorer(path, cards, **more)
            broker = replace(broker_of(path), port=port)
            now_ms = lambda: clock_ms[-1]  # noqa: E731
            serve(scorer, broker, "ellerholm", list(cards), now_ms=now_ms, stopping=stopping, poll_s=0.05)
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stopping.set()
        thread.join(30)
    assert not errors, errors


@pytest.mark.broker
def test_what_the_machine_sends_comes_back_as_its_retained_risk(broker_port: int, tmp_path: Path) -> None:
    mill = mill_at(tmp_path, broker_port, publish_every_s=0.3)
    messages, path, clock_ms = evening(), tmp_path / "mill.toml", [0]
    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        with Publisher(mill.broker) as publisher:
            replay(publisher, messages)
        wait_until(lambda: collector.counts.messages == len(messages), what="the last commit")
        wait_until(lambda: newest_ms(path) >= messages[-1].received_ms - 2000, what="its publication")
        clock_ms.append(newest_ms(path) + JUST_AFTER_MS)

        with scoring(path, model_in(tmp_path), broker_port, clock_ms), listening(broker_port) as listener:
            wait_until(lambda: listener.state == "scored", what="a scored minute")
            with listening(broker_port) as late:
                wait_until(lambda: late.heard, what="the retained message")

                assert late.retained[0]
                assert late.heard[0]["state"] == "scored"

    said = next(told for told in listener.heard if told["state"] == "scored")
    assert 0 < said["risk"] < 1
    assert said["data_age_s"] == JUST_AFTER_MS / 1000
    assert said["model"]["id"] == hand_card(DRAW).model_id
    assert "Advisory only" in said["notice"]
    with open_store(path) as store:
        # The collector hears what the scorer says, takes nothing in, and rejects nothing of it.
        assert store.rows("SELECT count(*) AS n FROM rejected_message WHERE topic = $topic", topic=TOPIC) == [{"n": 0}]


@pytest.mark.broker
def test_a_scorer_that_is_killed_leaves_no_risk_standing(broker_port: int, night: Path) -> None:
    text = night.read_text(encoding="utf-8")
    port = load_mill(night).broker.port
    night.write_text(text.replace(f"port = {port}", f"port = {broker_port}"), encoding="utf-8")
    model_in(night.parent)
    command = [sys.executable, "-m", "breakhorn", "--mill", str(night), "risk", "live"]
    with listening(broker_port) as listener, subprocess.Popen(command, stderr=subprocess.PIPE) as scorer:
        # By the real clock the recorded night is long past.
        wait_until(lambda: listener.state == "stale", what="the first message")

        scorer.kill()

        wait_until(lambda: listener.state == "gone", what="the last will")
        scorer.communicate()
    with listening(broker_port) as late:
        wait_until(lambda: late.heard, what="the retained will")
        assert late.heard[0]["state"] == "gone"
        assert late.heard[0]["risk"] is None


@pytest.mark.broker
def test_a_scorer_that_is_asked_to_end_says_so_and_ends_well(mosquitto: int, night: Path) -> None:
    text = night.read_text(encoding="utf-8")
    night.write_text(text.replace(f"port = {load_mill(night).broker.port}", f"port = {mosquitto}"), encoding="utf-8")
    model_in(night.parent)
    command = [sys.executable, "-m", "breakhorn", "--mill", str(night), "risk", "live"]
    with listening(mosquitto) as listener, subprocess.Popen(command, stderr=subprocess.PIPE) as scorer:
        wait_until(lambda: listener.state == "stale", what="the first message")

        scorer.send_signal(signal.SIGTERM)

        wait_until(lambda: listener.state == "stopped", what="the farewell")
        scorer.communicate(timeout=30)
    assert scorer.returncode == 0


def turn(scorer: Scorer, now_ms: int) -> Bulletin:
    (told,) = scorer.turn(now_ms)
    return told


def test_nothing_new_is_not_said_again_for_a_minute(night: Path) -> None:
    scorer, now_ms = Scorer(night, model_in(night.parent)), newest_ms(night) + JUST_AFTER_MS

    first = scorer.turn(now_ms)

    assert [told.condition for told in first] == [Condition.SCORED]
    assert scorer.turn(now_ms + 59_999) == []
    assert [told.condition for told in scorer.turn(now_ms + 60_000)] == [Condition.SCORED]


def test_data_that_grow_old_end_the_risk_at_once(night: Path) -> None:
    scorer, newest = Scorer(night, model_in(night.parent)), newest_ms(night)
    assert turn(scorer, newest + 100_000).condition is Condition.SCORED

    found = turn(scorer, newest + 181_000)

    assert found.condition is Condition.STALE
    assert found.said["risk"] is None


def test_a_new_model_is_taken_up_by_itself_and_a_broken_one_ends_the_risk(night: Path) -> None:
    cards = model_in(night.parent)
    scorer, now_ms = Scorer(night, cards), newest_ms(night) + JUST_AFTER_MS
    old = turn(scorer, now_ms)
    other = hand_card(DRAW, base=0.0)
    save(other, cards["pm2"])
    new = turn(scorer, now_ms + 60_000)
    cards["pm2"].write_text("{}", encoding="utf-8")
    broken = turn(scorer, now_ms + 120_000)

    assert old.said["model"]["id"] != new.said["model"]["id"] == other.model_id
    assert new.said["risk"] > old.said["risk"]
    assert broken.condition is Condition.STALE
    assert "is no model of Breakhorn" in broken.because


def test_a_model_without_a_good_verdict_warns_only_when_forced(night: Path) -> None:
    # A risk of a half at every minute, a level far below it: a warning is due each 20 minutes on the reel.
    card = hand_card(DRAW, base=0.0, level=0.01, live=False, to_ms=LATE_EVENING_MS - 3_600_000)
    cards, now_ms = model_in(night.parent, card), newest_ms(night) + JUST_AFTER_MS

    off, forced = turn(Scorer(night, cards), now_ms), turn(Scorer(night, cards, forced=True), now_ms)

    assert not off.said["warning"]["allowed"]
    assert off.said["warning"]["last_at"] is None
    assert forced.said["warning"]["forced"]
    assert forced.said["warning"]["last_at"] is not None
    assert off.said["last_days"] == forced.said["last_days"]


def test_a_model_of_another_machine_is_refused(night: Path) -> None:
    cards = model_in(night.parent, hand_card(DRAW, machine="pm3"))

    found = turn(Scorer(night, cards), newest_ms(night) + JUST_AFTER_MS)

    assert "is a model of machine 'pm3', not of 'pm2'" in found.because


def test_a_store_that_is_not_there_ends_the_risk_and_not_the_scorer(night: Path) -> None:
    scorer, now_ms = Scorer(night, model_in(night.parent)), newest_ms(night) + JUST_AFTER_MS
    assert turn(scorer, now_ms).condition is Condition.SCORED
    store = load_mill(night).store.folder
    store.rename(store.with_name("away"))

    gone = turn(scorer, now_ms + 1_000)
    store.with_name("away").rename(store)
    back = turn(scorer, now_ms + 2_000)

    assert gone.condition is Condition.STALE
    assert "nothing is published" in gone.because
    assert back.condition is Condition.SCORED


def test_scoring_writes_nothing(night: Path) -> None:
    cards = model_in(night.parent)
    before = {p: p.read_bytes() for p in night.parent.rglob("*") if p.is_file()}

    Scorer(night, cards).turn(newest_ms(night) + JUST_AFTER_MS)

    assert {p: p.read_bytes() for p in night.parent.rglob("*") if p.is_file()} == before


def test_the_collector_takes_nothing_in_from_the_risk_topic(tmp_path: Path) -> None:
    decoder = Decoder(mill_at(tmp_path, 1883))

    decoded = decoder.decode(Message(received_ms=1, topic=topic_of("ellerholm", "pm2"), payload=b'{"risk": 0.5}'))

    assert topic_of("ellerholm", "pm2") == TOPIC
    assert decoded.ours
    assert not decoded.rejected
    assert not decoded.scans


def test_nobody_takes_the_name_of_the_collector_at_the_broker(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    theirs = mill_at(tmp_path, 1883).broker.client_id

    assert client_id_of(broker_of(path), "ellerholm", "pm2") not in (theirs, "")
    assert client_id_of(broker_of(path), "ellerholm", "pm2") != client_id_of(broker_of(path), "ellerholm", "pm3")


def outlet(port: int) -> Outlet:
    broker = Broker(port=port)
    return Outlet(broker, client_id="risk-test", topic=TOPIC, will=b'{"state": "gone"}')


@pytest.mark.broker
def test_what_could_not_be_said_while_the_broker_was_away_is_said_once_it_is_there(tmp_path: Path) -> None:
    port = free_port()
    with outlet(port) as out:
        out.say(b'{"state": "first"}')
        out.say(b'{"state": "newest"}')
        with mosquitto_at(tmp_path / "mosquitto", port=port), listening(port) as listener:
            wait_until(lambda: listener.heard, what="the message")

            assert [told["state"] for told in listener.heard] == ["newest"]
            out.farewell(b'{"state": "stopped"}')
            wait_until(lambda: listener.state == "stopped", what="the farewell")


@pytest.mark.broker
def test_a_broker_that_knows_only_mqtt_3_1_1_is_told_too() -> None:
    port = free_port()

    with OldBroker(port=port, listen="127.0.0.1", max_payload_size=1_000_000):
        wait_until(lambda: accepts(port), what="the broker's start")
        with outlet(port) as out:
            wait_until(lambda: out.connected, what="the connection over MQTT 3.1.1")
            with listening(port, MQTTProtocolVersion.MQTTv311) as listener:
                out.say(b'{"state": "scored"}')
                wait_until(lambda: listener.state == "scored", what="the message")


def fail_once_heard(out: Outlet, listener: Listener) -> None:
    wait_until(lambda: out.connected, what="the connection")
    out.say(b'{"state": "scored"}')
    wait_until(lambda: listener.state == "scored", what="the message")
    raise ZeroDivisionError


@pytest.mark.broker
def test_an_error_in_the_scorer_leaves_the_last_will_standing(mosquitto: int) -> None:
    with listening(mosquitto) as listener:
        with pytest.raises(ZeroDivisionError), outlet(mosquitto) as out:
            fail_once_heard(out, listener)

        wait_until(lambda: listener.state == "gone", what="the last will")
