"""A TCP proxy on this computer that can hold bytes back, slow them down, or cut: the network between two computers."""

from __future__ import annotations

import selectors
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

_TICK_S = 0.01


@dataclass(slots=True)
class _Way:
    """Bytes on their way in one direction, each chunk with the time at which it may arrive."""

    source: socket.socket
    target: socket.socket
    upstream: bool
    chunks: list[tuple[float, bytes]] = field(default_factory=list)


class Proxy:
    """Stands between a client and a broker.

    hold_upstream, hold_downstream
        While true, what the client (the broker) sends is swallowed, and nobody is told: a half-open connection.
    delay_s
        How long every byte takes. [s]
    taken, refused
        How many connections were made so far; how many were ended at once, since the broker was away.
    """

    def __init__(self, broker_port: int) -> None:
        """Listen on a free port of this computer."""
        self.hold_upstream = self.hold_downstream = False
        self.delay_s = 0.0
        self.taken = self.refused = 0
        self._broker_port = broker_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._ways: list[_Way] = []
        self._ending = threading.Event()
        self._cut = threading.Event()
        self._thread = threading.Thread(target=self._run, name="proxy")
        self._thread.start()

    def cut(self) -> None:
        """End all connections, as a switch that loses its power."""
        self._cut.set()

    def close(self) -> None:
        """End everything."""
        self._ending.set()
        self._thread.join(10)

    def _run(self) -> None:
        with selectors.DefaultSelector() as selector, self._listener:
            selector.register(self._listener, selectors.EVENT_READ, None)
            while not self._ending.is_set():
                for key, _ in selector.select(_TICK_S):
                    if key.data is None:
                        self._accept(selector)
                    else:
                        self._read(selector, key.data)
                self._send(selector)
                if self._cut.is_set():
                    self._end(selector, self._ways[:])
                    self._cut.clear()
            self._end(selector, self._ways[:])

    def _accept(self, selector: selectors.BaseSelector) -> None:
        client, _ = self._listener.accept()
        try:
            broker = socket.create_connection(("127.0.0.1", self._broker_port), timeout=5)
        except OSError:
            client.close()
            self.refused += 1
            return
        self.taken += 1
        for source, target, upstream in ((client, broker, True), (broker, client, False)):
            way = _Way(source, target, upstream)
            self._ways.append(way)
            selector.register(source, selectors.EVENT_READ, way)

    def _read(self, selector: selectors.BaseSelector, way: _Way) -> None:
        try:
            data = way.source.recv(65_536)
        except OSError:
            data = b""
        if not data:
            self._end(selector, [one for one in self._ways if way.source in (one.source, one.target)])
        elif not (self.hold_upstream if way.upstream else self.hold_downstream):
            way.chunks.append((time.monotonic() + self.delay_s, data))

    def _send(self, selector: selectors.BaseSelector) -> None:
        now = time.monotonic()
        for way in self._ways[:]:
            while way.chunks and way.chunks[0][0] <= now:
                try:
                    way.target.sendall(way.chunks.pop(0)[1])
                except OSError:
                    self._end(selector, [one for one in self._ways if way.source in (one.source, one.target)])
                    break

    def _end(self, selector: selectors.BaseSelector, ways: list[_Way]) -> None:
        for way in ways:
            with suppress(KeyError, ValueError):
                selector.unregister(way.source)
            way.source.close()
            if way in self._ways:
                self._ways.remove(way)


@contextmanager
def proxy_to(broker_port: int) -> Iterator[Proxy]:
    """A proxy for as long as the block lasts."""
    proxy = Proxy(broker_port)
    try:
        yield proxy
    finally:
        proxy.close()
