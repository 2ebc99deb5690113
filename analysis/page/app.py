"""The crew's page as an application: its views behind its guards. ``serve.py`` runs it."""

from __future__ import annotations

import asyncio
import logging
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.exceptions import ExceptionMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from analysis.broker.address import broker_of, topic_root
from analysis.page.desk import Desk
from analysis.page.entrance import Doorkeeper, Entrance
from analysis.page.guard import Guard, Sealed
from analysis.page.keys import keys_in
from analysis.page.now.hub import Hub
from analysis.page.outbox import Outbox
from analysis.page.reader import Reader, Version
from analysis.page.refusal import HANDLERS, broken
from analysis.page.settings import PageSettings, is_loopback, must_be_safe
from analysis.page.shift_facts import newest_ended, shift_facts, spans
from analysis.page.site import Site
from analysis.page.views import ROUTES
from analysis.period import NothingThen
from analysis.read import CannotRead

log = logging.getLogger("breakhorn.page")

LOOKS_EVERY_S = 1.0
"""How often the page looks whether something new was published; that costs one look at a file's date. [s]"""


def site(mill_toml: Path, settings: PageSettings) -> Starlette:
    """The page of a mill.

    Raises
    ------
    NotSafe
        If it would be open to anybody on the network.
    NoPassword
        If the broker's password is not where mill.toml says it is.
    OutboxTaken
        If another page of the same folder is at work.
    """
    must_be_safe(settings)
    settings.folder.mkdir(parents=True, exist_ok=True)
    keys = keys_in(settings.folder)
    doorkeeper = Doorkeeper(settings, keys)
    app = Starlette(
        routes=[
            *ROUTES,
            Mount("/static", StaticFiles(directory=str(files("analysis.page") / "static")), name="static"),
        ],
        middleware=[
            # Outermost: whoever limits or logs an address means the visitor's.
            Middleware(ProxyHeadersMiddleware, trusted_hosts=list(settings.trusted_proxies)),
            Middleware(Sealed),
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts(settings), www_redirect=False),
            # Guards refuse by exception, which are pages as well.
            Middleware(ExceptionMiddleware, handlers=HANDLERS),
            Middleware(Guard),
            Middleware(Entrance, doorkeeper=doorkeeper),
        ],
        exception_handlers={**HANDLERS, Exception: broken},
        lifespan=_life,
    )
    desk = Desk(
        Outbox(settings.folder / "outbox"),
        broker_of(mill_toml, user_of="page"),
        topic_root(mill_toml),
        now_ms=lambda: time.time_ns() // 1_000_000,
    )
    app.state.site = Site(mill_toml=mill_toml, settings=settings, reader=Reader(mill_toml), keys=keys, desk=desk)
    app.state.doorkeeper = doorkeeper
    app.state.hub = Hub(app.state.site, broker_of(mill_toml, user_of="page"), topic_root(mill_toml))
    return app


def hosts(settings: PageSettings) -> list[str]:
    """Names under which the page may be asked for: another site's name that leads here is refused."""
    names = {"localhost", "127.0.0.1", "::1", "[::1]", *settings.allowed_hosts}
    if not is_loopback(settings.host):
        names |= {settings.host, socket.gethostname(), socket.getfqdn(), *_own_addresses()}
    return sorted(name for name in names if name not in ("", "0.0.0.0", "::"))


def _own_addresses() -> set[str]:
    try:
        return {str(found[4][0]) for found in socket.getaddrinfo(socket.gethostname(), None)}
    except OSError:
        return set()


@asynccontextmanager
async def _life(app: Starlette) -> AsyncIterator[None]:
    found: Site = app.state.site
    await run_in_threadpool(_warm, found)
    with found.desk:
        settling = asyncio.create_task(_settle(found))
        try:
            async with app.state.hub.living():
                yield
        finally:
            found.ending.set()
            await settling
            found.reader.close()


async def _settle(found: Site) -> None:
    """Whenever something new is published, let go of the notes that are in it."""
    seen: Version | None = None
    while not found.ending.is_set():
        seen = await run_in_threadpool(_settle_once, found, seen)
        with suppress(TimeoutError):
            await asyncio.wait_for(found.ending.wait(), LOOKS_EVERY_S)


def _warm(found: Site) -> None:
    """Work out what the first visitor will see: the first query of a process takes twice as long as those after it."""
    try:
        for machine in found.machines()[:1]:
            shift_facts(found, machine, newest_ended(spans(found, machine), machine))
    except (CannotRead, NothingThen) as error:
        log.info("nothing to show yet: %s", error)


def _settle_once(found: Site, seen: Version | None) -> Version | None:
    """Settle what a published file says that was not seen yet; gives the file that is seen now."""
    try:
        version = found.reader.version()
        if version != seen and found.desk.all():
            with found.reader.store() as store:
                found.desk.settle(store)
    except (CannotRead, OSError) as error:
        log.warning("notes are not settled: %s", error)
        return seen
    return version if found.desk.all() else None
