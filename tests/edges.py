"""An edge node that sends Sparkplug B to a decoder."""

from __future__ import annotations

from typing import Any

from collector.decode import Decoder
from collector.decode.sparkplug.wire import Payload
from collector.message import Decoded, Message
from collector.settings import parse_mill
from tests import mills
from tests.mills import RECEIVED_MS

T = RECEIVED_MS - 5_000
GROUP, EDGE = "ellerholm", "gw1"


class Edge:
    """A decoder, and an edge node that sends to it."""

    def __init__(self, *, machine: str | None = None, **states: Any) -> None:
        own = f'\nmachine = "{machine}"' if machine else ""
        self.mill = parse_mill(
            mills.example(('edges = ["gw1", "gw2"]', f'edges = ["gw1", "gw2"]{own}')), file=mills.EXAMPLE
        )
        self.decoder = Decoder(self.mill, **states)
        self.seq = -1
        self.received_ms = RECEIVED_MS

    def send(self, kind: str, *metrics: dict[str, Any], device: str = "pm2", **more: Any) -> Decoded:
        """Send a message; the next sequence number and the payload's time come by themselves."""
        if "seq" not in more and kind != "NDEATH":
            self.seq = 0 if kind == "NBIRTH" else (self.seq + 1) % 256
            more["seq"] = self.seq
        elif more.get("seq", ...) is None:
            del more["seq"]
        payload = Payload(timestamp=more.pop("timestamp", T), metrics=metrics, **more)
        return self.raw(kind, payload.SerializeToString(), device=device)

    def raw(self, kind: str, data: bytes, *, device: str = "pm2") -> Decoded:
        last = f"/{device}" if kind.startswith("D") else ""
        topic = f"spBv1.0/{GROUP}/{kind}/{EDGE}{last}"
        return self.decoder.decode(Message(received_ms=self.received_ms, topic=topic, payload=data))

    def born(self) -> Edge:
        """After the births of the edge node and of pm2, with an alias for each kind of tag."""
        assert self.send("NBIRTH", bd_seq(7)).rejected == []
        assert self.send("DBIRTH", *PM2).rejected == []
        return self


def bd_seq(number: int) -> dict[str, Any]:
    return {"name": "bdSeq", "timestamp": T, "datatype": 8, "long_value": number}


PM2 = (
    {"name": "reel.speed", "alias": 1, "timestamp": T, "datatype": 10, "double_value": 812.5},
    {"name": "sheet.press", "alias": 2, "timestamp": T, "datatype": 11, "boolean_value": True},
    {"name": "order.grade", "alias": 3, "timestamp": T, "datatype": 12, "string_value": "C80"},
)


def quality(code: int) -> dict[str, Any]:
    return {"keys": ["Quality"], "values": [{"type": 3, "int_value": code}]}


def values(decoded: Decoded) -> dict[str, Any]:
    (scan,) = decoded.scans
    return dict(scan.values)
