"""What the collector says over MQTT: its retained health and the machines' retained states."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.mqtt import link
from collector.service import announce
from collector.settings import Broker


@dataclass(slots=True, kw_only=True)
class Heard:
    """What was heard.

    why_not
        Why nothing could be heard; None if the broker answered.
    health
        The last health message; None if the broker holds none.
    states
        Machine to its provisional state.
    """

    why_not: str | None = None
    health: dict[str, Any] | None = None
    states: dict[str, str] = field(default_factory=dict)


def listen(broker: Broker, root: str, machines: tuple[str, ...], *, wait_s: float) -> Heard:
    """Ask the broker for what it holds; never publishes anything, and leaves no session behind.

    wait_s
        How long to wait for an answer. [s]
    """
    heard = Heard()
    for version in (MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311):
        heard = _Listener(broker, root, machines).listen(int(version), wait_s)
        if heard.why_not is None:
            return heard
    return heard


class _Listener:
    def __init__(self, broker: Broker, root: str, machines: tuple[str, ...]) -> None:
        self._broker = broker
        self._health = announce.health_topic(root)
        self._states = {announce.state_topic(root, machine): machine for machine in machines}
        self._answered, self._complete = threading.Event(), threading.Event()
        self._heard = Heard(why_not="no answer")

    def listen(self, version: int, wait_s: float) -> Heard:
        """One attempt in one version of MQTT."""
        where = f"{self._broker.host}:{self._broker.port}"
        try:
            client = link.build(self._broker, client_id="", version=version)
            client.on_connect, client.on_message = self._accepted, self._take
            link.connect(client, self._broker)
        except (OSError, link.NoPassword) as error:
            return Heard(why_not=f"no broker answers at {where} ({error})")
        client.loop_start()
        try:
            if self._answered.wait(wait_s) and self._heard.why_not is None:
                self._complete.wait(wait_s)
        finally:
            client.disconnect()
            client.loop_stop()
        if self._heard.why_not is not None:
            self._heard.why_not = f"the broker at {where}: {self._heard.why_not}"
        return self._heard

    def _accepted(self, client: mqtt.Client, _: object, __: mqtt.ConnectFlags, reason: ReasonCode, ___: object) -> None:
        self._heard.why_not = str(reason) if reason.is_failure else None
        if not reason.is_failure:
            client.subscribe([(topic, 1) for topic in (self._health, *self._states)])
        self._answered.set()

    def _take(self, _: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        try:
            said = msgspec.json.decode(message.payload, type=dict[str, Any])
        except msgspec.DecodeError:
            return
        if message.topic == self._health:
            self._heard.health = said
        elif message.topic in self._states:
            self._heard.states[self._states[message.topic]] = str(said.get("state"))
        if self._heard.health is not None and len(self._heard.states) == len(self._states):
            self._complete.set()
