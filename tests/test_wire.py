"""The wire takes messages out of what a broker sends. Packets are made here by hand from MQTT 5 and 3.1.1, as cited."""

from __future__ import annotations

import socket
import ssl
import struct
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.mqtt import link
from collector.mqtt.wire import Came, Wire
from collector.settings import Broker
from tests.certificates import Authority

PINGRESP = b"\xd0\x00"


def length(size: int) -> bytes:
    """Variable byte integer (MQTT 5, 1.5.5)."""
    digits = []
    while True:
        size, digit = divmod(size, 128)
        digits.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(digits)


def text(value: bytes) -> bytes:
    """UTF-8 encoded string (1.5.4)."""
    return struct.pack("!H", len(value)) + value


def publish(
    topic: bytes, payload: bytes, *, packet_id: int = 0, retain: bool = False, properties: bytes | None = b""
) -> bytes:
    """PUBLISH (3.3), QoS 1 with a packet id and QoS 0 without one; ``None`` for MQTT 3.1.1, which has no properties."""
    body = text(topic) + (struct.pack("!H", packet_id) if packet_id else b"")
    body += b"" if properties is None else length(len(properties)) + properties
    body += payload
    return bytes([0x30 | (2 if packet_id else 0) | retain]) + length(len(body)) + body


def user(name: bytes, value: bytes) -> bytes:
    """User property (3.3.2.3.7)."""
    return b"\x26" + text(name) + text(value)


@dataclass
class Peer:
    """A socket that gives what a test has put in, some bytes at a time, and takes so much as it has room for."""

    coming: list[bytes] = field(default_factory=list)
    sent: bytes = b""
    room: int = 10**9

    def recv(self, most: int) -> bytes:
        if not self.coming:
            raise BlockingIOError
        return self.coming.pop(0)

    def send(self, data: bytes) -> int:
        if not self.room:
            raise BlockingIOError
        count = min(len(data), self.room)
        self.room -= count
        self.sent += bytes(data[:count])
        return count


@dataclass
class Reader:
    """Reads a wire as paho does, and keeps the order of all that comes out of it."""

    peer: Peer = field(default_factory=Peer)
    found: list[Came | bytes] = field(default_factory=list)
    now_s: float = 0.0
    version: int = 5

    def __post_init__(self) -> None:
        self.wire = Wire(
            cast("socket.socket", self.peer),
            self.found.extend,
            with_properties=self.version == 5,
            clock=lambda: self.now_s,
        )

    def read(self, *chunks: bytes) -> list[Came | bytes]:
        """One packet at a time: its first byte, the digits of its length, the rest. Gives all found so far."""
        self.peer.coming += chunks
        while self.peer.coming or self.wire.pending():
            try:
                packet = self.wire.recv(1)
                if packet:
                    packet += self._rest()
            except BlockingIOError:
                continue
            self.found.append(packet)
        return self.found

    def _rest(self) -> bytes:
        head, size, shift = b"", 0, 0
        while not head or head[-1] >= 0x80:
            head += self.wire.recv(1)
            size |= (head[-1] & 0x7F) << shift
            shift += 7
        return head + (self.wire.recv(size) if size else b"")


def came(topic: str, payload: bytes, packet_id: int = 0, *, retained: bool = False, ms: int | None = None) -> Came:
    return Came(topic, payload, packet_id, retained, ms)


def test_messages_are_taken_and_all_else_is_left_to_paho_in_order() -> None:
    stream = publish(b"a", b"1", packet_id=1) + PINGRESP + publish(b"b", b"2", packet_id=2) + publish(b"c", b"")

    assert Reader().read(stream) == [came("a", b"1", 1), PINGRESP, came("b", b"2", 2), came("c", b"")]


def test_a_retained_message_is_said_to_be_one() -> None:
    assert Reader().read(publish(b"a", b"1", packet_id=7, retain=True)) == [came("a", b"1", 7, retained=True)]


def test_mqtt_3_1_1_has_no_properties() -> None:
    assert Reader(version=4).read(publish(b"a", b"\x00\x26", packet_id=3, properties=None)) == [
        came("a", b"\x00\x26", 3)
    ]


def test_a_recorded_time_is_found_among_other_user_properties() -> None:
    properties = user(b"line", b"4") + user(b"recorded-ms", b"1772330400000") + user(b"recorded-ms", b"5")

    assert Reader().read(publish(b"a", b"1", packet_id=1, properties=properties)) == [
        came("a", b"1", 1, ms=1_772_330_400_000)
    ]


@pytest.mark.parametrize(("value", "retained"), [(b"1", True), (b"0", False), (b"", False)])
def test_a_message_that_was_retained_when_it_was_recorded_is_taken_for_one(value: bytes, retained: bool) -> None:
    properties = user(b"recorded-ms", b"5") + user(b"recorded-retained", value)

    assert Reader().read(publish(b"a", b"1", packet_id=1, properties=properties)) == [
        came("a", b"1", 1, ms=5, retained=retained)
    ]


@pytest.mark.parametrize("value", [b"soon", b"", b"-5", b"1" * 16])
def test_what_is_no_time_is_none(value: bytes) -> None:
    packet = publish(b"a", b"1", packet_id=1, properties=user(b"recorded-ms", value))

    assert Reader().read(packet) == [came("a", b"1", 1)]


@pytest.mark.parametrize(
    "packet",
    [
        publish(b"a", b"1", packet_id=1, properties=b"\x01\x01"),  # another property: payload format indicator
        publish(b"a", b"1", packet_id=1, properties=user(b"n", b"v" * 130)),  # two digits of length
        publish(b"a", b"1", packet_id=1, properties=b"\x26\x00\x05ab"),  # cut short
        publish(b"", b"1", packet_id=1, properties=b"\x23\x00\x01"),  # a topic alias
        publish(b"", b"1", packet_id=1),
        publish(b"\xff", b"1", packet_id=1),  # no UTF-8
        b"\x34\x06\x00\x01a\x00\x01\x00",  # QoS 2
        b"\x32\x05\x00\x01a\x00\x00",  # packet id 0
        b"\x32\x03\x00\x09a",  # longer than itself
        b"\x30\x00",
        b"\x90\x03\x00\x01\x01",  # SUBACK
    ],
)
def test_what_is_unusual_is_left_to_paho(packet: bytes) -> None:
    after = publish(b"b", b"2", packet_id=2)

    assert Reader().read(packet + after) == [packet, came("b", b"2", 2)]


def test_a_length_that_cannot_be_is_left_to_paho_to_complain_of() -> None:
    reader = Reader(Peer([b"\x32\xff\xff\xff\xff\x01"]))

    assert reader.wire.recv(1) == b"\x32"
    assert reader.wire.recv(100) == b"\xff\xff\xff\xff\x01"


def test_one_message_a_second_goes_through_paho_so_that_it_sees_the_connection_live() -> None:
    reader, packet = Reader(), publish(b"a", b"1", packet_id=1)
    reader.read(packet)
    reader.now_s = 1.5

    assert reader.read(packet, packet) == [came("a", b"1", 1), packet, came("a", b"1", 1)]


def test_the_end_of_the_connection_is_passed_on() -> None:
    assert Reader(Peer([b""])).wire.recv(1) == b""


_packets = st.lists(
    st.one_of(
        st.builds(
            lambda topic, payload, number, retain: publish(topic, payload, packet_id=number, retain=retain),
            st.sampled_from([b"mill/pm2/scan", b"a", "höyry".encode(), b"", b"\xfe"]),
            st.binary(max_size=300),
            st.integers(0, 65_535),
            st.booleans(),
        ),
        st.just(PINGRESP),
        st.binary(max_size=140).map(lambda body: b"\x90" + length(len(body)) + body),
    ),
    min_size=1,
    max_size=8,
)


@given(_packets, st.data())
def test_wherever_the_stream_is_cut_the_same_comes_out(packets: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(packets)
    cuts = sorted(data.draw(st.sets(st.integers(1, len(stream) - 1), max_size=12)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True) if a < b]

    whole, cut = Reader().read(stream), Reader().read(*pieces)

    assert cut == whole
    assert len(whole) == len(packets)


@given(
    st.lists(st.tuples(st.sampled_from(["acknowledge", "ping", "publish", "write"]), st.integers(0, 20)), max_size=30)
)
def test_acknowledgements_never_stand_within_a_packet_and_keep_their_order(steps: list[tuple[str, int]]) -> None:
    """Paho's part: a queue of packets, of which it writes the first until all of it has gone."""
    peer = Peer(room=0)
    wire, queued, number = Reader(peer).wire, [], 0
    for step, room in [*steps, ("write", 10_000)]:
        match step:
            case "acknowledge":
                wire.acknowledge([number + 1, number + 2])
                queued.append(struct.pack("!BBH", 0x40, 2, number + 2))
                number += 2
            case "ping":
                queued.append(PINGREQ)
            case "publish":
                queued.append(PUBLISHED)
        peer.room += room
        try:
            while queued:
                queued[0] = queued[0][wire.send(queued[0]) :]
                queued = queued[not queued[0] :]
        except BlockingIOError:
            continue

    assert acknowledged(peer.sent) == list(range(1, number + 1))


PINGREQ = b"\xc0\x00"
PUBLISHED = b"\x32\x08" + bytes(8)


def acknowledged(sent: bytes) -> list[int]:
    """Packet ids of the PUBACKs (3.4) among whole packets."""
    found = []
    while sent:
        size = sent[1]
        assert len(sent) >= 2 + size
        if sent[0] == 0x40:
            found.append(struct.unpack("!H", sent[2:4])[0])
        else:
            assert sent[:2] in (PINGREQ, PUBLISHED[:2])
        sent = sent[2 + size :]
    return found


@contextmanager
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        yield ours, theirs


def test_it_stands_in_for_a_real_socket() -> None:
    found: list[Came] = []
    with pair() as (ours, theirs):
        wire = Wire(ours, found.extend, with_properties=True)
        wire.setblocking(False)
        theirs.sendall(publish(b"a", b"x" * 60_000, packet_id=9))
        while not found:
            with pytest.raises(BlockingIOError):
                wire.recv(1)

        wire.acknowledge([9])
        assert wire.send(b"\x40\x02\x00\x09") == 4
        assert wire.send(PINGREQ) == 2

        assert theirs.recv(100) == b"\x40\x02\x00\x09\xc0\x00"
        assert wire.fileno() == ours.fileno()
        wire.close()
        assert ours.fileno() == -1
    assert found == [came("a", b"x" * 60_000, 9)]


@contextmanager
def pair_over_tls(folder: Path) -> Iterator[tuple[ssl.SSLSocket, ssl.SSLSocket]]:
    """Two ends of a connection that holds little on its way."""
    authority = Authority.made(folder)
    at_broker = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    at_broker.load_cert_chain(*authority.vouch("broker"))
    at_ours = ssl.create_default_context(cafile=str(authority.certificate))
    with pair() as (ours, theirs), ThreadPoolExecutor(1) as beside:
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        accepted = beside.submit(at_broker.wrap_socket, theirs, server_side=True)
        with at_ours.wrap_socket(ours, server_hostname="localhost") as sealed, accepted.result(10) as opened:
            yield sealed, opened


def test_tls_without_room_gets_the_same_packet_again_before_any_acknowledgement(tmp_path: Path) -> None:
    """OpenSSL holds a write that it could not finish, and takes the next for the rest of it (SSL_write(3))."""
    packet, got, sent = b"\x32\x82\x01" + bytes(130), b"", b""
    with pair_over_tls(tmp_path) as (ours, theirs):
        ours.setblocking(False)
        theirs.settimeout(10)
        wire = Wire(ours, lambda found: None, with_properties=True)
        with suppress(ssl.SSLWantWriteError):
            while True:
                assert wire.send(packet) == len(packet)
                sent += packet
        wire.acknowledge(range(1, 41))

        queued = [packet, b"\x40\x02\x00\x28", PINGREQ]
        while queued:
            try:
                queued[0] = queued[0][wire.send(queued[0]) :]
                queued = queued[not queued[0] :]
            except ssl.SSLWantWriteError:
                got += theirs.recv(100_000)
        acknowledgements = b"".join(struct.pack("!BBH", 0x40, 2, number) for number in range(1, 41))
        expected = sent + packet + acknowledgements + PINGREQ
        while len(got) < len(expected):
            got += theirs.recv(100_000)

    assert got == expected


def test_the_paho_that_is_installed_reads_and_writes_by_the_wire() -> None:
    """It makes its socket by ``_create_socket``, which its documentation does not promise."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        broker = Broker(host="127.0.0.1", port=server.getsockname()[1])
        client = link.build(broker, client_id="collector", version=5, lasting=True)
        client.take = lambda found: None
        link.connect(client, broker, lasting=True)
        wire = client.socket()
        assert wire is not None
        wire.close()

    assert isinstance(wire, Wire)
