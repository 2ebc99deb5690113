"""The crew's page over a store written by hand, asked without a browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from anyio.from_thread import BlockingPortal, start_blocking_portal
from httpx import ASGITransport, AsyncClient, Response
from starlette.applications import Starlette
from starlette.routing import Route

from analysis.page.app import site
from analysis.page.settings import settings_of
from analysis.page.site import Site
from collector.mqtt.broker import free_port
from tests.analysis_store import Break, HandMadeStore

CAUSES = (
    ("PR-DRW", "press", "Draw too high or too low"),
    ("PR-FLT", "press", "Felt plugged, worn or streaked"),
    ("DR-TEN", "pre-dryer", "Tension lost between groups"),
    ("XX-UNK", "other", "Unknown"),
)
NIGHT = "/machine/pm2/shift/2026-03-03/night"
UNCODED = Break("2026-03-03 23:10", "2026-03-03 23:36")
CODED = Break("2026-03-04 02:00", "2026-03-04 02:15", cause="PR-FLT")
STOPPED = Break("2026-03-04 04:00", "2026-03-04 04:30", kind="stop", section=None)


def night_store(folder: Path) -> Path:
    """Three days; in the last night a break to be coded, one that is coded, and a stop. The night has just ended."""
    made = HandMadeStore(folder)
    made.machine("2026-03-01 00:00", "2026-03-04 06:05")
    made.machine("2026-03-01 00:00", "2026-03-04 06:05", machine="pm3", name="PM 3")
    made.shifts("2026-03-01 06:00", 8)
    made.states(("2026-03-01 00:00", "on_reel"))
    made.states(("2026-03-01 00:00", "on_reel"), machine="pm3")
    for code, section, name in CAUSES:
        made.insert("cause", code=code, section=section, name=name)
    for number, section in enumerate(("couch", "press", "pre-dryer", "reel"), start=1):
        made.insert("sheet_detector", machine="pm2", number=number, tag=f"sheet.{section}", section=section)
    earlier = (Break(f"2026-03-0{day} 12:00", f"2026-03-0{day} 12:20", cause="PR-DRW") for day in (1, 2, 3))
    made.breaks(*earlier, UNCODED, CODED, STOPPED)
    path = made.close(published="2026-03-04 06:05", data_to="2026-03-04 06:05")
    path.write_text(f"{path.read_text()}\n[broker]\nport = {free_port()}\n")
    return path


class Visitor:
    """A browser without a screen: keeps cookies, follows links, and says where its forms were made."""

    def __init__(self, app: Starlette, address: str = "127.0.0.1") -> None:
        """``address``: where its requests come from."""
        transport = ASGITransport(app, raise_app_exceptions=False, client=(address, 50_000))
        self._client = AsyncClient(
            transport=transport,
            base_url="http://127.0.0.1:8620",
            headers={"accept": "text/html", "sec-fetch-site": "same-origin"},
        )
        self._app = app

    def __enter__(self) -> Self:
        self._portal_block = start_blocking_portal()
        self._portal: BlockingPortal = self._portal_block.__enter__()
        self._life = self._portal.wrap_async_context_manager(self._app.router.lifespan_context(self._app))
        self._life.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._portal.call(self._client.aclose)
        self._life.__exit__(None, None, None)
        self._portal_block.__exit__(None, None, None)

    @property
    def cookies(self) -> Any:
        return self._client.cookies

    def get(self, path: str, **more: Any) -> Response:
        return self._portal.call(partial(self._client.get, path, **({"follow_redirects": True} | more)))

    def post(self, path: str, **more: Any) -> Response:
        return self._portal.call(partial(self._client.post, path, **more))

    def add(self, route: Route) -> None:
        """A view that only a test has."""
        self._app.routes.append(route)

    @property
    def site(self) -> Site:
        """What all views share."""
        found: Site = self._app.state.site
        return found

    def form_key(self, path: str = NIGHT) -> str:
        """The key that a form of a page carries."""
        found = re.search(r'name="form" value="([0-9a-f]+)"', self.get(path).text)
        assert found is not None
        return found[1]

    def send(self, path: str, *, seen: str = NIGHT, **fields: str) -> Response:
        """Send a form after looking at a page."""
        return self.post(path, data=fields | {"form": self.form_key(seen)})


@contextmanager
def visited(mill_toml: Path, address: str = "127.0.0.1", **settings: Any) -> Iterator[Visitor]:
    """Somebody at the page; settings in place of those of mill.toml."""
    with Visitor(site(mill_toml, replace(settings_of(mill_toml), **settings)), address) as visitor:
        yield visitor


def said(response: Response) -> str:
    """What a page says, without its marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", response.text).split())
