"""Runs the page until it is told to end; whoever streams is let go first."""

from __future__ import annotations

import asyncio
import logging
import os
import resource
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any

import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from analysis.page.settings import PageSettings
from analysis.page.site import Site

log = logging.getLogger("breakhorn.page")

NICE = 5
"""However many look at the page, the collector goes first wherever both want the processor."""
ENDS_WITHIN_S = 5
"""Answers that are still being written get so long. [s]"""

GONE_AFTER_MS = 30_000
"""A connection whose other end takes nothing for so long is over: a tablet that was carried out of reach, or one who
means harm. Closing it is not enough, since that waits for what is still to be sent. [ms]"""


ASKS_WITHIN_S = 20.0
"""Whoever has connected and not asked for anything whole within this is let go, so that connections cannot be hoarded.
[s]"""
MOST_OF_ONE = 250
"""Connections from one address; a trusted proxy may have more."""
FILES = 4096
"""Open files of the process, as far as the system allows it: more than the usual 1024."""


class ImpatientLoop(asyncio.SelectorEventLoop):
    """Has as little patience with a handshake as with a request: until it is done, no connection of ours counts it."""

    async def create_server(self, *arguments: Any, **named: Any) -> asyncio.Server:
        """As asyncio's own, which waits for a handshake for a minute."""
        if named.get("ssl") is not None:
            named.setdefault("ssl_handshake_timeout", ASKS_WITHIN_S)
        return await super().create_server(*arguments, **named)


class CannotListen(Exception):
    """The address cannot be had; the message says why, and what to do."""


class _Server(uvicorn.Server):
    """Leaves signals to us: uvicorn would wait for streams in vain, and end by the signal itself."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


class _Connection(H11Protocol):
    """A connection of somebody who must say what they want, and of whom there are not too many."""

    def __init__(self, trusted: Sequence[IPv4Network | IPv6Network], /, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._trusted = trusted
        self._patience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # (as uvicorn has it)
        super().connection_made(transport)
        self._wait_for_a_request()
        others = [one for one in self.connections if isinstance(one, _Connection) and one.host == self.host]
        if len(others) > MOST_OF_ONE and not any(ip_address(self.host) in network for network in self._trusted):
            transport.abort()

    @property
    def host(self) -> str:
        """The address at the other end, be it a proxy's."""
        return self.client[0].partition("%")[0] if self.client else "0.0.0.0"

    def connection_lost(self, exc: Exception | None) -> None:
        if self._patience is not None:
            self._patience.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._wait_for_a_request()

    def _wait_for_a_request(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
        self._patience = self.loop.call_later(ASKS_WITHIN_S, self._end_unless_asked)

    def _end_unless_asked(self) -> None:
        # uvicorn itself waits for ever for the end of a request; one that is being answered may take its time.
        if self.cycle is None or self.cycle.response_complete or self.cycle.more_body:
            self.transport.abort()


def listen(settings: PageSettings) -> socket.socket:
    """The socket that the page is to be served at.

    Raises
    ------
    CannotListen
        If another program has it, or the address is none of this computer.
    """
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        listening = socket.create_server((settings.host.strip("[]"), settings.port), family=family, backlog=256)
    except OSError as error:
        raise CannotListen(
            f"cannot listen at {settings.host} port {settings.port}: {error.strerror}; choose another with --port"
        ) from error
    # Accepted connections have it from the socket that listens (Linux, tcp(7)).
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, GONE_AFTER_MS)
    return listening


def address(settings: PageSettings, listening: socket.socket) -> str:
    """Where to look for the page."""
    host = socket.gethostname() if settings.host in ("0.0.0.0", "::") else settings.host
    host = f"[{host}]" if ":" in host and "[" not in host else host
    return f"{'http' if settings.tls_cert is None else 'https'}://{host}:{listening.getsockname()[1]}/"


def configured(app: Starlette, settings: PageSettings) -> uvicorn.Config:
    """How the page is served: nothing said of the server, no patience without end, no WebSocket."""
    return uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,  # said by ``[page] trusted_proxies``, see app.py
        http=partial(_Connection, [ip_network(one) for one in settings.trusted_proxies]),  # type: ignore[arg-type]  # (called like a class)
        ws="none",
        timeout_graceful_shutdown=ENDS_WITHIN_S,
        ssl_certfile=settings.tls_cert,
        ssl_keyfile=settings.tls_key,
    )


def serve(app: Starlette, settings: PageSettings, listening: socket.socket, ready: Callable[[], None]) -> None:
    """Serve until SIGINT or SIGTERM; a second one does not wait for anybody.

    ready
        Called once the first visitor would be answered.

    Raises
    ------
    CannotListen
        If there is something wrong with the certificate.
    """
    config = configured(app, settings)
    try:
        config.load()
    except OSError as error:
        raise CannotListen(
            f"cannot use {settings.tls_cert} with {settings.tls_key} ({error}); see [page] tls_cert, tls_key"
        ) from error
    os.nice(NICE)
    _allow_files()
    with asyncio.Runner(loop_factory=ImpatientLoop) as runner:
        runner.run(_serve(_Server(config), app, listening, ready))


async def _serve(server: _Server, app: Starlette, listening: socket.socket, ready: Callable[[], None]) -> None:
    found: Site = app.state.site
    loop = asyncio.get_running_loop()

    def end() -> None:
        server.force_exit = server.should_exit
        server.should_exit = True
        found.ending.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, end)
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.01)
    if server.started:
        ready()
    await serving


def _allow_files() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < FILES:
        resource.setrlimit(
            resource.RLIMIT_NOFILE, (min(FILES, hard) if hard != resource.RLIM_INFINITY else FILES, hard)
        )
