"""From a template to a response: the frame that every view shares, in the language and theme of its visitor."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from analysis.page.catalogue import languages, words_of
from analysis.page.moments import Moments
from analysis.page.outbox import Way
from analysis.page.places import PLACES, way_to
from analysis.page.site import Site, site_of
from analysis.page.tongue import tongue_of
from analysis.page.visit import SIZES, THEMES, visit_of
from analysis.read import CannotRead, Store
from analysis.result import sentence_case
from analysis.templating import templates_in

SILENT_AFTER_S = 300
"""A collector at work publishes each few seconds; people must see when it does not. [s]"""
_TEMPLATES = Path(__file__).parent / "templates"


def paint(
    request: Request, template: str, *, machine: str | None = None, place: str = "", status: int = 200, **shown: Any
) -> Response:
    """A template as a response.

    machine
        Id of the machine that the view is about: its links go to other views of the same one.
    place
        Key of the view in the navigation (see ``places.py``).
    shown
        What else the template shows. Names of the frame (``_frame``) are taken.
    """
    visit = visit_of(request)
    frame = _frame(request, machine, place)
    if taken := sorted(frame.keys() & shown.keys()):
        raise ValueError(f"the frame has a {taken[0]} of its own; give the template another name")
    html = templates_in(_TEMPLATES, ("capitalize_first", sentence_case)).get_template(template).render(frame | shown)
    response = HTMLResponse(html, status_code=status, headers={"Cache-Control": "no-store"})
    visit.greet(response, secure=request.url.scheme == "https")
    return response


def fragment(template: str, **shown: Any) -> str:
    """A template without the frame: a piece of a page that is sent by itself."""
    return templates_in(_TEMPLATES, ("capitalize_first", sentence_case)).get_template(template).render(shown)


def _frame(request: Request, machine: str | None, place: str) -> dict[str, Any]:
    """What base.html needs, whatever the view; without a store there are no machines and no times."""
    site, visit = site_of(request), visit_of(request)
    outside = site.settings.guarded and not visit.entered
    try:
        mill, machines = site.mill(), () if outside else site.machines()
    except CannotRead:
        mill, machines = None, ()
    chosen = next((m for m in machines if m.machine == machine), machines[0] if machines else None)
    tongue = tongue_of(visit.words.code)
    moments = Moments(words=visit.words, zone=None if mill is None else mill.zone)
    return {
        "t": visit.words,
        "tongue": tongue,
        "say": tongue.pieces,
        "clock": moments.clock,
        "moment": moments.moment,
        "fresh": moments.fresh,
        "url": partial(way_to, request),
        "here": request.url.path + (f"?{request.url.query}" if request.url.query else ""),
        "here_route": next((one.route for one in PLACES if one.key == place), PLACES[0].route),
        "tongues": [(code, words_of(code).name) for code in languages()],
        "visit": visit,
        "themes": THEMES,
        "sizes": SIZES,
        "mill": mill,
        "machines": machines,
        "machine": chosen,
        "of_one": machine is not None,
        "places": PLACES,
        "place": place,
        "silent_since": None if outside else _silent_since(site),
        "connected": outside or site.desk.connected,
        "waiting": sum(kept.way is Way.WAITING for kept in site.desk.all()),
    }


def _silent_since(site: Site) -> int | None:
    """When something new was published last, if that is too long ago; None if all is well, or nothing ever was. [ms]"""
    try:
        published_ms = site.reader.answer("freshness", Store.freshness).published_ms
    except CannotRead:
        return None
    return published_ms if time.time() * 1000 - published_ms > SILENT_AFTER_S * 1000 else None
