"""What brokers, networks and other clients do to a collector, and what must come of it: nothing lost, nothing twice."""

from __future__ import annotations

import json
import logging
import socket
import ssl
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import cast

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from collector.message import Message
from collector.mqtt import link
from collector.mqtt.broker import free_port
from collector.mqtt.replay import Publisher
from collector.mqtt.subscriber import Subscriber
from collector.service.serve import Collector
from collector.settings import Mill
from collector.settings.model.service import Broker
from tests.certificates import Authority
from tests.proxy import Proxy, proxy_to
from tests.servers import mosquitto_at, wait_until
from tests.test_service import collecting, golden_messages, mill_at, rows

pytestmark = pytest.mark.broker

T0 = 1_772_330_400_000


def scans(first: int, count: int) -> list[Message]:
    """Some scans of one value, a second apart."""
    return [
        Message(
            received_ms=T0 + number * 1000,
            topic="ellerholm/pm2/scan",
            payload=json.dumps({"ts": T0 + number * 1000, "values": {"press.draw": number}}).encode(),
        )
        for number in range(first, first + count)
    ]


def bare(first: int, count: int) -> list[Message]:
    """As many equal values without a time in them: nothing but the order of their delivery tells a repeat of one."""
    topic = "ellerholm/pm2/tag/press.draw"
    return [Message(received_ms=T0 + n, topic=topic, payload=b"1.8") for n in range(first, first + count)]


def send(mill: Mill, messages: list[Message]) -> None:
    """Publish; all are at the broker when this returns."""
    with Publisher(mill.broker) as publisher:
        for message in messages:
            publisher.send(message)


def until_connected(collector: Collector) -> None:
    wait_until(lambda: collector.connected, what="the collector's connection")


def until_samples(collector: Collector, count: int) -> None:
    wait_until(lambda: collector.counts.samples >= count, what=f"the commit of {count} samples")


def values(mill: Mill) -> list[object]:
    """The values that readers find, in order of time."""
    return [row[3] for row in sorted(rows(mill)["sample"], key=lambda row: str(row[2]))]


def test_the_collector_goes_on_when_its_broker_has_been_restarted(tmp_path: Path) -> None:
    port = free_port()
    mill = mill_at(tmp_path, port)

    with mosquitto_at(tmp_path / "mosquitto", port=port), collecting(mill) as first:
        until_connected(first)
    with mosquitto_at(tmp_path / "mosquitto", port=port):
        send(mill, scans(0, 10))
    with collecting(mill) as collector:
        with mosquitto_at(tmp_path / "mosquitto", port=port):
            until_samples(collector, 10)
            send(mill, scans(10, 10))
            until_samples(collector, 20)
        with mosquitto_at(tmp_path / "mosquitto", port=port):
            send(mill, scans(20, 10))
            until_samples(collector, 30)

    assert values(mill) == list(range(30))


def test_a_broker_that_has_forgotten_everything_is_told_the_state_of_each_machine_again(tmp_path: Path) -> None:
    port = free_port()
    with collecting(mill_at(tmp_path, port)) as collector:
        for memory in ("first", "second"):
            with mosquitto_at(tmp_path / memory, port=port):
                until_connected(collector)

                wait_until(lambda: retained(port, "ellerholm/pm2/runnability/state"), what=f"the {memory} state")

    assert collector.counts.sessions_lost == 1


def retained(port: int, topic: str) -> list[bytes]:
    """What a broker tells of a topic to somebody who has just come."""
    heard: list[bytes] = []
    answered = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_message = lambda _, __, message: heard.append(bytes(message.payload))
    client.on_unsubscribe = lambda *_: answered.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        wait_until(client.is_connected, what="the connection")
        client.subscribe(topic, qos=0)
        client.unsubscribe(topic)  # its answer comes after what the broker had kept
        assert answered.wait(10)
    finally:
        client.disconnect()
        client.loop_stop()
    return heard


def cut_off(proxy: Proxy, caplog: pytest.LogCaptureFixture) -> None:
    """Let the connection become half open until the collector has noticed, and mend the network then."""
    proxy.hold_upstream = proxy.hold_downstream = True
    wait_until(lambda: "connection lost" in caplog.text, what="the loss of the connection")
    proxy.hold_upstream = proxy.hold_downstream = False


def test_a_half_open_connection_is_noticed_and_made_anew(
    broker_port: int, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    direct = mill_at(tmp_path / "direct", broker_port)

    with proxy_to(broker_port) as proxy:
        mill = mill_at(tmp_path / "mill", proxy.port, broker="keepalive_s = 1")
        with collecting(mill) as collector:
            until_connected(collector)
            send(direct, scans(0, 5))
            until_samples(collector, 5)
            cut_off(proxy, caplog)
            send(direct, scans(5, 5))
            until_samples(collector, 10)
        assert proxy.taken >= 2

    assert values(mill) == list(range(10))


def test_messages_whose_acknowledgement_was_lost_come_again_and_are_told_without_the_dup_flag(
    broker_port: int, tmp_path: Path
) -> None:
    direct = mill_at(tmp_path / "direct", broker_port)

    with proxy_to(broker_port) as proxy:
        mill = mill_at(tmp_path / "mill", proxy.port)
        with collecting(mill) as collector:
            until_connected(collector)
            send(direct, bare(0, 5))
            until_samples(collector, 5)
            proxy.hold_upstream = True
            send(direct, bare(5, 30))
            until_samples(collector, 35)
            proxy.cut()
            wait_until(lambda: not collector.connected, what="the loss of the connection")
            proxy.hold_upstream = False
            wait_until(lambda: collector.counts.repeats >= 30, what="the repeats")
            send(direct, bare(35, 5))
            until_samples(collector, 40)

    assert len(rows(mill)["sample"]) == 40


def test_the_same_scan_sent_again_by_its_sender_is_dropped_by_its_key(broker_port: int, tmp_path: Path) -> None:
    mill = mill_at(tmp_path, broker_port)

    with collecting(mill) as collector:
        until_connected(collector)
        send(mill, scans(0, 10))
        send(mill, scans(5, 10))
        wait_until(lambda: collector.counts.messages == 20, what="the last commit")

    assert (collector.counts.samples, collector.counts.repeated, collector.counts.repeats) == (15, 5, 0)
    assert values(mill) == list(range(15))


def test_two_collectors_with_one_client_id_say_so_and_do_not_fight(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with mosquitto_at(tmp_path / "mosquitto") as port, proxy_to(port) as ours, proxy_to(port) as theirs:
        mill, other = mill_at(tmp_path / "mill", ours.port), mill_at(tmp_path / "other", theirs.port)
        with collecting(mill) as collector:
            until_connected(collector)
            with collecting(other):
                wait_until(lambda: "if another client has the client_id" in caplog.text, what="the message")
        taken = ours.taken + theirs.taken

    assert "breakhorn-ellerholm, stop it, or give one of the two another" in caplog.text
    assert taken <= 10


def accept_and_take_over(listener: socket.socket) -> None:
    """A broker that takes a client in, and then tells it that another one has its session."""
    connack, taken_over = b"\x20\x03\x00\x00\x00", b"\xe0\x01\x8e"  # MQTT 5: 3.2, 3.14
    connection, _ = listener.accept()
    with connection:
        connection.recv(4096)
        connection.sendall(connack)
        connection.recv(4096)
        connection.sendall(taken_over)


def test_a_broker_that_tells_of_another_client_is_believed_at_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        mill = mill_at(tmp_path, listener.getsockname()[1])
        with collecting(mill):
            accept_and_take_over(listener)
            wait_until(
                lambda: "another client has taken over the session breakhorn-" in caplog.text, what="the message"
            )
            listener.settimeout(2)  # several times the usual pause
            with pytest.raises(TimeoutError):
                listener.accept()


def take_in_late(listener: socket.socket, authority: Authority, let_in: threading.Event) -> bytes:
    """A broker that lets nobody in for a while, and then: all that a client says to it until it leaves."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*authority.vouch("broker"))
    connection, _ = listener.accept()
    assert let_in.wait(30)
    said = b""
    with context.wrap_socket(connection, server_side=True) as client:
        client.settimeout(20)
        while part := client.recv(4096):
            said += part
            if said.startswith(b"\x10") and b"\xe0" in said:  # CONNECT and, later, DISCONNECT (MQTT 5: 3.1, 3.14)
                break
    return said


def test_an_end_that_is_asked_for_while_the_connection_is_being_made_is_not_forgotten(tmp_path: Path) -> None:
    authority, let_in = Authority.made(tmp_path / "certificates"), threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener, ThreadPoolExecutor() as pool:
        broker = Broker(port=listener.getsockname()[1], tls_ca=authority.certificate)
        heard = pool.submit(take_in_late, listener, authority, let_in)
        subscriber = Subscriber(broker, ("ellerholm/#",), client_id="breakhorn-ellerholm")
        subscriber.start()
        stopped = pool.submit(subscriber.stop)  # gives up waiting for the network thread after 3 s
        stopped.result(timeout=10)

        let_in.set()

        assert heard.result(timeout=30).endswith((b"\xe0\x00", b"\xe0\x02\x00\x00"))
        wait_until(lambda: "subscriber" not in {thread.name for thread in threading.enumerate()}, what="its end")


def test_a_broker_that_hangs_up_at_our_first_packet_is_tried_again(
    broker_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that wants a certificate may do so; paho then tells of the end from within ``connect``, without an error."""
    connect, hung_up = link.connect, list[bool]()

    def hang_up_first(client: mqtt.Client, broker: Broker, *, lasting: bool, window: int | None) -> None:
        if hung_up:
            connect(client, broker, lasting=lasting, window=window)
            return
        hung_up.append(True)
        tell = cast("mqtt.CallbackOnDisconnect_v2", client.on_disconnect)
        tell(client, None, mqtt.DisconnectFlags(False), ReasonCode(PacketTypes.DISCONNECT), None)

    monkeypatch.setattr(link, "connect", hang_up_first)
    with collecting(mill_at(tmp_path, broker_port)) as collector:
        until_connected(collector)

    assert hung_up


def forget_session(port: int, client_id: str) -> None:
    """What a broker does by itself when a session has expired."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", port, clean_start=True)
    client.loop_start()
    wait_until(client.is_connected, what="the connection that ends the session")
    client.disconnect()
    client.loop_stop()


def test_a_session_that_has_expired_is_said_and_counted(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with mosquitto_at(tmp_path / "mosquitto") as port:
        mill = mill_at(tmp_path, port)
        with collecting(mill) as collector:
            until_connected(collector)
            send(mill, scans(0, 10))
            until_samples(collector, 10)
        assert "has not kept our session" not in caplog.text
        forget_session(port, mill.broker.client_id)
        send(mill, scans(10, 10))
        with collecting(mill) as collector:
            until_connected(collector)
            send(mill, scans(20, 10))
            until_samples(collector, 10)

    assert "has not kept our session" in caplog.text
    assert collector.counts.sessions_lost == 1
    assert values(mill) == [*range(10), *range(20, 30)]


def test_equal_messages_of_a_new_session_are_no_repeats_of_the_old_one(tmp_path: Path) -> None:
    """A new session counts its packet ids from 1 again, so that those of equal messages are the same."""
    with mosquitto_at(tmp_path / "mosquitto") as port, proxy_to(port) as proxy:
        direct, mill = mill_at(tmp_path / "direct", port), mill_at(tmp_path / "mill", proxy.port)
        with collecting(mill) as collector:
            until_connected(collector)
            send(direct, bare(0, 20))
            until_samples(collector, 20)
        forget_session(port, mill.broker.client_id)
        with collecting(mill) as collector:
            until_connected(collector)
            send(direct, bare(20, 5))
            until_samples(collector, 5)
            proxy.cut()
            wait_until(lambda: not collector.connected, what="the loss of the connection")
            send(direct, bare(25, 10))
            until_samples(collector, 15)

    assert len(rows(mill)["sample"]) == 35


def test_a_slow_broker_is_waited_for(broker_port: int, tmp_path: Path) -> None:
    messages = golden_messages()
    direct = mill_at(tmp_path / "direct", broker_port)

    with proxy_to(broker_port) as proxy:
        proxy.delay_s = 0.3
        mill = mill_at(tmp_path / "mill", proxy.port, broker="keepalive_s = 1")
        with collecting(mill) as collector:
            until_connected(collector)
            send(direct, messages)
            wait_until(lambda: collector.counts.messages == len(messages), what="the last commit")
        assert (proxy.taken, collector.counts.repeats) == (1, 0)


@pytest.mark.parametrize("window", [2, 20])
def test_a_small_window_is_enough(broker_port: int, window: int, tmp_path: Path) -> None:
    messages = golden_messages()
    mill = mill_at(tmp_path, broker_port, broker=f"window = {window}")

    with collecting(mill) as collector:
        until_connected(collector)
        send(mill, messages)
        wait_until(lambda: collector.counts.messages == len(messages), what="the last commit")

    assert collector.counts.repeats == 0


def test_a_broker_that_hangs_up_while_it_starts_is_not_taken_for_an_old_one(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    port = free_port()
    direct = mill_at(tmp_path / "direct", port)

    with proxy_to(port) as proxy, ExitStack() as broker:
        mill = mill_at(tmp_path / "mill", proxy.port)
        broker.enter_context(mosquitto_at(tmp_path / "mosquitto", port=port))
        with collecting(mill) as collector:
            until_connected(collector)
            broker.close()
            wait_until(lambda: proxy.refused > 0, what="another attempt")
            with mosquitto_at(tmp_path / "mosquitto", port=port):
                until_connected(collector)
                send(direct, scans(0, 5))
                until_samples(collector, 5)

    log = (tmp_path / "mosquitto" / "log").read_text()
    assert " as breakhorn-ellerholm (p5," in log
    assert " as breakhorn-ellerholm (p2," not in log
