"""The embedded broker of demo and tests: on this computer only, for as long as the block that opened it."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collector.scratch import scratch

MAX_PAYLOAD = 16 * 1024 * 1024
"""Largest payload that the embedded broker passes on. [bytes]"""

WINDOW = 100
"""Messages that the embedded broker leaves unacknowledged at most, whatever a client asks for."""

_LISTENER = """
[{version}.1]
name = "{version}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[{version}.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload}
max_inflight_count = {window}
dynamic_filters = true
"""

_ROUTER = """
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
"""


@contextmanager
def embedded_broker(port: int = 0) -> Iterator[int]:
    """Run a broker for MQTT 5 on 127.0.0.1 and give its port; 0 takes a free one.

    It keeps everything in memory and drops the oldest beyond about 1 GB of backlog: hold the publisher back.

    Raises
    ------
    OSError
        If the port is taken.
    """
    from iotcore import Broker  # noqa: PLC0415  (only demo and tests carry a broker of their own)

    port = port or free_port()
    with scratch("broker") as folder:
        path = Path(folder) / "broker.toml"
        listeners = [("v5", port), ("v4", free_port())]
        path.write_text(
            _ROUTER
            + "".join(
                _LISTENER.format(version=version, port=number, payload=MAX_PAYLOAD, window=WINDOW)
                for version, number in listeners
            )
        )
        with Broker(config_path=str(path)):
            yield port


def free_port() -> int:
    """A TCP port that was free on 127.0.0.1 a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
