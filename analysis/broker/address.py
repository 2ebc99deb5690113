"""Where the broker is and how to be let in: the little of ``[broker]`` in mill.toml that a publisher needs."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.read import NoMill, mill_table

DEFAULT_HOST, DEFAULT_PORT = "127.0.0.1", 1883


class NoPassword(Exception):
    """The password for the broker is not where mill.toml says it is: set the environment variable or write the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """The broker of mill.toml, with absolute paths; what each key means is said by ``breakhorn check --schema``.

    client_id
        As mill.toml gives it, empty for none: the collector's own, which nobody else may use.
    password
        From the environment or from its file; None where neither is named.
    """

    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    client_id: str = ""
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)


def broker_of(mill_toml: Path, *, user_of: str = "") -> Broker:
    """The broker of a mill.

    user_of
        A table of mill.toml that may name a user of its own, as ``broker_username`` with its password: whoever only
        says notes needs fewer rights than the collector.

    Raises
    ------
    NoMill
        For a mill.toml that cannot be read, or whose ``[broker]`` is not as it should be.
    NoPassword
        If the password is not where mill.toml says it is.
    """
    table = mill_table(mill_toml, "broker")

    def text(key: str) -> str | None:
        return _text(mill_toml, "broker", table, key)

    def file(key: str) -> Path | None:
        return _file(mill_toml, text(key))

    username, password = _user(mill_toml, user_of) if user_of else (None, None)
    if username is None:
        username, password = text("username"), _password(text("password_env"), file("password_file"), "[broker] ")
    return Broker(
        host=text("host") or DEFAULT_HOST,
        port=_port(mill_toml, table),
        client_id=text("client_id") or "",
        tls_ca=file("tls_ca"),
        tls_cert=file("tls_cert"),
        tls_key=file("tls_key"),
        username=username,
        password=password,
    )


def _user(mill_toml: Path, name: str) -> tuple[str | None, str | None]:
    """The user that another table names, and its password; None for none."""
    table = mill_table(mill_toml, name)

    def text(key: str) -> str | None:
        return _text(mill_toml, name, table, key)

    username = text("broker_username")
    if username is None:
        return None, None
    file = _file(mill_toml, text("broker_password_file"))
    return username, _password(text("broker_password_env"), file, f"[{name}] broker_")


def _text(mill_toml: Path, name: str, table: dict[str, Any], key: str) -> str | None:
    value = table.get(key)
    if value is not None and not isinstance(value, str):
        raise NoMill(f"{mill_toml}: [{name}] {key} must be text; 'breakhorn check' shows every fault")
    return value


def _file(mill_toml: Path, written: str | None) -> Path | None:
    return None if written is None else mill_toml.parent.absolute() / written


def topic_root(mill_toml: Path) -> str:
    """First levels of the topics that the collector itself uses: ``[mill] topic_root``, else the name in lower case.

    Raises
    ------
    NoMill
        If the file does not even name the mill.
    """
    mill = mill_table(mill_toml, "mill")
    name = _text(mill_toml, "mill", mill, "name")
    root = _text(mill_toml, "mill", mill, "topic_root") or (name or "").lower()
    if not root:
        raise NoMill(f"{mill_toml}: [mill] name is missing; 'breakhorn check' shows every fault")
    return root


def _port(mill_toml: Path, table: dict[str, Any]) -> int:
    port = table.get("port", DEFAULT_PORT)
    if not isinstance(port, int) or isinstance(port, bool) or not 1 <= port <= 65_535:
        raise NoMill(f"{mill_toml}: [broker] port must be a whole number from 1 to 65535; 'breakhorn check' shows it")
    return port


def _password(variable: str | None, file: Path | None, where: str) -> str | None:
    if variable is not None:
        if variable not in os.environ:
            raise NoPassword(f"the environment variable {variable} is not set ({where}password_env)")
        return os.environ[variable]
    if file is None:
        return None
    try:
        return file.read_text(encoding="utf-8").split("\n", 1)[0].rstrip("\r")
    except OSError as error:
        raise NoPassword(f"{file}: {error.strerror} ({where}password_file)") from error
