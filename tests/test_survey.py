"""The first day at a mill: from what a broker says to a mill.toml that finds the breaks, whatever tags are called."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from breakhorn import cli
from collector.batch import Batch
from collector.check import examine
from collector.decode import Decoder
from collector.fact import DowntimeOpened
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.edge_node import Asked, as_sparkplug
from collector.mqtt.replay import Publisher
from collector.pipeline import Pipeline
from collector.settings import Broker, Mill, load_mill, parse_mill
from collector.stream import StreamWriter, read_stream, read_streams
from collector.survey import Survey, survey
from collector.survey.draft import MillName
from collector.survey.listen import listen
from collector.survey.payload import Kind, look
from collector.survey.roles import section_of
from collector.survey.tell import as_json, cautions, sentence, show

REPLAY_DATA = Path(__file__).parent.parent / "replay_data"
NIGHT = REPLAY_DATA / "golden" / "night_shift" / "stream.jsonl.gz"
NAME = MillName(name="Ellerholm", time_zone="Europe/Helsinki")

GERMAN = {
    "reel.speed": "PopeGeschwindigkeit",
    "headbox.stock_on": "StoffaufMeldung",
    "crew.sheet_off": "BahnabGeplant",
    "order.grade": "Auftrag.Sorte",
    "order.shade": "Auftrag.Farbe",
    "reel.number": "Tambour.Nummer",
    "scanner.basis_weight": "Rahmen.Flächengewicht",
    "sheet.couch": "Bahn.Gautsche",
    "sheet.press": "Bahn.Presse",
    "sheet.predryer": "Bahn.Vortrockenpartie",
    "sheet.sizepress": "Bahn.Leimpresse",
    "sheet.afterdryer": "Bahn.Nachtrockenpartie",
    "sheet.calender": "Bahn.Kalander",
    "sheet.reel": "Bahn.Aufroller",
}
"""Names as a German mill might give them; made up."""

NUMBERS_ONLY = {name: f"4{number:03}" for number, name in enumerate(sorted(GERMAN))}
"""Names that say nothing."""

EYES = [name for name in GERMAN if name.startswith("sheet.")]


def values_of(messages: Iterable[Message]) -> Iterator[tuple[Message, str, dict[str, Any]]]:
    """Each scan of the night: the message it came in, its time, its values."""
    for message in messages:
        body = json.loads(message.payload)
        if message.topic.endswith("/scan"):
            for scan in body if isinstance(body, list) else [body]:
                yield message, scan["ts"], scan["values"]
        elif "/tag/" in message.topic:
            yield message, body["ts"], {message.topic.rsplit("/", 1)[1]: body["value"]}


def renamed(names: dict[str, str], form: Callable[[str, str, Any], tuple[str, Any]]) -> list[Message]:
    """The night with other names, a value a message; ``form`` makes topic and payload of time, name and value."""
    said = []
    for message, ts, values in values_of(read_stream(NIGHT)):
        for name, value in values.items():
            topic, payload = form(ts, names.get(name, name), value)
            said.append(Message(received_ms=message.received_ms, topic=topic, payload=json.dumps(payload).encode()))
    return said


def scans(names: dict[str, str], turn: Callable[[str, Any], Any] = lambda name, value: value) -> list[Message]:
    """The night as scans with other names."""
    said = []
    for message, ts, values in values_of(read_stream(NIGHT)):
        body = {"ts": ts, "values": {names.get(name, name): turn(name, value) for name, value in values.items()}}
        said.append(Message(received_ms=message.received_ms, topic="hall3/pm2/all", payload=json.dumps(body).encode()))
    return said


def found_in(messages: list[Message]) -> Survey:
    return survey(lambda: iter(messages), name=NAME)


def losses(mill: Mill, messages: Iterable[Message]) -> list[tuple[int, str]]:
    """When and of which kind the sheet was lost, as the collector finds out with this mill.toml."""
    pipeline, batch = Pipeline(mill, {}), Batch()
    for message in messages:
        pipeline.take(message, batch)
    pipeline.flush(batch)
    return [(fact.started_ms, fact.kind) for fact in batch.facts if isinstance(fact, DowntimeOpened)]


@pytest.fixture(scope="module")
def truly() -> list[tuple[int, str]]:
    """What the demo mill's own mill.toml finds in the night: four hours with four losses of the sheet."""
    found = losses(load_mill(REPLAY_DATA / "mill.toml"), read_stream(NIGHT))
    assert len(found) >= 3, "a night without breaks tests nothing"
    return found


def sections(found: Survey) -> list[str]:
    return [detector.section for detector in found.machines[0].detectors]


PATH_ORDER = ["couch", "press", "pre-dryer", "size press", "after-dryer", "calender", "reel"]


def test_values_on_topics_of_their_own_with_foreign_names(truly: list[tuple[int, str]]) -> None:
    messages = renamed(GERMAN, lambda ts, name, value: (f"werk/PM2/{name}", {"value": value, "ts": ts}))

    found = found_in(messages)

    assert found.sources.drafts[0].keys == {"topic": "werk/{machine}/{tag}", "format": "value"}
    assert sections(found) == PATH_ORDER
    assert found.mill is not None
    assert losses(found.mill, messages) == truly


def test_any_json_is_read_by_pointers(truly: list[tuple[int, str]]) -> None:
    def form(ts: str, name: str, value: Any) -> tuple[str, Any]:
        return "gateway/out", {"head": {"asset": "pm2", "at": ts, "q": "GOOD"}, "point": name, "reading": value}

    messages = renamed(GERMAN, form)

    found = found_in(messages)

    assert found.sources.drafts[0].keys == {
        "topic": "gateway/out",
        "format": "fields",
        "machine": "/head/asset",
        "tag": "/point",
        "value": "/reading",
        "time": "/head/at",
        "quality": "/head/q",
        "good_qualities": ["GOOD"],
    }
    assert found.mill is not None
    assert losses(found.mill, messages) == truly


def test_a_sparkplug_edge_node(truly: list[tuple[int, str]]) -> None:
    text = (REPLAY_DATA / "mill.toml").read_text(encoding="utf-8")
    mill = parse_mill(text.replace("ellerholm/{machine}/scan", "hall3/{machine}/all"), file=Path("mill.toml"))
    messages = list(as_sparkplug(scans(GERMAN), "werk", "gw1", decode=Decoder(mill).decode))

    found = found_in(messages)

    assert [draft.keys for draft in found.sources.drafts] == [
        {"format": "sparkplug", "group": "werk", "edges": ["gw1"]}
    ]
    assert (found.sources.machines, sections(found), found.unborn) == (("pm2",), PATH_ORDER, False)
    assert found.mill is not None
    assert losses(found.mill, messages) == truly


def test_sparkplug_without_its_births_says_what_to_do() -> None:
    mill = load_mill(REPLAY_DATA / "mill.toml")
    messages = list(as_sparkplug(read_stream(NIGHT), "werk", "gw1", decode=Decoder(mill).decode))

    found = found_in([message for message in messages if "BIRTH" not in message.topic])

    assert "Sparkplug values came whose births were not heard: listen with --ask-rebirth." in list(cautions(found))


def test_names_that_say_nothing_are_told_by_what_they_did(truly: list[tuple[int, str]]) -> None:
    messages = scans(NUMBERS_ONLY)

    found = found_in(messages)

    machine = found.machines[0]
    speed = next(one for one in machine.signals if one.role == "speed")
    assert (speed.tag, speed.sure) == (NUMBERS_ONLY["reel.speed"], False)
    assert [detector.tag for detector in machine.detectors] == [NUMBERS_ONLY[eye] for eye in EYES]
    assert found.mill is not None
    assert [at_ms for at_ms, _ in losses(found.mill, messages)] == [at_ms for at_ms, _ in truly]


def test_detectors_that_are_true_at_a_break_are_turned_round(truly: list[tuple[int, str]]) -> None:
    names = {**GERMAN, **{eye: GERMAN[eye].replace("Bahn.", "Abriss.") for eye in EYES}}
    messages = scans(names, lambda name, value: not value if name in EYES else value)

    found = found_in(messages)

    assert [detector.inverted for detector in found.machines[0].detectors] == [True] * 7
    assert found.mill is not None
    assert losses(found.mill, messages) == truly


def test_the_draft_can_be_used_and_says_what_is_left_out(tmp_path: Path) -> None:
    draft = tmp_path / "draft.toml"
    arguments = ["survey", str(NIGHT), "--name", "Ellerholm", "--time-zone", "Europe/Helsinki", "--draft", str(draft)]

    result = CliRunner().invoke(cli, arguments)

    assert result.exit_code == 0, result.output
    findings = examine(draft)
    assert [finding for finding in findings if finding.fatal] == []
    assert "MEASURE" in draft.read_text(encoding="utf-8")
    assert "19 tags of 1 machine" in result.output


def test_a_draft_never_overwrites_a_file(tmp_path: Path) -> None:
    there = tmp_path / "mill.toml"
    there.write_text("mine", encoding="utf-8")

    result = CliRunner().invoke(cli, ["survey", str(NIGHT), "--draft", str(there)])

    assert (result.exit_code, there.read_text(encoding="utf-8")) == (2, "mine")
    assert "is left alone" in result.output


def said_at(*parts: tuple[str, Any], received_ms: int = 1_772_330_590_000) -> list[Message]:
    return [
        Message(received_ms=received_ms + 1000 * number, topic=topic, payload=json.dumps(body).encode())
        for number, (topic, body) in enumerate(parts)
    ]


def test_clocks_that_are_apart_are_named() -> None:
    ahead, right = "2026-03-01T02:03:14Z", "2026-03-01T02:03:10Z"
    messages = said_at(("a/pm1/all", {"ts": right, "values": {"x": 1}}), ("b/pm1/y", {"ts": ahead, "value": 2}))

    told = list(cautions(found_in(messages)))

    assert "The sources' clocks are 3.0 s apart: set them, or breaks will be put in the wrong section." in told
    assert "The clock of source 2 is at least 3.0 s ahead of this computer's." in told


def test_two_machines_are_told_apart_by_the_level_that_recurs() -> None:
    parts = [(f"site/{hall}/{tag}", 1.5) for hall in ("north", "south") for tag in ("speed", "draw", "level")]

    found = found_in(said_at(*parts))

    assert found.sources.machines == ("north", "south")
    assert found.sources.drafts[0].keys["topic"] == "site/{machine}/{tag}"


def test_tags_of_the_same_name_in_two_areas_are_not_mixed_up() -> None:
    parts = [(f"site/pm1/{area}/{tag}", 1.5) for area, tag in (("press", "draw"), ("dryer", "draw"), ("press", "load"))]

    found = found_in(said_at(*parts))

    topics = sorted(draft.keys["topic"] for draft in found.sources.drafts)
    assert topics == ["site/{machine}/dryer/{tag}", "site/{machine}/press/{tag}"]


def test_what_cannot_be_read_is_named_with_the_reason() -> None:
    messages = [
        *said_at(("a/pm1/x", 1.0), ("b/all", {"speed": 800, "draw": 2.1}), ("c/list", [[1, 2]])),
        Message(received_ms=1_772_330_590_000, topic="d/raw", payload=b"\x00\x01"),
    ]

    reasons = {unread.topics[0]: unread.why for unread in found_in(messages).sources.unread}

    assert reasons["b/all"] == "an object of 2 numbers without a tag's name: let the gateway send scans"
    assert reasons["c/list"] == "an empty array or a nested one"
    assert "not JSON" in reasons["d/raw"] or "UTF-8" in reasons["d/raw"]


def test_unix_seconds_are_recognised_and_not_taken_for_a_time() -> None:
    parts = [("gw", {"name": name, "t": 1_772_330_590, "value": 1.5}) for name in ("speed", "draw")]

    (draft,) = found_in(said_at(*parts)).sources.drafts

    assert "time" not in draft.keys
    assert "/t looks like Unix seconds" in draft.note


def test_silence_is_said_to_be_silence() -> None:
    found = found_in([])

    assert (sentence(found)[:18], found.draft) == ("Nothing was heard:", "")


@pytest.mark.parametrize(
    ("tag", "section"),
    [
        ("sheet.press", "press"),
        ("sheet.sizepress", "size press"),
        ("SizePress_Eye", "size press"),
        ("WEB_BREAK_CALENDER", "calender"),
        ("pe17", None),
    ],
)
def test_sections_are_told_by_the_words_of_the_trade(tag: str, section: str | None) -> None:
    assert section_of(tag) == section


def test_a_detector_that_flickers_is_named() -> None:
    base_ms = 1_772_330_590_000
    edges = [(0, True), (60_000, False), (60_500, True), (120_000, False), (120_900, True), (300_000, True)]
    messages = [
        Message(
            received_ms=base_ms + at_ms,
            topic="a/pm1/all",
            payload=json.dumps({"ts": base_ms + at_ms, "values": {"sheet.reel": value}}).encode(),
        )
        for at_ms, value in edges
    ]

    assert "pm1: sheet.reel flickered 2 times" in list(cautions(found_in(messages)))


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)
WORD = st.text(st.characters(codec="utf-8", exclude_characters="#+\x00"), min_size=1, max_size=8)


@given(
    st.lists(
        st.tuples(
            st.lists(WORD | st.sampled_from(["pm1", "{tag}", "spBv1.0", "note"]), min_size=1, max_size=5).map("/".join),
            st.one_of(JSON.map(lambda value: json.dumps(value).encode()), st.binary(max_size=40)),
        ),
        max_size=12,
    )
)
def test_whatever_is_heard_a_draft_can_be_read_or_there_is_none(heard: list[tuple[str, bytes]]) -> None:
    messages = [
        Message(received_ms=1_772_330_590_000 + number, topic=topic, payload=payload)
        for number, (topic, payload) in enumerate(heard)
    ]

    found = found_in(messages)

    assert (found.mill is None) == (not found.sources.drafts)
    assert json.dumps(as_json(found))
    assert all(look(message.topic, message.payload).kind in Kind for message in messages)


def test_a_broker_is_listened_to_and_left_as_it_was(tmp_path: Path) -> None:
    stopping, ready = threading.Event(), threading.Event()
    with embedded_broker() as port:
        broker = Broker(port=port)

        def publish() -> None:
            ready.wait(10)
            with Publisher(broker) as publisher:
                for message in said_at(("werk/pm2/reel.speed", 800.0), ("werk/pm2/sheet.reel", True)):
                    publisher.send(message)

        def heard(count: int) -> None:
            if count == 2:
                stopping.set()

        publishing = threading.Thread(target=publish)
        publishing.start()
        files = listen(broker, ("#",), tmp_path, seconds=30, stopping=stopping, ready=ready.set, progress=heard)
        publishing.join()

    found = survey(lambda: read_stream(files[0]), name=NAME)
    assert (len(found.tags.heard), found.sources.machines) == (2, ("pm2",))


def test_sparkplug_edge_nodes_are_asked_for_their_births(tmp_path: Path) -> None:
    """A gateway that was born long ago: only when it is asked does it say what its numbers mean."""
    mill, stopping, asked, heard_since = load_mill(REPLAY_DATA / "mill.toml"), threading.Event(), Asked(), list[int]()

    def again() -> bool:
        if asked.again():
            heard_since.append(0)
            return True
        return False

    spoken = as_sparkplug(read_stream(NIGHT), "werk", "gw1", decode=Decoder(mill).decode, rebirth=again)
    with embedded_broker() as port:
        broker = Broker(port=port)

        def speak() -> None:
            hear = ("spBv1.0/werk/NCMD/gw1", asked.hear)
            with Publisher(broker, hear=hear) as publisher:
                for number, message in enumerate(spoken):
                    if number > 1:
                        publisher.send(message)
                    if stopping.wait(0.05):
                        return

        def heard(count: int) -> None:
            if heard_since:
                heard_since.append(count)
            if len(heard_since) > 10:
                stopping.set()

        speaking = threading.Thread(target=speak)
        speaking.start()
        files = listen(broker, ("#",), tmp_path, seconds=20, ask_rebirth=True, stopping=stopping, progress=heard)
        stopping.set()
        speaking.join()

    found = survey(lambda: read_streams(files), name=NAME)
    assert "reel.speed" in [record.name for record in found.tags.of("pm2")]


def test_a_survey_of_a_file_names_itself_in_json(tmp_path: Path) -> None:
    path = tmp_path / "some.jsonl"
    with StreamWriter(path) as stream:
        for message in said_at(("werk/pm2/reel.speed", 800.0)):
            stream.write(message)

    result = CliRunner().invoke(cli, ["survey", str(path), "--json"])

    said = json.loads(result.stdout)
    assert said["sources"] == [{"topic": "werk/{machine}/{tag}", "format": "value", "machines": ["pm2"], "topics": 1}]


def test_names_stay_whole_on_a_narrow_terminal() -> None:
    with StringIO() as written:
        show(found_in(list(read_stream(NIGHT))), Console(file=written, width=80))
        lines = written.getvalue().splitlines()

    assert max(map(len, lines)) <= 80
    assert {name for name in GERMAN if any(name in line for line in lines)} == set(GERMAN)


def test_what_a_terminal_would_obey_is_shown_instead() -> None:
    with StringIO() as written:
        show(found_in(list(said_at(("hall/pm1\x1b[2J/x\x9b31m", 1.0)))), Console(file=written, width=160))

        assert all(character.isprintable() or character == "\n" for character in written.getvalue())
        assert "\\u001b[2J" in written.getvalue()


def test_a_survey_is_as_wide_as_whoever_reads_it_says() -> None:
    def width(columns: str) -> int:
        said = CliRunner().invoke(cli, ["survey", str(NIGHT)], env={"COLUMNS": columns}).stdout
        return max(map(len, said.splitlines()))

    assert width("70") == 70
    assert width("") > 100


def test_messages_that_come_all_at_once_have_no_rate() -> None:
    at_once = [
        Message(received_ms=1_770_000_000_000 + 200 * n, topic="mill/pm2/clothing", payload=b"{}") for n in range(3)
    ]
    steady = [
        Message(received_ms=1_770_000_000_000 + 30_000 * n, topic="mill/pm2/lab", payload=b"{}") for n in range(3)
    ]

    found = survey(lambda: iter([*at_once, *steady]), name=NAME)

    assert found.topics.heard["mill/pm2/clothing"].per_min is None
    assert found.topics.heard["mill/pm2/lab"].per_min == 2.0
