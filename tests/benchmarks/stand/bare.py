"""paho alone: a subscriber that acknowledges each message by hand, and does nothing else with it.

    python -m tests.benchmarks.stand.bare PORT WINDOW BOARD EVERY_S

It ends when its standard input does.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.benchmarks.stand.board import Board, show_often


def main() -> None:
    """Subscribe until nobody wants it any more."""
    port, window = int(sys.argv[1]), int(sys.argv[2])
    board, every_s = Board(Path(sys.argv[3])), float(sys.argv[4])
    count, subscribed = 0, threading.Event()

    def receive(client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        nonlocal count
        client.ack(message.mid, message.qos)
        count += 1

    def greet(client: mqtt.Client, *_: object) -> None:
        client.subscribe("ellerholm/#", qos=1)

    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id="stand-bare", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
    )
    client.on_message = receive
    client.on_connect = greet
    client.on_subscribe = lambda *_: subscribed.set()
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum, properties.SessionExpiryInterval = window, 3600
    client.connect("127.0.0.1", port, clean_start=True, properties=properties)
    client.loop_start()
    if not subscribed.wait(10):
        raise SystemExit("the broker did not take the subscription")
    end = show_often(board, lambda: (count, count), every_s=every_s)
    print("ready", flush=True)
    sys.stdin.read()
    end()
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()
