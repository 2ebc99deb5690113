"""The reference of messages, made from the structures that decode them, from what publishes, and from examples."""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Any, NamedTuple

import msgspec
import numpy as np

from analysis.risk import live, outlet
from analysis.risk.bulletin import SAID, Bulletin, Condition, bulletin, silence
from analysis.risk.card import Record
from analysis.risk.drift import drift
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import MINUTE_MS
from collector.decode import Decoder
from collector.decode.context import CERTAINTIES, NEEDED, ClothingPart, LabPart, NotePart, OrderPart
from collector.decode.parts import MOST_REJECTED
from collector.decode.scan import ScanPart
from collector.decode.value import ValuePart
from collector.fact import DowntimeClosed, Kind, State
from collector.message import Message, NoteKind, Request
from collector.mqtt.subscriber import Subscriber
from collector.mqtt.wire import RECORDED, RETAINED
from collector.service import announce
from collector.service.announce import Announcement
from collector.settings import Mill, parse_mill
from tests import messages, mills
from tests.messages import Example
from tests.risk_card import hand_card
from tests.test_announce import OPENED
from tests.test_risk_bulletin import DRAW, seen

_HEAD = """\
# Messages

<!-- Written by `python -m tests.pages` from the decoders and publishers and tests/messages.py; a test holds it. -->

What the collector takes over MQTT, and what Breakhorn says there. Each example is decoded by the collector's own
decoder, or made by what publishes it, whenever this page is written. `ellerholm` stands for `topic_root` of mill.toml
([SETTINGS.md](SETTINGS.md)), `pm2` for a machine of it; which topics bring the machine's values is said by its
`[[source]]` tables.

Send with QoS 1, so that nothing is lost. A **time** is RFC 3339 with an offset, or Unix milliseconds; what comes in
before 1990, or further ahead of receipt than the machine's `max_ahead_s`, is refused. But for `fields` and
`sparkplug`, a message may also be a list, of which each element is taken or refused by itself. What cannot be used is
kept with its reason in the view `rejected_message`, counted, and stops nothing; of one message at most {rejected} parts
are.

[Values](#values) · [What people and other systems say](#what-people-and-other-systems-say) ·
[What is refused](#what-is-refused) · [What the collector says](#what-the-collector-says) · [Break risk](#break-risk)
"""
_NAMES = {
    "string": "text", "number": "number", "integer": "whole number", "boolean": "true or false", "object": "object",
    "any": "any",
}  # fmt: skip


_FITTED_MS = 20_510 * DAY_MS
"""The model of the example was fitted on 2026-02-26 at midnight UTC, 20,510 days of 86,400 s after 1970."""
_NOW_MIN = 3 * 1440 + 120
"""It speaks of three days and two hours later, shortly before the break of the other examples. [min]"""
_NOW_MS = _FITTED_MS + _NOW_MIN * MINUTE_MS + 20_000
_LOST_MIN = (200, 900, 1500, 2000, 2700, 3300, 4000)
_HIGH_MIN = (180, 1480, 2500, 3280, 3990)


class Outgoing(NamedTuple):
    """Something that is published."""

    title: str
    said: Announcement
    struct: type[msgspec.Struct]
    words: tuple[tuple[str, type[StrEnum]], ...] = ()


def messages_page() -> str:
    """The whole page."""
    parts = [_HEAD.format(rejected=MOST_REJECTED), *_values(), *_context(), *_refused(), *_said(), *_risk()]
    return "\n".join(parts)


def mill() -> Mill:
    """The mill of the examples."""
    return parse_mill(mills.example(), file=mills.EXAMPLE)


def received(example: Example) -> Message:
    """An example as it comes in, five and a half seconds after it was true."""
    return mills.message(example.payload, example.topic)


# ---------------------------------------------------------------------------------------------------- coming in


def _values() -> Iterable[str]:
    yield "## Values\n"
    yield "### `scan`\n"
    yield f"{_doc(ScanPart)}\n\n{_fields(ScanPart)}\n"
    yield from map(_example, messages.SCAN)
    yield "### `value`\n"
    yield f"{_doc(ValuePart)}\n\n{_fields(ValuePart)}\n"
    yield from map(_example, messages.VALUE)
    yield "### `fields`\n"
    yield "Any JSON object; where its parts are is said in the `[[source]]` as JSON Pointers (RFC 6901).\n"
    yield from map(_example, messages.FIELDS)
    yield "### `sparkplug`\n"
    yield (
        "Sparkplug B (ISO/IEC 20237): protobuf payloads, here as JSON. After a gap in `seq`, or data without a birth, "
        "the collector asks the edge node for its births (below). A metric with `is_historical` is stored with a "
        "flag.\n"
    )
    yield from map(_example, messages.SPARKPLUG)
    yield "### Replayed\n"
    yield (
        "`breakhorn replay` sends two MQTT 5 user properties with a message, and the collector takes them from "
        f"anybody: `{RECORDED.decode()}`, the time of receipt then [ms], which times what has no time of its own, and "
        f'`{RETAINED.decode()}` = "1" for what the broker had kept.\n'
    )


def _context() -> Iterable[str]:
    yield "## What people and other systems say\n"
    yield (
        "By file too: `load` knows tables of these by their columns (`sampled, test, value`; `installed, position`; "
        "`ordered, order, grade`; `noted, kind, downtime, cause`), and a laboratory's sheet with a column a test by "
        "`--what lab`.\n"
    )
    yield "### `ellerholm/pm2/note`\n"
    yield f"{_doc(NotePart)} Certainties: {', '.join(CERTAINTIES)}. The collector answers each with a receipt.\n"
    yield f"{_fields(NotePart)}\n"
    meanings = _members(NoteKind)
    for kind in NoteKind:
        needed = " and ".join(f"`{name}`" for name in NEEDED[kind])
        also = ", and `cause` or `comment`" if kind is NoteKind.CAUSE else ""
        yield f"**`{kind}`** {meanings[kind.name]} Needs {needed}{also}.\n"
        yield _block(messages.NOTES[kind].body)
    for word, part, example in (
        ("clothing", ClothingPart, messages.CLOTHING),
        ("lab", LabPart, messages.LAB),
        ("order", OrderPart, messages.ORDER),
    ):
        yield f"### `ellerholm/pm2/{word}`\n"
        yield f"{_doc(part)}\n\n{_fields(part)}\n"
        yield _example(example)


def _refused() -> Iterable[str]:
    yield "## What is refused\n"
    yield "| topic | payload | reason |\n| --- | --- | --- |"
    decoder = Decoder(mill())
    for example in messages.REFUSED:
        body = {key: value for key, value in example.body.items() if key not in ("note_id", "ts")}
        shown = body if "note_id" in example.body else example.body
        reason = mills.reason(decoder.decode(received(example)))
        yield f"| `{example.topic}` | `{json.dumps(shown)}` | {reason} |"
    yield ""


# --------------------------------------------------------------------------------------------------- going out


def outgoing() -> tuple[Outgoing, ...]:
    """What the collector publishes, each made by what publishes it."""
    closed = DowntimeClosed(machine="pm2", downtime_id=OPENED.downtime_id, ended_ms=OPENED.started_ms + 1_380_000)
    opening, closing = announce.breaks("ellerholm", [OPENED, closed])
    at = announce.instant(OPENED.started_ms + 60_000)
    health = announce.Health(
        status="up", as_of=at, version="0.1.0", started_at="2026-02-28T05:00:00+00:00", messages=18_204, repeats=0,
        samples=2_184_480, late=0, rejected=3, sessions_lost=0, waiting=0,
        lake=announce.Lake(trouble=None, copied_at=at, waiting_days=0, failed=0),
    )  # fmt: skip
    said_at = OPENED.started_ms + 60_000
    wrong = Decoder(mill()).decode(received(messages.WRONG_CODE)).rejected
    (receipt,) = announce.refusals("ellerholm", ["pm2"], wrong)
    return (
        Outgoing("health", announce.health("ellerholm", health), announce.Health),
        Outgoing(
            "state",
            announce.state("ellerholm", "pm2", State.THREADING, as_of_ms=said_at),
            announce.MachineState,
            (("States, of which the first that applies holds:", State),),
        ),
        Outgoing("opening of a downtime", opening, announce.Opened, (("Kinds:", Kind),)),
        Outgoing("closing of a downtime", closing, announce.Closed),
        Outgoing("receipt of a note", receipt, announce.Receipt),
    )


def _said() -> Iterable[str]:
    qos = inspect.signature(Subscriber.publish).parameters["qos"].default
    yield "## What the collector says\n"
    yield f"QoS {qos}; times are RFC 3339 in UTC. The collector ignores all of it coming in.\n"
    for one in outgoing():
        kept = "Retained." if one.said.retain else "Not retained."
        yield f"### `{one.said.topic}`: {one.title}\n"
        yield f"{_doc(one.struct)} {kept}\n\n{_fields(one.struct, with_null=True)}\n"
        yield from (f"{heading}\n\n{_meanings(words)}" for heading, words in one.words)
        yield _block(json.loads(one.said.payload))
    topic, will = announce.last_will("ellerholm")
    yield f"### `{topic}`: last will\n"
    yield "Said by the broker once the collector is gone without a word. Retained.\n"
    yield _block(json.loads(will))
    asked = rebirth()
    yield f"### `{asked.topic}`: the births again\n"
    yield "Asks a Sparkplug B edge node for its births. QoS 0, not retained; protobuf, here in hexadecimal.\n"
    yield f"```text\n{asked.payload.hex()}\n```\n"


def rebirth() -> Request:
    """What is asked of an edge node that sends data without a birth."""
    data = messages.SPARKPLUG[2]
    (asked,) = Decoder(mill()).decode(received(data)).requests
    return asked


def risk_said() -> Bulletin:
    """A risk with a warning, made by what says it, of a model of one straight line, three days after it was fitted."""
    card = hand_card(
        DRAW, from_ms=_FITTED_MS - 60 * DAY_MS, to_ms=_FITTED_MS, made_ms=_FITTED_MS + 40 * MINUTE_MS,
        record=Record(from_ms=_FITTED_MS, to_ms=_FITTED_MS, warned=(), missed=(), false=(), late=(), undecided=()),
    )  # fmt: skip
    found = seen(begin_ms=_FITTED_MS, until_min=_NOW_MIN, lost_min=_LOST_MIN, last_ms=_NOW_MS - 12_000)
    high = np.isin((found.rows.at_ms - _FITTED_MS) // MINUTE_MS, (*_HIGH_MIN, _NOW_MIN))
    values = np.where(high, 2.2, 1.8).astype(np.float32)[:, None]
    found = replace(found, values=values, score=card.model.score(values))
    return bulletin(card, found, now_ms=_NOW_MS, published_ms=_NOW_MS - 5_000, drift=drift(card, found))


def _risk() -> Iterable[str]:
    yield "## Break risk\n"
    yield f"### `{live.topic_of('ellerholm', 'pm2')}`\n"
    yield (
        "Said by `breakhorn risk live`, each minute and whenever its state changes; QoS 1, retained. A broker that "
        f"speaks MQTT 5 forgets it after {outlet.EXPIRES_S} s (message expiry). Advisory, not an alarm: nobody enters, "
        "reaches into or threads a machine on the strength of it, and it switches nothing.\n"
    )
    yield "| part | meaning |\n| --- | --- |"
    yield from (f"| `{name}` | {meaning} |" for name, meaning in SAID.items())
    yield (
        "\nWhere no model can be read, and in the last will, only the parts of the example at the end are there. "
        "States:\n"
    )
    yield _meanings(Condition)
    yield _block(risk_said().said)
    yield "Its last will, retained:\n"
    yield _block(silence("pm2", Condition.GONE, "The scorer is gone: no risk is known.", now_ms=None).said)


# ------------------------------------------------------------------------------------------------------ words


def _doc(of: type) -> str:
    return " ".join((of.__doc__ or "").split()).replace("``NEEDED``", "the list below").replace("``", "`")


def _example(example: Example) -> str:
    return f"{example.said[:1].upper()}{example.said[1:]}, on `{example.topic}`:\n\n{_block(example.body)}"


def _block(body: object) -> str:
    return f"```json\n{_laid_out(body)}\n```\n"


def _laid_out(body: object, width: int = 118) -> str:
    """On one line where there is room, else a part a line."""
    line = json.dumps(body, ensure_ascii=False)
    if len(line) <= width:
        return line
    match body:
        case dict():
            parts = [f"{json.dumps(key)}: {_laid_out(value, width - len(key) - 8)}" for key, value in body.items()]
            open_, shut = "{}"
        case list():
            parts = [_laid_out(value, width - 4) for value in body]
            open_, shut = "[]"
        case _:
            return line
    inner = ",\n".join(parts).replace("\n", "\n  ")
    return f"{open_}\n  {inner}\n{shut}"


def _fields(struct: type[msgspec.Struct], *, with_null: bool = False) -> str:
    """A row for each part; ``with_null`` says where it may be null, as all that need not be sent may."""
    schema = msgspec.json.schema(struct)
    described = schema["$defs"][struct.__name__]
    rows = ["| part | meaning | type | |", "| --- | --- | --- | --- |"]
    for name, said in described["properties"].items():
        needed = "needed" if name in described.get("required", ()) else ""
        rows.append(f"| `{name}` | {said['description']} | {_type(said, with_null=with_null)} | {needed} |")
    return "\n".join(rows)


def _type(said: Mapping[str, Any], *, with_null: bool) -> str:
    """What a part of a message is, in words."""
    choices = said.get("anyOf", [said])
    others = [one for one in choices if one.get("type") != "null"]
    or_null = " or null" if with_null and 0 < len(others) < len(choices) else ""
    longest = [f", at most {one['maxLength']} characters" for one in others if "maxLength" in one]
    match {str(one.get("type", "object" if "$ref" in one else "any")) for one in others}:
        case names if names == {"integer", "number", "string"}:
            return "time"
        case names if names == {"string", "integer"}:
            return "text or whole number"
        case names if len(names) == 1:
            return _NAMES.get(next(iter(names)), "") + "".join(longest) + or_null
        case names if names:
            return "any"
    return "null"


def _members(enum: type[StrEnum]) -> dict[str, str]:
    """The meaning of each member, from the docstring of the whole."""
    found = re.findall(r"^([A-Z_]+)\n    (.+?)$", inspect.getdoc(enum) or "", re.MULTILINE)
    assert [name for name, _ in found] == [one.name for one in enum], f"{enum.__name__} does not say what it holds"
    return {name: meaning.replace("``", "`") for name, meaning in found}


def _meanings(enum: type[StrEnum]) -> str:
    rows = [f"| `{enum[name]}` | {meaning} |" for name, meaning in _members(enum).items()]
    return "\n".join(["| | |", "| --- | --- |", *rows, ""])
