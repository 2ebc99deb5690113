"""The crew's page over a real socket, in a thread of the test, and those who listen to its events."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.publish as publish
import uvicorn
from paho.mqtt.enums import MQTTProtocolVersion
from starlette.applications import Starlette

from analysis.page.app import site
from analysis.page.settings import settings_of
from collector.mqtt.broker import free_port
from tests.servers import wait_until


class Served:
    """A page that is being served."""

    def __init__(self, app: Starlette, port: int) -> None:
        self.app = app
        self.port = port
        self.url = f"http://127.0.0.1:{port}"
        config = uvicorn.Config(app, host="127.0.0.1", port=port, log_config=None, timeout_graceful_shutdown=5)
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, name="page")

    def start(self) -> None:
        self.thread.start()
        wait_until(lambda: self.server.started, what="the page")

    def end(self) -> float:
        """End it as a signal would; gives how long that took. [s]"""
        began_s = time.monotonic()
        self.server.should_exit = True
        self.app.state.site.ending.set()
        self.thread.join(30)
        assert not self.thread.is_alive()
        return time.monotonic() - began_s

    def get(self, path: str) -> httpx.Response:
        return httpx.get(self.url + path, timeout=30)


@contextmanager
def page_of(mill_toml: Path, port: int = 0) -> Iterator[Served]:
    """The page of a mill, until the block is left."""
    served = Served(site(mill_toml, settings_of(mill_toml)), port or free_port())
    served.start()
    try:
        yield served
    finally:
        served.end()


class Events:
    """What one reader of the present is sent, gathered by a thread of its own."""

    def __init__(self, port: int, *, cookie: str = "") -> None:
        self.events: list[tuple[float, str, dict[str, Any]]] = []
        self.ended = threading.Event()
        self.head = b""
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=30)
        self._socket.sendall(f"GET /now/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n".encode())
        self._thread = threading.Thread(target=self._listen, name="reader", daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        name = ""
        with suppress(OSError), self._socket.makefile("rb") as lines:
            for line in lines:
                key, _, value = line.decode().rstrip("\r\n").partition(": ")
                if not self.events and not name:
                    self.head += line
                if key == "event":
                    name = value
                elif key == "data":
                    self.events.append((time.time(), name, json.loads(value)))
        self.ended.set()

    def newest(self, machine: str) -> str:
        """The newest of a machine as HTML; empty while there is none."""
        of = [
            said["machines"][machine][0]
            for _, name, said in self.events
            if name == "now" and machine in said["machines"]
        ]
        return str(of[-1]) if of else ""

    def close(self) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(10)
        self._socket.close()


@contextmanager
def reading(served: Served, number: int = 1) -> Iterator[list[Events]]:
    """So many readers of the present."""
    readers = [Events(served.port) for _ in range(number)]
    try:
        wait_until(lambda: all(r.events for r in readers), what="the first events")
        yield readers
    finally:
        for reader in readers:
            reader.close()


def say(port: int, topic: str, payload: bytes, *, retain: bool = True) -> None:
    """Publish one message, as the collector would."""
    publish.single(
        topic, payload, qos=1, retain=retain, hostname="127.0.0.1", port=port, protocol=MQTTProtocolVersion.MQTTv5
    )
