"""Runs the page until it is told to end; whoever streams is let go first."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from starlette.applications import Starlette

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


class CannotListen(Exception):
    """The address cannot be had; the message says why, and what to do."""


class _Server(uvicorn.Server):
    """Leaves signals to us: uvicorn would wait for streams in vain, and end by the signal itself."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


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


def serve(app: Starlette, settings: PageSettings, listening: socket.socket, ready: Callable[[], None]) -> None:
    """Serve until SIGINT or SIGTERM; a second one does not wait for anybody.

    ready
        Called once the first visitor would be answered.

    Raises
    ------
    CannotListen
        If there is something wrong with the certificate.
    """
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=ENDS_WITHIN_S,
        ssl_certfile=settings.tls_cert,
        ssl_keyfile=settings.tls_key,
    )
    try:
        config.load()
    except OSError as error:
        raise CannotListen(
            f"cannot use {settings.tls_cert} with {settings.tls_key} ({error}); see [page] tls_cert, tls_key"
        ) from error
    os.nice(NICE)
    asyncio.run(_serve(_Server(config), app, listening, ready))


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
