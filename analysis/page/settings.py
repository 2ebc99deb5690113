"""What ``[page]`` in mill.toml says: where the page listens, who may look, and where it keeps what is its own."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.read import NoMill, mill_table

DEFAULT_HOST, DEFAULT_PORT = "127.0.0.1", 8620
SHORTEST_TOKEN = 16
"""A token is typed once a device; shorter ones can be guessed. [characters]"""


class NotSafe(Exception):
    """The page would be open to anybody on the network: give [page] users_file or token_file in mill.toml."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """``[page]`` of mill.toml, with absolute paths; what each key means is said by ``breakhorn check --schema``.

    folder
        What the page keeps: notes on their way, and the key that signs its cookies.
    token
        From the environment or from its file; None where neither is named.
    """

    folder: Path
    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    language: str = "en"
    allowed_hosts: tuple[str, ...] = ()
    trusted_proxies: tuple[str, ...] = ()
    users_file: Path | None = None
    token: str | None = field(default=None, repr=False)
    tls_cert: Path | None = None
    tls_key: Path | None = None

    @property
    def guarded(self) -> bool:
        """Whether people must say who they are."""
        return self.token is not None or self.users_file is not None


def is_loopback(host: str) -> bool:
    """Whether an address or name is reached from this computer only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def must_be_safe(settings: PageSettings) -> None:
    """Refuse to be seen from elsewhere without anybody being asked who they are.

    Raises
    ------
    NotSafe
        With the way out.
    """
    if settings.trusted_proxies and not settings.guarded:
        raise NotSafe(
            "through a proxy ([page] trusted_proxies) anybody could code breaks; name users_file or token_file there"
        )
    if not is_loopback(settings.host) and not settings.guarded:
        raise NotSafe(
            f"at {settings.host} anybody on the network could code breaks; name [page] users_file or token_file in "
            "mill.toml, or leave out --host"
        )


def settings_of(mill_toml: Path) -> PageSettings:
    """The page's settings of a mill.

    Raises
    ------
    NoMill
        For a mill.toml that cannot be read, or whose ``[page]`` is not as it should be.
    NotSafe
        If a token is named that is not there, or that can be guessed.
    """
    table = mill_table(mill_toml, "page")

    def text(key: str) -> str | None:
        value = table.get(key)
        if value is not None and not isinstance(value, str):
            raise NoMill(f"{mill_toml}: [page] {key} must be text; 'breakhorn check' shows every fault")
        return value

    def file(key: str) -> Path | None:
        value = text(key)
        return None if value is None else mill_toml.parent.absolute() / value

    return PageSettings(
        folder=file("folder") or mill_toml.parent.absolute() / "page",
        host=text("host") or DEFAULT_HOST,
        port=_port(mill_toml, table),
        language=text("language") or "en",
        allowed_hosts=_names(mill_toml, table, "allowed_hosts"),
        trusted_proxies=_proxies(mill_toml, table),
        users_file=file("users_file"),
        token=_token(text("token_env"), file("token_file")),
        tls_cert=file("tls_cert"),
        tls_key=file("tls_key"),
    )


def _port(mill_toml: Path, table: dict[str, Any]) -> int:
    port = table.get("port", DEFAULT_PORT)
    if not isinstance(port, int) or isinstance(port, bool) or not 1 <= port <= 65_535:
        raise NoMill(f"{mill_toml}: [page] port must be a whole number from 1 to 65535; 'breakhorn check' shows it")
    return port


def _names(mill_toml: Path, table: dict[str, Any], key: str) -> tuple[str, ...]:
    names = table.get(key, [])
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise NoMill(f"{mill_toml}: [page] {key} must be a list of names; 'breakhorn check' shows every fault")
    return tuple(names)


def _proxies(mill_toml: Path, table: dict[str, Any]) -> tuple[str, ...]:
    said = _names(mill_toml, table, "trusted_proxies")
    for one in said:
        try:
            ipaddress.ip_network(one)
        except ValueError:
            raise NoMill(f"{mill_toml}: [page] trusted_proxies: {one!r} is no address and no network") from None
    return said


def _token(variable: str | None, file: Path | None) -> str | None:
    if variable is not None:
        if variable not in os.environ:
            raise NotSafe(f"the environment variable {variable} is not set ([page] token_env)")
        token, where = os.environ[variable], f"{variable} ([page] token_env)"
    elif file is not None:
        try:
            token, where = file.read_text(encoding="utf-8").split("\n", 1)[0].strip(), f"{file} ([page] token_file)"
        except OSError as error:
            raise NotSafe(f"{file}: {error.strerror} ([page] token_file)") from error
    else:
        return None
    if len(token) < SHORTEST_TOKEN:
        raise NotSafe(f"the token in {where} is shorter than {SHORTEST_TOKEN} characters; make a longer one")
    return token
