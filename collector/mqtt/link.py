"""Everything the project knows of paho: how to connect with a mill's settings, over MQTT 5 or 3.1.1."""

from __future__ import annotations

import os
import socket
import ssl
import stat
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import cast

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from collector.mqtt.wire import RECORDED, RECORDED_DIGITS, RETAINED, Came, Wire
from collector.settings import Broker

KEEP_SESSION_S = 0xFFFFFFFF
"""For ever (MQTT 5, 3.1.2.11.2)."""

_BAD_LOGIN = (134, 135)
"""MQTT 5: bad user name or password; not authorized. (paho gives the codes of 3.1.1 in these numbers, too.)"""


class NoPassword(RuntimeError):
    """The password for the broker is not where mill.toml says it is: set the environment variable or write the file."""


class NoCertificate(NoPassword):
    """A certificate or key that [broker] names cannot be used: correct tls_ca, tls_cert or tls_key."""


class Client(mqtt.Client):
    """paho's client, with a wire of ours before its socket where messages are taken from the wire.

    take
        Given what came, if this is set before connecting. Some messages come by ``on_message`` all the same. Should
        another version of paho make its socket otherwise than by ``_create_socket``, then all do: slower, no less safe.
    """

    take: Callable[[list[Came]], None] | None = None
    _wire: Wire | None = None

    def _create_socket(self) -> mqtt.SocketLike:
        made = super()._create_socket()
        if self.take is None:
            return made
        with_properties = self.protocol == MQTTProtocolVersion.MQTTv5
        self._wire = Wire(cast("socket.socket", made), self.take, with_properties=with_properties)
        return self._wire

    def acknowledge(self, packet_ids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1 in this order. From any thread."""
        if self._wire is not None:
            self._wire.acknowledge(packet_ids)
            packet_ids = packet_ids[-1:]
        for packet_id in packet_ids:
            self.ack(packet_id, 1)


def build(broker: Broker, *, client_id: str, version: int, lasting: bool = False) -> Client:
    """A client that has not connected yet.

    lasting
        True for a session that the broker keeps while we are away; acknowledgement is then up to the caller.

    Raises
    ------
    NoPassword, NoCertificate
        If what mill.toml names is not there or cannot be used.
    """
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion(version),
        reconnect_on_failure=False,
        manual_ack=lasting,
        clean_session=None if version == MQTTProtocolVersion.MQTTv5 else not lasting,
    )
    if broker.tls_ca is not None:
        _use_tls(client, broker)
    if broker.username is not None:
        client.username_pw_set(broker.username, password(broker))
    return client


def _use_tls(client: mqtt.Client, broker: Broker) -> None:
    files = {key: str(path) for key in ("tls_ca", "tls_cert", "tls_key") if (path := getattr(broker, key)) is not None}
    for key, path in files.items():
        try:
            Path(path).open("rb").close()
        except OSError as error:
            raise NoCertificate(f"{path}: {error.strerror} ([broker] {key})") from error
    try:
        client.tls_set(files["tls_ca"], files.get("tls_cert"), files.get("tls_key"))
    except ssl.SSLError as error:
        reason = error.reason or "no PEM file"
        raise NoCertificate(f"{' and '.join(files)} ([broker]) are not what they should be ({reason})") from error


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


def may_be_read_by_all(path: Path) -> bool:
    """Whether every user of this computer may read a file."""
    try:
        return bool(path.stat().st_mode & stat.S_IROTH)
    except OSError:
        return False


def connect(client: mqtt.Client, broker: Broker, *, lasting: bool = False, window: int | None = None) -> None:
    """Open the connection (the handshake goes on in the client's loop). Raises OSError: ``trouble`` says what it means.

    The broker is not told how much we take at most: it would drop larger messages without a word (MQTT 5, 3.1.2.11.4).
    """
    if client.protocol == MQTTProtocolVersion.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
        if lasting:
            properties.SessionExpiryInterval = KEEP_SESSION_S
        if window is not None:
            properties.ReceiveMaximum = window
        client.connect(broker.host, broker.port, broker.keepalive_s, clean_start=not lasting, properties=properties)
    else:
        client.connect(broker.host, broker.port, broker.keepalive_s)


def trouble(error: OSError, broker: Broker) -> str:
    """What kept us from connecting, and where to look. [one line]"""
    where = f"{broker.host}:{broker.port}"
    match error:
        case ssl.SSLCertVerificationError():
            return f"tls_ca does not vouch for the certificate of the broker at {where} ({error.verify_message})"
        case ssl.SSLError():
            return f"no TLS with the broker at {where} ({error.reason or error}): look at its listener and tls_ca"
        case _:
            return f"no broker answers at {where} ({error})"


def refusal(reason: ReasonCode, broker: Broker) -> str:
    """Why the broker did not take us in, and where to look. [one line]"""
    hint = ": look at username and password ([broker])" if reason.value in _BAD_LOGIN else ""
    return f"the broker at {broker.host}:{broker.port} refused the connection: {reason}{hint}"


def recorded(received_ms: int, *, retained: bool = False) -> Properties:
    """The properties that carry a recorded time of receipt, and that the broker had kept the message from before."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # (paho leaves it untyped)
    properties.UserProperty = (RECORDED.decode(), str(received_ms))
    if retained:
        properties.UserProperty = (RETAINED.decode(), "1")
    return properties


def was_retained(message: mqtt.MQTTMessage) -> bool:
    """Whether the broker had kept the message from before; or had when it was recorded."""
    pairs = getattr(message.properties, "UserProperty", None) or []
    return message.retain or (RETAINED.decode(), "1") in pairs


def recorded_ms(message: mqtt.MQTTMessage) -> int | None:
    """The recorded time of receipt that came with a message; None if none did, or nothing that could be one. [ms]"""
    pairs = getattr(message.properties, "UserProperty", None) or []
    for name, value in pairs:
        if name.encode() == RECORDED and value.isascii() and value.isdigit() and len(value) <= RECORDED_DIGITS:
            return int(value)
    return None


def topic_of(message: mqtt.MQTTMessage) -> str:
    """The topic of a message; bytes that are not UTF-8, which some broker may let through, stand as ``\\xff``."""
    try:
        return message.topic
    except UnicodeDecodeError as error:
        return error.object.decode(errors="backslashreplace")
