"""The collector at work with real brokers: what was published is what readers find, however it came."""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import paho.mqtt.client as mqtt
import pytest
from iotcore import Broker
from paho.mqtt.enums import CallbackAPIVersion

from collector.load import load
from collector.message import Message
from collector.mqtt.broker import free_port
from collector.mqtt.replay import Publisher, replay
from collector.publish import publish
from collector.service.serve import Collector, serve
from collector.settings import Mill, load_mill
from collector.store import Store
from collector.stream import read_stream
from tests.servers import wait_until

GOLDEN = Path(__file__).parent.parent / "replay_data" / "golden"
ROWS = {
    "sample": "machine, tag, sampled_at, value, flags",
    "sample_text": "machine, tag, sampled_at, text, flags",
    "machine_state": "*",
    "downtime": "*",
    "threading_attempt": "*",
    "detector_fault": "*",
    "production": "*",
    # Sums over rows, which two stores add up in another order: the same to a thousandth of a gram.
    "reel": "* REPLACE (round(tonnes_t, 9) AS tonnes_t)",
    "grade_run": "* REPLACE (round(tonnes_t, 9) AS tonnes_t)",
    "note": "* EXCLUDE (received_at)",
    "rejected_message": "topic, reason, payload",
}


def mill_at(folder: Path, port: int, *, publish_every_s: float = 10, broker: str = "", store: str = "") -> Mill:
    """The demo mill with its store in a folder and its broker at a port; more lines for [broker] and [store]."""
    folder.mkdir(exist_ok=True)
    text = (Path(__file__).parent.parent / "replay_data" / "mill.toml").read_text()
    path = folder / "mill.toml"
    # One wide filter, since the embedded broker keeps order only within a subscription.
    text = text.replace("port = 1883", f'port = {port}\nsubscribe = "ellerholm/#"\n{broker}')
    path.write_text(text.replace("[store]", f"[store]\npublish_every_s = {publish_every_s}\n{store}"))
    return load_mill(path)


def golden_messages() -> list[Message]:
    """A recorded night, and two heartbeats after it: live, the newest second always waits in the reorder buffer."""
    messages = list(read_stream(GOLDEN / "night_shift" / "stream.jsonl.gz"))
    last_ms = max(message.received_ms for message in messages)
    for later_ms in (last_ms + 100, last_ms + 1_200):
        payload = json.dumps({"ts": later_ms, "values": {"heartbeat": 1}}).encode()
        messages.append(Message(received_ms=later_ms, topic="ellerholm/pm2/scan", payload=payload))
    return messages


def rows(mill: Mill) -> dict[str, list[tuple[object, ...]]]:
    """All that readers find, view by view, in one order."""
    with duckdb.connect(mill.store.folder / "published.duckdb", read_only=True) as connection:
        return {
            view: sorted(connection.execute(f"SELECT {columns} FROM {view}").fetchall(), key=repr)
            for view, columns in ROWS.items()
        }


@contextmanager
def collecting(mill: Mill) -> Iterator[Collector]:
    """A collector at work in a thread; an error in it fails the test."""
    at_work: queue.Queue[Collector] = queue.Queue()
    errors: list[BaseException] = []

    def run() -> None:
        try:
            serve(mill, version="test", ready=at_work.put)
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    collector = at_work.get(timeout=30)
    try:
        yield collector
    finally:
        collector.stop()
        thread.join(30)
    assert not errors, errors


def loaded(folder: Path, messages: list[Message], *, flush: bool = True) -> dict[str, list[tuple[object, ...]]]:
    """What readers find after the same messages were loaded without a broker."""
    folder.mkdir()
    mill = mill_at(folder, 1883)
    store = Store.open(mill.store.folder, mill, now_ms=0)
    store.begin_run(0, "test")
    load(mill, store, messages, flush=flush)
    publish(store, mill, now_ms=1)
    assert store.inconsistencies() == []
    store.close()
    return rows(mill)


@pytest.mark.broker
@pytest.mark.parametrize("off_the_wire", ["true", "false"])
def test_live_and_load_give_the_same_rows(broker_port: int, tmp_path: Path, off_the_wire: str) -> None:
    messages = golden_messages()
    mill = mill_at(tmp_path, broker_port, broker=f"off_the_wire = {off_the_wire}")

    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        with Publisher(mill.broker) as publisher:
            replay(publisher, messages)
        wait_until(lambda: collector.counts.messages == len(messages), what="the last commit")

    live, after_load = rows(mill), loaded(tmp_path / "loaded", messages)
    for view in ROWS:
        assert live[view] == after_load[view], view


@pytest.mark.broker
def test_what_was_published_while_the_collector_was_away_is_collected(broker_port: int, tmp_path: Path) -> None:
    messages = golden_messages()
    half = len(messages) // 2
    mill = mill_at(tmp_path, broker_port)

    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        with Publisher(mill.broker) as publisher:
            replay(publisher, messages[:half])
        wait_until(lambda: collector.counts.messages == half, what="the commit of the first half")
    with Publisher(mill.broker) as publisher:
        replay(publisher, messages[half:])
    with collecting(mill) as collector:
        wait_until(lambda: collector.counts.messages == len(messages) - half, what="the commit of the rest")

    assert rows(mill)["sample"] == loaded(tmp_path / "loaded", messages)["sample"]


@pytest.mark.broker
def test_state_health_and_receipts_are_said(mosquitto: int, tmp_path: Path) -> None:
    mill = mill_at(tmp_path, mosquitto)
    heard: dict[str, dict[str, object]] = {}
    receipts: list[dict[str, object]] = []

    def hear(_: object, __: object, message: mqtt.MQTTMessage) -> None:
        heard[message.topic] = json.loads(message.payload)
        if message.topic.endswith("/receipt"):
            receipts.append(heard[message.topic])

    listener = mqtt.Client(CallbackAPIVersion.VERSION2)
    listener.on_message = hear
    listener.connect("127.0.0.1", mosquitto)
    listener.loop_start()
    wait_until(listener.is_connected, what="the listener's connection")
    listener.subscribe([(f"ellerholm/{topic}", 1) for topic in ("+/runnability/#", "collector/#", "+/note/receipt")])
    note = json.dumps(
        {
            "note_id": "7f0c0f0e-2f3e-4c61-9a52-6c1f6f2f1a11",
            "downtime": "pm2-20200101T000000Z",
            "kind": "cause",
            "cause": "XX-UNK",
            "ts": "2026-02-02T00:00:00Z",
        }
    )

    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        listener.publish("ellerholm/pm2/note", note, qos=1)
        wait_until(lambda: len(receipts) == 1, what="the receipt")
        listener.publish("ellerholm/pm2/note", note.replace("XX-UNK", "NO-CODE"), qos=1)
        wait_until(lambda: len(receipts) == 2, what="the receipt of a note that cannot be used")
        wait_until(lambda: "ellerholm/pm2/runnability/state" in heard, what="the state")
        wait_until(lambda: "ellerholm/collector/health" in heard, what="the health message")

    assert [said["accepted"] for said in receipts] == [True, False]
    assert "mill.toml has no cause" in str(receipts[1]["reason"])
    assert heard["ellerholm/pm2/runnability/state"]["state"] == "no_data"
    wait_until(lambda: heard["ellerholm/collector/health"]["status"] == "stopped", what="the last health message")
    listener.disconnect()
    listener.loop_stop()


@pytest.mark.broker
def test_a_broker_that_knows_only_mqtt_3_1_1_will_do(tmp_path: Path) -> None:
    port = free_port()
    mill = mill_at(tmp_path, port)

    with Broker(port=port, listen="127.0.0.1", max_payload_size=1_000_000), collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the connection over MQTT 3.1.1")
        publisher = mqtt.Client(CallbackAPIVersion.VERSION2)
        publisher.connect("127.0.0.1", port)
        publisher.loop_start()
        publisher.publish("ellerholm/pm2/tag/press.draw", "1.8", qos=1).wait_for_publish(5)
        wait_until(lambda: collector.counts.samples == 1, what="the commit")
        publisher.loop_stop()

    assert [row[:2] for row in rows(mill)["sample"]] == [("pm2", "press.draw")]
