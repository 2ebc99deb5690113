"""The crew's page as an application: its views behind its guards. ``serve.py`` runs it."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.exceptions import ExceptionMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from analysis.broker import broker_of
from analysis.page.entrance import Doorkeeper, Entrance
from analysis.page.guard import Guard, Sealed
from analysis.page.keys import keys_in
from analysis.page.now.hub import Hub
from analysis.page.reader import Reader
from analysis.page.refusal import HANDLERS, broken
from analysis.page.settings import PageSettings, is_loopback, must_be_safe
from analysis.page.site import Site
from analysis.page.views import ROUTES


def site(mill_toml: Path, settings: PageSettings) -> Starlette:
    """The page of a mill.

    Raises
    ------
    NotSafe
        If it would be open to anybody on the network.
    NoPassword
        If the broker's is not where mill.toml says it is.
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
    app.state.site = Site(mill_toml=mill_toml, settings=settings, reader=Reader(mill_toml), keys=keys)
    app.state.doorkeeper = doorkeeper
    app.state.hub = Hub(app.state.site, broker_of(mill_toml))
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
    try:
        async with app.state.hub.living():
            yield
    finally:
        found.ending.set()
        found.reader.close()
