"""Everything the project knows of paho: how to connect with a mill's settings, over MQTT 5 or 3.1.1."""

from __future__ import annotations

import os
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.settings import Broker

RECORDED = "recorded-ms"
"""MQTT 5 user property with the time at which a replayed message was first received. [ms since 1970-01-01 UTC]"""

_KEEP_SESSION_S = 0xFFFFFFFF


class NoPassword(RuntimeError):
    """The password for the broker is not where mill.toml says it is: set the environment variable or write the file."""


def build(broker: Broker, *, client_id: str, version: int, lasting: bool = False) -> mqtt.Client:
    """A client that has not connected yet.

    lasting
        True for a session that the broker keeps while we are away; acknowledgement is then up to the caller.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion(version),
        reconnect_on_failure=False,
        manual_ack=lasting,
        clean_session=None if version == MQTTProtocolVersion.MQTTv5 else not lasting,
    )
    if broker.tls_ca is not None:
        client.tls_set(
            ca_certs=str(broker.tls_ca),
            certfile=None if broker.tls_cert is None else str(broker.tls_cert),
            keyfile=None if broker.tls_key is None else str(broker.tls_key),
        )
    if broker.username is not None:
        client.username_pw_set(broker.username, password(broker))
    return client


def password(broker: Broker) -> str | None:
    """The password from the environment or from its file; None where mill.toml names neither.

    Raises
    ------
    NoPassword
        If it is not there.
    """
    if broker.password_env is not None:
        value = os.environ.get(broker.password_env)
        if value is None:
            raise NoPassword(f"the environment variable {broker.password_env} is not set ([broker] password_env)")
        return value
    if broker.password_file is not None:
        try:
            return Path(broker.password_file).read_text(encoding="utf-8").split("\n", 1)[0].rstrip("\r")
        except OSError as error:
            raise NoPassword(f"{broker.password_file}: {error.strerror} ([broker] password_file)") from error
    return None


def connect(client: mqtt.Client, broker: Broker, *, lasting: bool = False, window: int | None = None) -> None:
    """Open the connection (the handshake goes on in the client's loop). Raises OSError if nobody listens."""
    if client.protocol == MQTTProtocolVersion.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
        if lasting:
            properties.SessionExpiryInterval = _KEEP_SESSION_S
        if window is not None:
            properties.ReceiveMaximum = window
        client.connect(broker.host, broker.port, clean_start=not lasting, properties=properties)
    else:
        client.connect(broker.host, broker.port)


def recorded(received_ms: int) -> Properties:
    """The properties that carry a recorded time of receipt."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
    properties.UserProperty = (RECORDED, str(received_ms))
    return properties


def recorded_ms(message: mqtt.MQTTMessage) -> int | None:
    """The recorded time of receipt that came with a message; None if none did. [ms]"""
    pairs = getattr(message.properties, "UserProperty", None) or []
    for name, value in pairs:
        if name == RECORDED and value.isdecimal():
            return int(value)
    return None
