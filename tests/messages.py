"""One message of every kind that the collector takes, as examples of the documentation and for tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec

from collector.decode.sparkplug.wire import Payload

DOWNTIME = "pm2-20260301T020304Z"
MISSED, NOTE = "1a0e8b52-6f0c-4b52-9d3e-8a0c5f3c7b10", "7d9f3b1e-2a44-4c1b-8f5e-0b6a9c2d4e11"
AT = "2026-03-01T02:03:04.500Z"
AT_MS = 1_772_330_584_500
"""The same: 20,513 days of 86,400 s since 1970, then 7,384.5 s. [ms]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A message.

    said
        What it is an example of.
    body
        Its content as plain values; of Sparkplug B the fields of the protobuf payload.
    """

    said: str
    topic: str
    body: Any

    @property
    def payload(self) -> bytes:
        """As it goes over the wire."""
        if self.topic.startswith("spBv1.0/"):
            written: bytes = Payload(**self.body).SerializeToString()
            return written
        return msgspec.json.encode(self.body)


def _note(said: str, **more: object) -> Example:
    return Example(said=said, topic="ellerholm/pm2/note", body={"note_id": NOTE, **more, "ts": AT})


SCAN = (
    Example(
        said="some tags at one time",
        topic="ellerholm/pm2/scan",
        body={"ts": AT, "values": {"reel.speed": 812.4, "sheet.press": True, "order.grade": "C80", "press.draw": None}},
    ),
    Example(
        said="several scans",
        topic="ellerholm/pm2/scan",
        body=[{"ts": AT_MS, "values": {"reel.speed": 812.4}}, {"ts": AT_MS + 1000, "values": {"reel.speed": 812.6}}],
    ),
    Example(said="a heartbeat: nothing is new", topic="ellerholm/pm2/scan", body={"ts": AT, "values": {}}),
)
VALUE = (
    Example(
        said="a value with its quality",
        topic="ellerholm/pm2/tag/press.draw",
        body={"ts": AT, "value": 1.85, "quality": "good"},
    ),
    Example(said="a bare value", topic="ellerholm/pm2/tag/crew.sheet_off", body=True),
)
FIELDS = (
    Example(
        said='read with `machine = "/asset"`, `tag = "/name"`, `time = "/timestamp"`, `value = "/value"`, '
        '`quality = "/quality"`',
        topic="gateway/out",
        body={"asset": "pm2", "name": "press.draw", "timestamp": AT_MS, "value": 1.85, "quality": 192},
    ),
)
SPARKPLUG = (
    Example(
        said="birth of the edge node",
        topic="spBv1.0/ellerholm/NBIRTH/gw1",
        body={
            "timestamp": AT_MS,
            "seq": 0,
            "metrics": [{"name": "bdSeq", "timestamp": AT_MS, "datatype": 8, "long_value": 7}],
        },
    ),
    Example(
        said="birth of a device, which is called like its machine; the alias stands for the name from now on",
        topic="spBv1.0/ellerholm/DBIRTH/gw1/pm2",
        body={
            "timestamp": AT_MS,
            "seq": 1,
            "metrics": [
                {"name": "reel.speed", "alias": 1, "timestamp": AT_MS, "datatype": 10, "double_value": 812.4},
                {"name": "sheet.press", "alias": 2, "timestamp": AT_MS, "datatype": 11, "boolean_value": True},
            ],
        },
    ),
    Example(
        said="data",
        topic="spBv1.0/ellerholm/DDATA/gw1/pm2",
        body={
            "timestamp": AT_MS + 1000,
            "seq": 2,
            "metrics": [{"alias": 2, "timestamp": AT_MS + 1000, "boolean_value": False}],
        },
    ),
    Example(
        said="death of the edge node, its last will: from now on nothing is known of its tags",
        topic="spBv1.0/ellerholm/NDEATH/gw1",
        body={
            "timestamp": AT_MS + 2000,
            "metrics": [{"name": "bdSeq", "timestamp": AT_MS, "datatype": 8, "long_value": 7}],
        },
    ),
)
NOTES = {
    "cause": _note(
        "a cause",
        kind="cause",
        downtime=DOWNTIME,
        cause="PR-FLT",
        certainty="likely",
        comment="felt was due for a wash",
        by="Crew B",
    ),
    "kind": _note("another kind", kind="kind", downtime=DOWNTIME, new_kind="planned"),
    "missed": _note(
        "a missed break",
        kind="missed",
        started="2026-03-01T01:10:00Z",
        ended="2026-03-01T01:31:00Z",
        section="press",
    ),
    "merge": _note("one downtime, not two", kind="merge", downtime="pm2-20260301T020904Z", merge_into=DOWNTIME),
    "withdrawal": _note("a note taken back", kind="withdrawal", withdraws=MISSED),
}
CLOTHING = Example(
    said="a new felt",
    topic="ellerholm/pm2/clothing",
    body={"position": "press felt 1", "installed": "2026-02-27T09:00:00+02:00", "by": "Crew A"},
)
LAB = Example(
    said="a result",
    topic="ellerholm/pm2/lab",
    body={"test": "moisture", "value": 5.1, "unit": "%", "sampled": AT, "reel": 4711},
)
ORDER = Example(
    said="an order",
    topic="ellerholm/pm2/order",
    body={"order_id": 20417, "grade": "C80", "shade": "white", "basis_weight": 80, "tonnes": 120, "ts": AT},
)
CONTEXT = (*NOTES.values(), CLOTHING, LAB, ORDER)
EVERY = (*SCAN, *VALUE, *FIELDS, *SPARKPLUG, *CONTEXT)

WRONG_CODE = _note("", kind="cause", downtime=DOWNTIME, cause="PR-FTL")
REFUSED = (
    Example(said="", topic="ellerholm/pm2/scan", body={"ts": "2026-03-01 02:03:04", "values": {"reel.speed": 812.4}}),
    Example(said="", topic="ellerholm/pm2/scan", body={"ts": 1_772_330_584, "values": {"reel.speed": 812.4}}),
    Example(said="", topic="ellerholm/pm2/scan", body={"ts": "2026-03-01T03:00:00Z", "values": {}}),
    Example(said="", topic="ellerholm/pm2/scan", body={"ts": AT}),
    Example(said="", topic="ellerholm/pm2/scan", body={"values": {"reel.speed": [812.4]}}),
    Example(said="", topic="ellerholm/pm7/scan", body={"values": {"reel.speed": 812.4}}),
    Example(said="", topic="ellerholm/pm2/tag/press.draw", body={"ts": AT}),
    WRONG_CODE,
    _note("", kind="kind", downtime=DOWNTIME),
    Example(said="", topic="ellerholm/pm2/order", body={"order_id": 20417, "grade": "C80", "tonnes": 0}),
)
"""What the collector puts aside."""
