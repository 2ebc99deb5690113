"""One retained topic of the broker: its newest message, and what is said when we are gone."""

from __future__ import annotations

import logging
import threading
from types import TracebackType
from typing import Self

from paho.mqtt.client import MQTTMessageInfo

from analysis.broker.address import Broker
from analysis.broker.line import Line

log = logging.getLogger("breakhorn.risk")

EXPIRES_S = 300
"""A broker that speaks MQTT 5 forgets a message of ours after this, should we live on and be stuck. [s]"""


class Outlet:
    """Publishes to one topic, retained and with QoS 1; connects again whenever the connection is lost.

    Only the newest message counts: what could not be sent while the broker was away is never sent late.
    """

    def __init__(self, broker: Broker, *, client_id: str, topic: str, will: bytes) -> None:
        """Prepare; nothing is connected before the block is entered.

        client_id
            Nobody else's: a broker throws out the older of two clients of one name.
        will
            What the broker says for us, retained, once we are gone without a word.
        """
        self.topic = topic
        self._line = Line(broker, client_id=client_id, log=log, will=(topic, will))
        self._line.opened = self._say_newest
        self._newest: bytes | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        """Begin to connect; returns at once."""
        self._line.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave the broker; after an error without a farewell, so that it says our last will."""
        self._line.__exit__(kind, error, trace)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and not gone since."""
        return self._line.connected

    def say(self, payload: bytes) -> None:
        """Publish now, or as soon as there is a connection if nothing newer has come by then."""
        with self._lock:
            self._newest = payload
            self._send()

    def farewell(self, payload: bytes) -> None:
        """Publish, and wait a little until the broker has it."""
        with self._lock:
            self._newest = payload
            sent = self._send()
        if sent is not None:
            try:
                sent.wait_for_publish(timeout=3)
            except (RuntimeError, ValueError) as error:
                log.warning("%s: the last message was not sent (%s)", self.topic, error)

    def _say_newest(self) -> None:
        with self._lock:
            self._send()

    def _send(self) -> MQTTMessageInfo | None:
        if self._newest is None:
            return None
        return self._line.publish(self.topic, self._newest, retain=True, expires_s=EXPIRES_S)
