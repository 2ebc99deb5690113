"""What ``record`` writes of a live broker leads, loaded or replayed, to the rows of the messages themselves."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import publish

from collector.decode import Decoder
from collector.load import load
from collector.message import Message
from collector.mqtt.edge_node import as_sparkplug
from collector.mqtt.record import record
from collector.mqtt.replay import Publisher, replay
from collector.settings import Mill, parse_mill
from collector.store import Store
from collector.stream import read_stream
from tests.mills import EXAMPLE, example
from tests.servers import wait_until

NIGHT = Path(__file__).parent.parent / "replay_data" / "golden" / "night_shift" / "stream.jsonl.gz"
T = 1_772_330_400_000
"""2026-03-01T02:00Z"""

QUERIES = (
    "SELECT tag_id, sampled_at, value FROM base.hot_sample ORDER BY ALL",
    "SELECT downtime_id, kind, started_at, ended_at, section FROM base.downtime ORDER BY ALL",
    "SELECT test, value FROM main.lab ORDER BY ALL",
    "SELECT topic, payload FROM base.rejected_message ORDER BY ALL",
)


def mill_at(folder: Path, port: int) -> Mill:
    text = example(("port = 1883", f"port = {port}"), ('edges = ["gw1", "gw2"]', 'edges = ["gw1"]'))
    return parse_mill(text.replace('folder = "store"', f'folder = "{folder}"'), file=EXAMPLE)


def rows(folder: Path, mill: Mill, messages: Sequence[Message]) -> list[Any]:
    with closing(Store.open(folder, mill, now_ms=T)) as store:
        load(mill, store, messages)
        return [store.connection.execute(query).fetchall() for query in QUERIES]


def everything(mill: Mill) -> list[Message]:
    """Scans as Sparkplug, whose payloads are binary; a bare value, a laboratory result, and bytes that are nothing."""
    plain = (one for one in read_stream(NIGHT) if one.topic.endswith("/scan"))
    night = list(as_sparkplug(islice(plain, 1500), "ellerholm", "gw1", decode=Decoder(mill).decode))
    others = [
        ("ellerholm/pm2/tag/press.draw", b'{"ts": 1772330400000, "value": 1.5}'),
        ("ellerholm/pm2/lab", b'{"test": "Ash", "value": 18.5, "sampled": 1772330400000}'),
        ("ellerholm/pm2/tag/broken", b"\xff\x00\xfe"),
        ("gateway/out", b'{"asset": "pm2", "name": "a", "timestamp": 1772330400000, "value": 7, "quality": "Good"}'),
    ]
    said = [Message(received_ms=T, topic=topic, payload=payload) for topic, payload in others]
    return [*night[:-1], *said]


@contextmanager
def recording(mill: Mill, path: Path, count: int) -> Iterator[None]:
    """Record while the block runs, and until so many messages have come."""
    ready, stopping, written = threading.Event(), threading.Event(), [0]
    filters = Decoder(mill).subscriptions
    work = partial(record, mill.broker, filters, path, stopping=stopping, ready=ready.set, progress=written.append)
    thread = threading.Thread(target=work)
    thread.start()
    try:
        assert ready.wait(20)
        yield
        wait_until(lambda: written[-1] >= count, what="the last message")
    finally:
        stopping.set()
        thread.join(20)


@pytest.mark.broker
@pytest.mark.parametrize("ending", ["jsonl.zst", "parquet"])
def test_a_recording_of_a_broker_loads_to_the_rows_of_the_messages_themselves(
    mosquitto: int, tmp_path: Path, ending: str
) -> None:
    """On wildcard topics: every source of mill.toml at once."""
    mill, path = mill_at(tmp_path / "store", mosquitto), tmp_path / f"night.{ending}"
    sent = everything(mill)

    with recording(mill, path, len(sent)), Publisher(mill.broker) as publisher:
        replay(publisher, sent)
    recorded = list(read_stream(path))

    assert [(one.topic, one.payload) for one in recorded] == [(one.topic, one.payload) for one in sent]
    found, expected = rows(tmp_path / "found", mill, recorded), rows(tmp_path / "expected", mill, sent)
    assert found == expected
    assert len(expected[0]) > 1000
    assert [len(part) for part in expected[2:]] == [1, 1]


@pytest.mark.broker
def test_a_retained_message_is_recorded_as_such_and_replayed_as_such(mosquitto: int, tmp_path: Path) -> None:
    """A bare value that the broker had kept only sets the first state: also when its recording is recorded in turn."""
    mill, path, again = mill_at(tmp_path / "store", mosquitto), tmp_path / "a.jsonl", tmp_path / "b.jsonl"
    topic = "ellerholm/pm2/tag/reel.speed"
    publish.single(topic, b"812.5", qos=1, retain=True, port=mosquitto)

    with recording(mill, path, 1):
        pass
    (recorded,) = read_stream(path)
    publish.single(topic, b"", qos=1, retain=True, port=mosquitto)
    with recording(mill, again, 1), Publisher(mill.broker) as publisher:
        replay(publisher, [recorded])

    assert (recorded.topic, recorded.payload, recorded.retained) == (topic, b"812.5", True)
    assert list(read_stream(again)) == [recorded]
    assert Decoder(mill).decode(recorded).scans[0].values == {"reel.speed": 812.5}
