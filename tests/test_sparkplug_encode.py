"""Recorded messages said again as a Sparkplug edge node: what was meant is what is understood."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from breakhorn import cli
from collector.decode import Decoder
from collector.decode.sparkplug.node import rebirth_request
from collector.decode.sparkplug.wire import Payload
from collector.load import load
from collector.message import Decoded, Flag, Message, Scan, Value
from collector.mqtt.broker import embedded_broker
from collector.mqtt.edge_node import Asked, EdgeNodeVoice, as_sparkplug, names_in
from collector.mqtt.replay import Publisher
from collector.publish import publish
from collector.settings import Mill, load_mill, parse_mill
from collector.store import Store
from collector.stream import read_stream
from tests import mills
from tests.mills import RECEIVED_MS
from tests.servers import wait_until
from tests.test_service import collecting

REPLAY_DATA = Path(__file__).parent.parent / "replay_data"
NIGHT = REPLAY_DATA / "golden" / "night_shift" / "stream.jsonl.gz"
T = RECEIVED_MS - 60_000


def said(*scans: Scan | list[Scan], **more: Any) -> list[Message]:
    """What the edge node says of messages that hold these scans."""
    parts = [part if isinstance(part, list) else [part] for part in scans]
    messages = [Message(received_ms=RECEIVED_MS + n, topic=str(n), payload=b"") for n in range(len(parts))]
    return list(as_sparkplug(messages, "g", "e", decode=lambda m: Decoded(scans=parts[int(m.topic)]), **more))


def scan(at_ms: int, flags: int = 0, machine: str = "pm2", **values: Value) -> Scan:
    return Scan(machine, at_ms, values, 0, RECEIVED_MS, flags)


def kinds(messages: list[Message]) -> list[str]:
    return ["/".join(message.topic.split("/")[2:]) for message in messages]


def payload(message: Message) -> Any:
    return Payload.FromString(message.payload)


def understood(messages: list[Message]) -> dict[tuple[str, str, int], Value]:
    """Every sample that a collector takes from these messages, by its key; the later received holds."""
    text = mills.example(
        ('group = "ellerholm"', 'group = "g"'),
        ('edges = ["gw1", "gw2"]', 'edges = ["e"]'),
        ('id = "pm2"', 'id = "pm2"'),
    )
    decoder = Decoder(parse_mill(text, file=mills.EXAMPLE))
    samples: dict[tuple[str, str, int], Value] = {}
    for message in messages:
        decoded = decoder.decode(message)
        assert decoded.rejected == []
        assert decoded.requests == []
        for one in decoded.scans:
            samples |= {(one.machine, tag, one.at_ms): value for tag, value in one.values.items()}
    return samples


def test_births_come_before_data_and_a_death_at_the_end() -> None:
    messages = said(scan(T, a=1.0), scan(T + 1, a=2.0))

    assert kinds(messages) == ["NBIRTH/e", "DBIRTH/e/pm2", "DDATA/e/pm2", "DDATA/e/pm2", "NDEATH/e"]


def test_births_hold_what_the_specification_wants() -> None:
    """T13-02: bdSeq and Node Control/Rebirth (false, no alias) in NBIRTH; name, type, time in each (chapters 5, 6)."""
    birth, device, data, death = map(payload, said(scan(T, a=1.0, b=True, c="x")))

    assert [metric.name for metric in birth.metrics] == ["bdSeq", "Node Control/Rebirth"]
    assert (birth.metrics[1].datatype, birth.metrics[1].boolean_value) == (11, False)
    assert not any(metric.HasField("alias") for metric in birth.metrics)
    assert [(m.name, m.alias, m.datatype, m.timestamp) for m in device.metrics] == [
        ("a", 1, 10, T),
        ("b", 2, 11, T),
        ("c", 3, 12, T),
    ]
    assert all(p.HasField("timestamp") for p in (birth, device, data))
    assert [metric.long_value for metric in death.metrics] == [birth.metrics[0].long_value]
    assert not death.HasField("seq")


def test_data_carry_aliases_without_names_and_types() -> None:
    """T13-03: specification, chapter 6."""
    data = payload(said(scan(T, a=1.0))[2])

    assert [(m.HasField("name"), m.alias, m.HasField("datatype"), m.timestamp) for m in data.metrics] == [
        (False, 1, False, T)
    ]


def test_one_number_counts_for_all_messages_from_0_to_255_and_again() -> None:
    """T13-02: specification, chapter 6."""
    messages = said(*(scan(T + n, machine=f"pm{n % 2}", a=1.0) for n in range(300)))

    numbers = [payload(message).seq for message in messages[:-1]]

    assert numbers == [n % 256 for n in range(303)]


def test_a_new_tag_is_born_before_its_first_value() -> None:
    messages = said([scan(T, a=1.0), scan(T + 1, a=2.0, b=True)])

    assert kinds(messages) == ["NBIRTH/e", "DBIRTH/e/pm2", "DDATA/e/pm2", "DBIRTH/e/pm2", "DDATA/e/pm2", "NDEATH/e"]
    assert understood(messages[:-1]) == {("pm2", "a", T): 1.0, ("pm2", "a", T + 1): 2.0, ("pm2", "b", T + 1): True}


def test_a_tag_that_becomes_a_text_is_born_again() -> None:
    messages = said(scan(T, a=1.0), scan(T + 1, a="off"))

    assert understood(messages[:-1]) == {("pm2", "a", T): 1.0, ("pm2", "a", T + 1): "off"}


def test_a_bad_value_is_null_and_says_so_by_its_quality() -> None:
    """T13-03: specification, chapter 6."""
    data = payload(said(scan(T, a=None))[2])

    assert data.metrics[0].is_null
    assert data.metrics[0].WhichOneof("value") is None
    assert (data.metrics[0].properties.keys[0], data.metrics[0].properties.values[0].int_value) == ("Quality", 0)


def test_historical_values_say_so() -> None:
    data = payload(said(scan(T, flags=int(Flag.HISTORICAL), a=1.0))[2])

    assert data.metrics[0].is_historical


def test_births_are_said_again_when_asked_for() -> None:
    answers: Iterator[bool] = iter([True])

    messages = said(scan(T, a=1.0), scan(T + 1, a=2.0), rebirth=lambda: next(answers))

    assert kinds(messages)[3:5] == ["NBIRTH/e", "DBIRTH/e/pm2"]
    assert payload(messages[3]).seq == 0
    assert payload(messages[3]).metrics[0].long_value == 0


def test_a_question_is_heard_once() -> None:
    asked = Asked()
    asked.hear(b"no payload at all")
    assert not asked.again()

    asked.hear(rebirth_request("g", "e", T).payload)

    assert [asked.again(), asked.again()] == [True, False]


def test_messages_without_values_pass_as_they_are() -> None:
    note = Message(received_ms=RECEIVED_MS, topic="ellerholm/pm2/note", payload=b"{}")

    messages = list(as_sparkplug([note], "g", "e", decode=lambda message: Decoded()))

    assert messages[1] is note


def test_no_messages_say_nothing() -> None:
    assert list(as_sparkplug([], "g", "e", decode=lambda message: Decoded())) == []


def test_commands_to_the_edge_node_have_its_topic() -> None:
    assert EdgeNodeVoice("g", "e").commands == "spBv1.0/g/NCMD/e"


def test_the_edge_node_is_called_as_the_mill_expects() -> None:
    with_source = parse_mill(mills.example(), file=mills.EXAMPLE)

    assert names_in(with_source) == ("ellerholm", "gw1")
    assert names_in(mills.readable_mill()) == ("ellerholm", "replay")


VALUES = st.one_of(
    st.none(), st.booleans(), st.floats(allow_nan=False, allow_infinity=False), st.text(st.characters(codec="utf-8"))
)
SCANS = st.lists(
    st.lists(
        st.builds(
            lambda at, values: Scan("pm2", T + at, values, 0, RECEIVED_MS),
            st.integers(0, 50),
            st.dictionaries(st.sampled_from("abcd"), VALUES, max_size=4),
        ),
        min_size=1,
        max_size=3,
    ),
    min_size=1,
    max_size=5,
)


@given(SCANS)
def test_every_sample_is_understood_as_it_was_meant(parts: list[list[Scan]]) -> None:
    """Times rise from message to message, as sources send them: a birth may add what still held, no more."""
    meant: dict[tuple[str, str, int], Value] = {}
    for n, part in enumerate(parts):
        part.sort(key=lambda one: one.at_ms)
        part[:] = [Scan("pm2", one.at_ms + 100 * n, one.values, 0, RECEIVED_MS) for one in part]
        for one in part:
            meant |= {("pm2", tag, one.at_ms): value for tag, value in one.values.items()}

    got = understood(said(*parts)[:-1])

    assert {key: got[key] for key in meant} == meant
    for (machine, tag, at_ms), value in got.items():
        held = [at for _, name, at in meant if name == tag and at <= at_ms]
        assert value == meant[machine, tag, max(held)]


# ------------------------------------------------------------------------------------------------ the demo mill's night


FACTS = {
    "machine_state": "*",
    "downtime": "*",
    "threading_attempt": "*",
    "detector_fault": "*",
    "reel": "machine, reel, started_at, ended_at",
    "grade_run": "machine, grade, shade, started_at, ended_at",
    "note": "* EXCLUDE (received_at)",
}


def demo_mill(folder: Path, *, speaks_sparkplug: bool, port: int = 1883) -> Mill:
    folder.mkdir()
    text = (REPLAY_DATA / "mill.toml").read_text(encoding="utf-8")
    if speaks_sparkplug:
        begin, end = text.index("[[source]]"), text.index("[[machine]]")
        text = text[:begin] + '[[source]]\nformat = "sparkplug"\ngroup = "g"\nedges = ["e"]\n\n' + text[end:]
    text = text.replace("port = 1883", f"port = {port}")
    path = folder / "mill.toml"
    path.write_text(text, encoding="utf-8")
    return load_mill(path)


def rows(mill: Mill, messages: Iterator[Message] | list[Message]) -> dict[str, list[tuple[Any, ...]]]:
    now_ms = 1_772_700_000_000
    store = Store.open(mill.store.folder, mill, now_ms=now_ms)
    try:
        load(mill, store, messages)
        publish(store, mill, now_ms=now_ms)
    finally:
        store.close()
    with duckdb.connect(str(mill.store.folder / "published.duckdb"), read_only=True) as connection:
        found = {
            name: connection.execute(f"SELECT {columns} FROM {name} ORDER BY ALL").fetchall()
            for name, columns in FACTS.items()
        }
        found["sample"] = connection.execute("SELECT machine, tag, sampled_at, value FROM sample").fetchall()
        return found


def test_a_night_of_the_demo_mill_leads_to_the_same_rows_as_sparkplug(tmp_path: Path) -> None:
    plain, spoken = (demo_mill(tmp_path / name, speaks_sparkplug=name == "spoken") for name in ("plain", "spoken"))
    night = list(read_stream(NIGHT))
    as_node = as_sparkplug(night, "g", "e", decode=Decoder(plain).decode)

    expected = rows(plain, night)
    found = rows(spoken, [message for message in as_node if "/NDEATH/" not in message.topic])

    assert {name: found[name] for name in FACTS} == {name: expected[name] for name in FACTS}
    assert set(expected["sample"]) <= set(found["sample"])
    assert expected["downtime"]


def test_a_stretch_that_comes_later_as_historical_values_leads_to_the_same_breaks(tmp_path: Path) -> None:
    """The edge node was cut off for the middle two hours, and sends them afterwards, flagged, before what is new."""
    plain, spoken = (demo_mill(tmp_path / name, speaks_sparkplug=name == "spoken") for name in ("plain", "spoken"))
    night = list(read_stream(NIGHT))
    decoder, first_ms = Decoder(plain), night[0].received_ms
    cut = range(first_ms + 3_600_000, first_ms + 3 * 3_600_000)

    def decode(message: Message) -> Decoded:
        decoded = decoder.decode(message)
        flagged = [replace(one, flags=one.flags | 16) if one.at_ms in cut else one for one in decoded.scans]
        return replace(decoded, scans=flagged)

    as_node = [one for one in as_sparkplug(night, "g", "e", decode=decode) if "/NDEATH/" not in one.topic]
    held_back = [replace(one, received_ms=cut.stop) if one.received_ms in cut else one for one in as_node]
    expected, found = rows(plain, night), rows(spoken, held_back)

    assert found["downtime"] == expected["downtime"]
    assert found["machine_state"] == expected["machine_state"]


@pytest.mark.broker
def test_a_collector_that_comes_late_asks_for_the_births_and_gets_them(broker_port: int, tmp_path: Path) -> None:
    """It has heard neither birth: the first data are rejected, and the edge node answers its question."""
    mill = demo_mill(tmp_path / "mill", speaks_sparkplug=True, port=broker_port)
    scans = [Scan("pm2", T + 1000 * n, {"reel.speed": 800.0 + n}, 0, RECEIVED_MS) for n in range(6)]
    recorded = [Message(received_ms=one.at_ms, topic=str(n), payload=b"") for n, one in enumerate(scans)]
    asked, heard = Asked(), threading.Event()
    node = as_sparkplug(recorded, "g", "e", decode=lambda m: Decoded(scans=[scans[int(m.topic)]]), rebirth=asked.again)
    assert kinds([next(node), next(node)]) == ["NBIRTH/e", "DBIRTH/e/pm2"]

    def hear(command: bytes) -> None:
        asked.hear(command)
        heard.set()

    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        with Publisher(mill.broker, hear=(EdgeNodeVoice("g", "e").commands, hear)) as publisher:
            publisher.send(next(node))
            assert heard.wait(20), "the collector did not ask"
            for message in node:
                publisher.send(message)
            wait_until(lambda: collector.counts.messages >= 9, what="the last commit")
        counts = collector.counts

    with duckdb.connect(str(mill.store.folder / "published.duckdb"), read_only=True) as connection:
        found = connection.execute("SELECT value FROM sample WHERE value IS NOT NULL ORDER BY sampled_at").fetchall()
    assert counts.rejected == 1
    assert [value for (value,) in found] == [one.values["reel.speed"] for one in scans]


def test_the_replay_command_publishes_a_recording_as_an_edge_node(tmp_path: Path) -> None:
    with embedded_broker() as port:
        mill = demo_mill(tmp_path / "mill", speaks_sparkplug=False, port=port)
        path = tmp_path / "mill" / "mill.toml"
        path.write_text(path.read_text() + '\n[[source]]\nformat = "sparkplug"\ngroup = "g"\nedges = ["e"]\n')
        mill = load_mill(path)
        spoken = list(as_sparkplug(read_stream(NIGHT), "g", "e", decode=Decoder(mill).decode))

        with collecting(mill) as collector:
            wait_until(lambda: collector.connected, what="the collector's connection")
            result = CliRunner().invoke(cli, ["--mill", str(path), "replay", str(NIGHT), "--as", "sparkplug"])
            wait_until(lambda: collector.counts.messages == len(spoken), what="the last commit")

    assert result.stderr == f"{len(spoken)} messages published to 127.0.0.1:{port}.\n"
    with duckdb.connect(str(mill.store.folder / "published.duckdb"), read_only=True) as connection:
        found = {tag for (tag,) in connection.execute("SELECT tag FROM tag").fetchall()}
    recorded = [one for message in read_stream(NIGHT) for one in Decoder(mill).decode(message).scans]
    assert collector.counts.rejected == 0
    assert found == {tag for one in recorded for tag in one.values}


def test_a_load_that_is_cut_in_two_goes_on_with_the_aliases_that_it_knew(tmp_path: Path) -> None:
    mill = demo_mill(tmp_path / "mill", speaks_sparkplug=True)
    recorded = Decoder(demo_mill(tmp_path / "plain", speaks_sparkplug=False))
    spoken = list(as_sparkplug(read_stream(NIGHT), "g", "e", decode=recorded.decode))

    rejected = []
    for part in (spoken[: len(spoken) // 2], spoken[len(spoken) // 2 :]):
        with Store.open(mill.store.folder, mill, now_ms=RECEIVED_MS) as store:
            rejected.append(load(mill, store, part).rejected)
            assert store.inconsistencies() == []

    assert rejected == [0, 0]
