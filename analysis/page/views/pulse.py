"""The pulse: whether anything has changed since a page was painted. Open pages ask for it every few seconds."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from analysis.page.site import site_of
from analysis.read import NoStore


def show(request: Request) -> Response:
    """A word that is another one after each change; it costs one look at a file's date."""
    site = site_of(request)
    try:
        published = "-".join(str(part) for part in site.reader.version())
    except NoStore:
        published = ""
    word = f"{published}.{site.desk.revision}.{int(site.desk.connected)}"
    return JSONResponse({"pulse": word}, headers={"Cache-Control": "no-store"})


ROUTES = [Route("/pulse", show, name="pulse")]
