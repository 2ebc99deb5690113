"""Between paho and the socket: takes the messages out of what comes, since paho needs ten times as long for each.

What is no plain message passes on to paho, in order, and so does one message a second: paho must see that the
connection lives. Acknowledgements go out together, when paho sends its next packet. Sections cited: MQTT 5.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections import deque
from collections.abc import Callable, Iterable
from struct import Struct
from typing import NamedTuple

RECORDED = b"recorded-ms"
"""MQTT 5 user property with the time at which a replayed message was first received. [ms since 1970-01-01 UTC]"""

RETAINED = b"recorded-retained"
"""The same, "1" for a message that the broker had kept from before when it was recorded."""

RECORDED_DIGITS = 15
"""Milliseconds since 1970 have no more: these reach into the year 33658."""

_PASS_EVERY_S = 1.0
_AT_ONCE = 256 * 1024
_PUBLISH, _QOS_2, _QOS_1, _RETAIN = 0x30, 0x04, 0x02, 0x01
_PUBACK, _USER_PROPERTY = 0x40, 0x26
_ACKNOWLEDGEMENT = Struct("!BBH")


class Came(NamedTuple):
    """One message as it stood on the wire; ``packet_id`` is 0 where there is none to acknowledge (QoS 0)."""

    topic: str
    payload: bytes
    packet_id: int
    retained: bool
    stamped_ms: int | None


class Wire:
    """Stands in for the socket of one connection. All but ``acknowledge`` is called in paho's own thread."""

    def __init__(
        self,
        under: socket.socket | ssl.SSLSocket,
        take: Callable[[list[Came]], None],
        *,
        with_properties: bool,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Read from and write to a socket.

        take
            Given the messages, in order of arrival, as many as came together.
        with_properties
            Whether messages carry properties: in MQTT 5 they do.
        """
        self._under, self._take, self._with_properties, self._clock = under, take, with_properties, clock
        self._parts: list[bytes] = []
        self._size = self._need = 0
        self._passing, self._passed = b"", 0
        self._passed_s = clock()
        self._acknowledgements: deque[bytes] = deque()
        self._out = b""
        self._midway = False

    def recv(self, most: int) -> bytes:
        """Bytes of a packet that is for paho; raises BlockingIOError when there is none, b"" when the peer has gone."""
        if self._passed == len(self._passing):
            if not self.unread:
                data = self._under.recv(_AT_ONCE)
                if not data:
                    return b""
                self._parts.append(data)
                self._size += len(data)
            self._passing, self._passed = self._read() if self.unread else b"", 0
            if not self._passing:
                raise BlockingIOError
        start = self._passed
        self._passed = min(start + most, len(self._passing))
        return self._passing[start : self._passed]

    @property
    def unread(self) -> bool:
        """Whether there may be a whole packet that nobody has looked at."""
        return self._size > self._need

    def pending(self) -> int:
        """How much can be read though the socket may not say so: paho asks before it waits for the socket."""
        waiting = len(self._passing) - self._passed + self.unread
        return waiting + (self._under.pending() if isinstance(self._under, ssl.SSLSocket) else 0)

    def _read(self) -> bytes:
        """Take the messages out of what has come, up to the first packet that is for paho; give that one."""
        data = self._parts[0] if len(self._parts) == 1 else b"".join(self._parts)
        found: list[Came] = []
        passing, place, self._need = b"", 0, 0
        must_pass = self._clock() - self._passed_s >= _PASS_EVERY_S
        while (framed := _frame(data, place)) is not None:
            start, end = framed
            if end > len(data):
                self._need = end - place - 1
                break
            came = None if must_pass else _message(data, place, start, end, with_properties=self._with_properties)
            if came is None:
                passing, place = data[place:end], end
                self._passed_s = self._clock()
                break
            found.append(came)
            place = end
        else:
            self._need = len(data) - place
        self._parts = [data[place:]] if place < len(data) else []
        self._size = len(data) - place
        if found:
            self._take(found)
        return passing

    def acknowledge(self, packet_ids: Iterable[int]) -> None:
        """Let acknowledgements (3.4) go out before the next packet that paho begins to send. From any thread.

        Have paho acknowledge one of them, too, so that it has something to send: that packet itself goes no further, or
        those of the next call could overtake it, and some brokers hang up when the order is broken.
        """
        self._acknowledgements.append(b"".join(_ACKNOWLEDGEMENT.pack(_PUBACK, 2, number) for number in packet_ids))

    def send(self, data: bytes | bytearray) -> int:
        """Send a packet of paho's, or the rest of one; how much of it went out."""
        if not self._midway:
            while self._acknowledgements:
                self._out += self._acknowledgements.popleft()
            if self._out:
                self._out = self._out[self._under.send(self._out) :]
                if self._out:
                    raise BlockingIOError
            if data[0] == _PUBACK:
                return len(data)
        # TLS that had no room holds what it was given, and sends that first: so nothing may come between.
        self._midway = True
        sent = self._under.send(data)
        self._midway = sent < len(data)
        return sent

    def close(self) -> None:
        """Close the socket."""
        self._under.close()

    def fileno(self) -> int:
        """The socket's, to wait for."""
        return self._under.fileno()

    def setblocking(self, flag: bool) -> None:
        """As sockets have it."""
        self._under.setblocking(flag)


def _frame(data: bytes, place: int) -> tuple[int, int] | None:
    """Where the body of the packet at a place begins and ends (2.1.4); None if its head is not all there."""
    size = shift = 0
    for start in range(place + 1, min(place + 5, len(data))):
        digit = data[start]
        size |= (digit & 0x7F) << shift
        if digit < 0x80:
            return start + 1, start + 1 + size
        shift += 7
    return (len(data), len(data)) if shift == 28 else None  # A length of five digits: let paho say so.


def _message(data: bytes, place: int, start: int, end: int, *, with_properties: bool) -> Came | None:
    """The message in a packet (3.3); None for what is better left to paho: all else, and whatever looks unusual."""
    head = data[place]
    if head & 0xF0 != _PUBLISH or head & _QOS_2:
        return None
    try:
        body = start + 2 + (data[start] << 8 | data[start + 1])
        topic, packet_id, retained, stamped_ms = data[start + 2 : body].decode(), 0, bool(head & _RETAIN), None
        if head & _QOS_1:
            packet_id = data[body] << 8 | data[body + 1]
            body += 2
        if with_properties:
            size = data[body]
            body += 1 + size
            if size:
                stamped_ms, was_retained = _recorded(data[body - size : body])
                retained = retained or was_retained
    except (IndexError, ValueError):
        return None
    if body > end or not topic or (head & _QOS_1 and not packet_id):
        return None
    return Came(topic, data[body:end], packet_id, retained, stamped_ms)


def _recorded(properties: bytes) -> tuple[int | None, bool]:
    """What some user properties (3.3.2.3.7) say of a recorded message: its time, and whether it had been retained.

    Raises ValueError if there is any other property.
    """
    place, stamped_ms, retained = 0, None, False
    while place < len(properties):
        if properties[place] != _USER_PROPERTY:
            raise ValueError
        name, place = _text(properties, place + 1)
        value, place = _text(properties, place)
        if name == RECORDED and stamped_ms is None and value.isdigit() and len(value) <= RECORDED_DIGITS:
            stamped_ms = int(value)
        elif (name, value) == (RETAINED, b"1"):
            retained = True
    return stamped_ms, retained


def _text(data: bytes, place: int) -> tuple[bytes, int]:
    """A string with its length before it (1.5.4), and where it ends. Raises ValueError if it is cut short."""
    if place + 2 > len(data):
        raise ValueError
    end = place + 2 + (data[place] << 8 | data[place + 1])
    if end > len(data):
        raise ValueError
    return data[place + 2 : end], end
