"""Publishes scans as fast as a broker takes them, or so many a second, for next to no processor time: raw MQTT 5.

    python -m tests.benchmarks.stand.publisher PLAN

PLAN is a ``Plan`` as JSON. Payloads are made of a few ready-made bodies, so that what is measured is not this process.
"""

from __future__ import annotations

import json
import socket
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.stand.board import Board

START_MS = 1_770_000_000_000
ROLES = {
    "reel.speed": 812.4, "headbox.stock_on": True, "scanner.basis_weight": 80.1, "sheet.couch": True,
    "sheet.press": True, "sheet.predryer": True, "sheet.sizepress": True, "sheet.afterdryer": True,
    "sheet.calender": True, "sheet.reel": True, "order.grade": "C80", "reel.number": "R1",
}  # fmt: skip

_UNACKNOWLEDGED, _TOGETHER, _BODIES = 400, 40, 97


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be published.

    samples
        In each message: a whole scan, or the value of one tag.
    machines
        Machines that send in turn.
    step_ms
        From one scan of a machine to its next. [ms]
    first
        Number of the first scan: another run goes on from there.
    before_now_s
        Scans of the past begin so long ago; 0 begins at an instant of its own. [s]
    real_s
        Scans of now, at the pace of the clock, for so long; 0 as fast as may be. [s]
    ahead
        How many messages may be published and not yet safe at the subscriber.
    """

    messages: int
    samples: int
    port: int = 0
    board: str = ""
    machines: tuple[str, ...] = ("pm2",)
    step_ms: int = 1000
    first: int = 0
    before_now_s: float = 0
    real_s: float = 0
    ahead: int = 4000

    def dumps(self) -> str:
        """As JSON."""
        return json.dumps(asdict(self))


def bodies(samples: int) -> list[bytes]:
    """Values of scans: the roles of the demo mill as far as they fit, the rest numbers of two decimals."""
    random = np.random.default_rng(samples)
    found = []
    for _ in range(_BODIES):
        roles = dict(list(ROLES.items())[: max(1, samples)])
        roles["reel.speed"] = round(812 + random.normal(), 1)
        if "scanner.basis_weight" in roles:
            roles["scanner.basis_weight"] = round(80 + random.normal(), 2)
        rest = random.normal(100, 5, max(0, samples - len(roles))).round(2).tolist()
        values = roles | {f"process.tag{number:03}": value for number, value in enumerate(rest)}
        found.append(json.dumps(values, separators=(",", ":")).encode())
    return found


def packets(plan: Plan) -> Iterator[bytes]:
    """The messages as MQTT 5 packets, without a packet id: the bytes before and after it."""
    said = bodies(plan.samples)
    count = len(plan.machines)
    began_ms = START_MS
    if plan.real_s or plan.before_now_s:
        began_ms = time.time_ns() // 1_000_000 - round(plan.before_now_s * 1000)
    for number in range(plan.first, plan.first + plan.messages):
        machine = plan.machines[number % count]
        at_ms = began_ms + number // count * plan.step_ms
        if plan.samples == 1:
            topic = b"ellerholm/%s/tag/process.tag%03d" % (machine.encode(), number % 50)
            payload = b'{"ts":%d,"value":%.2f}' % (at_ms, 100 + number % _BODIES / 7)
        else:
            topic = b"ellerholm/%s/scan" % machine.encode()
            payload = b'{"ts":%d,"values":%s}' % (at_ms, said[number % _BODIES])
        yield publish_packet(topic, payload, packet_id=number % 65_535 + 1)


def publish_packet(topic: bytes, payload: bytes, *, packet_id: int) -> bytes:
    """A PUBLISH of QoS 1 without properties (MQTT 5, 3.3)."""
    rest = struct.pack("!H", len(topic)) + topic + struct.pack("!HB", packet_id, 0) + payload
    return b"\x32" + _length(len(rest)) + rest


def _length(size: int) -> bytes:
    """A variable byte integer (MQTT 5, 1.5.5)."""
    digits = bytearray()
    while True:
        size, digit = divmod(size, 128)
        digits.append(digit | 0x80 if size else digit)
        if not size:
            return bytes(digits)


class Wire:
    """A connection that publishes, and counts what the broker has acknowledged."""

    def __init__(self, port: int) -> None:
        """Connect. Raises ConnectionError if the broker does not take us in."""
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        name = b"stand-publisher"
        rest = b"\x00\x04MQTT\x05\x02\x00\x3c\x00" + struct.pack("!H", len(name)) + name
        self._socket.sendall(b"\x10" + _length(len(rest)) + rest)
        self._rest = b""
        self.acknowledged = 0
        kind, body = next(self._take())
        if kind != 0x20 or body[1]:
            raise ConnectionError(f"the broker refused the publisher ({body!r})")

    def send(self, packed: list[bytes]) -> None:
        """Send some packets."""
        self._socket.sendall(b"".join(packed))

    def hear(self) -> None:
        """Wait for acknowledgements, and count those that have come."""
        for kind, body in self._take():
            if kind == 0x40:
                if len(body) > 2 and body[2] >= 0x80:
                    raise ConnectionError(f"the broker did not take a message ({body[2]})")
                self.acknowledged += 1

    def _take(self) -> Iterator[tuple[int, bytes]]:
        """The short packets that have come, at least one."""
        data = self._rest
        while len(data) < 2 or len(data) < 2 + data[1]:
            more = self._socket.recv(65_536)
            if not more:
                raise ConnectionError("the broker hung up")
            data += more
        place, found = 0, []
        while place + 2 <= len(data) and place + 2 + data[place + 1] <= len(data):
            end = place + 2 + data[place + 1]
            found.append((data[place] & 0xF0, data[place + 2 : end]))
            place = end
        self._rest = data[place:]
        yield from found

    def close(self) -> None:
        """Leave."""
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()


def publish_fast(plan: Plan, wire: Wire, board: Board) -> None:
    """All of it, held back only by the broker's acknowledgements and by ``ahead``."""
    before = board.read().messages
    waiting: list[bytes] = []
    sent = 0
    for packet in packets(plan):
        waiting.append(packet)
        if len(waiting) < _TOGETHER:
            continue
        wire.send(waiting)
        sent += len(waiting)
        waiting.clear()
        while sent - wire.acknowledged > _UNACKNOWLEDGED:
            wire.hear()
        while sent - (board.read().messages - before) > plan.ahead:
            time.sleep(0.002)
    wire.send(waiting)
    sent += len(waiting)
    while wire.acknowledged < sent:
        wire.hear()


def publish_in_time(plan: Plan, wire: Wire) -> None:
    """A scan of each machine at its time, as a gateway does."""
    began_s = time.monotonic()
    for number, packet in enumerate(packets(plan)):
        due_s = began_s + (number // len(plan.machines)) * plan.step_ms / 1000
        if (ahead_s := due_s - time.monotonic()) > 0:
            time.sleep(ahead_s)
        wire.send([packet])
        while wire.acknowledged <= number:
            wire.hear()


def main() -> None:
    """Say when it begins, publish, and say how much processor time all of it took."""
    plan = Plan(**json.loads(sys.argv[1]))
    wire, board = Wire(plan.port), Board(Path(plan.board))
    print("go", flush=True)
    if plan.real_s:
        publish_in_time(plan, wire)
    else:
        publish_fast(plan, wire, board)
    wire.close()
    board.close()
    print(time.process_time())


if __name__ == "__main__":
    main()
