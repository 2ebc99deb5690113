"""Every message of the reference is one: what comes in is decoded, what goes out is told in all its parts."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from analysis.risk.bulletin import SAID
from collector.decode import Decoder
from collector.decode.context import NEEDED
from collector.message import ClothingChange, GradeOrder, LabResult, Note, NoteKind
from tests import messages
from tests.messages import CONTEXT, EVERY, NOTES, REFUSED, Example
from tests.messages_page import mill, outgoing, received, risk_said
from tests.pages import ROOT

PAGE = (ROOT / "collector" / "MESSAGES.md").read_text(encoding="utf-8")


def test_every_example_is_taken_whole() -> None:
    decoder = Decoder(mill())

    found = [decoder.decode(received(example)) for example in EVERY]

    assert [decoded.rejected for decoded in found if decoded.rejected] == []
    assert [decoded.requests for decoded in found if decoded.requests] == []


def test_the_blocks_of_the_page_are_the_examples_in_their_order() -> None:
    coming_in = PAGE.partition("## What is refused")[0]
    blocks = [json.loads(text) for text in re.findall(r"```json\n(.*?)```", coming_in, re.DOTALL)]

    assert blocks == [example.body for example in EVERY]


def test_the_values_of_the_examples_are_those_that_they_say() -> None:
    decoder = Decoder(mill())
    scans = [scan for example in EVERY for scan in decoder.decode(received(example)).scans]

    assert [(scan.at_ms - messages.AT_MS, dict(scan.values)) for scan in scans] == [
        (0, {"reel.speed": 812.4, "sheet.press": True, "order.grade": "C80", "press.draw": None}),
        (0, {"reel.speed": 812.4}),
        (1000, {"reel.speed": 812.6}),
        (0, {}),
        (0, {"press.draw": 1.85}),
        (5500, {"crew.sheet_off": True}),  # a bare value, timed on arrival
        (0, {"press.draw": 1.85}),
        (0, {"reel.speed": 812.4, "sheet.press": True}),
        (1000, {"sheet.press": False}),
        (5500, {"reel.speed": None, "sheet.press": None}),  # a will is written long before it is true: on arrival
    ]


@pytest.mark.parametrize("example", CONTEXT, ids=lambda example: example.said)
def test_what_people_say_is_what_its_topic_says(example: Example) -> None:
    (said,) = Decoder(mill()).decode(received(example)).context

    kind = {"note": Note, "clothing": ClothingChange, "lab": LabResult, "order": GradeOrder}
    assert type(said) is kind[example.topic.rpartition("/")[2]]


def test_every_kind_of_note_has_an_example_and_its_needs() -> None:
    assert list(NOTES) == [str(kind) for kind in NoteKind] == [str(kind) for kind in NEEDED]


def test_what_is_refused_is_refused_whole() -> None:
    for example in REFUSED:
        found = Decoder(mill()).decode(received(example))

        assert len(found.rejected) == 1
        assert not found.context


def parts(said: object, way: str = "") -> Iterator[str]:
    match said:
        case dict():
            for key, value in said.items():
                yield f"{way}{key}"
                yield from parts(value, f"{way}{key}.")
        case list() if said:
            yield from parts(said[0], way)


def test_every_part_of_a_risk_has_its_meaning() -> None:
    assert set(parts(json.loads(json.dumps(risk_said().said)))) == set(SAID)


def test_every_outgoing_message_is_told_in_all_its_parts() -> None:
    for one in outgoing():
        said = json.loads(one.said.payload)

        assert {"unpublished"} | set(said) >= set(one.struct.__struct_fields__) >= set(said)
