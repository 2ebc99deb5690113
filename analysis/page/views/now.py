"""Now: what each machine does at this moment, for a screen on the wall."""

from __future__ import annotations

import time

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.page.guard import address_of, too_often
from analysis.page.now.hub import Hub
from analysis.page.now.stream import EventStream
from analysis.page.paint import paint
from analysis.page.site import site_of
from analysis.page.visit import visit_of
from analysis.read import NoStore

FIRST_WITHIN_S = 5.0
"""So long somebody waits who comes in the first moment of the page. [s]"""


def every(request: Request) -> Response:
    """All machines side by side."""
    return _shown(request, None)


def one(request: Request) -> Response:
    """One machine, as large as it will go."""
    return _shown(request, request.path_params["machine"])


async def stream(request: Request) -> Response:
    """The same as events, for as long as somebody looks."""
    who = address_of(request)
    if not _hub(request).takes_one_more(who):
        raise too_often(60)
    return EventStream(_hub(request), visit_of(request).words, site_of(request).ending, who=who)


def _shown(request: Request, machine: str | None) -> Response:
    # Refuses a machine that is not there, and says so while nothing is published.
    of = site_of(request).machines() if machine is None else (site_of(request).machine(machine),)
    hub = _hub(request)
    if not hub.begun.wait(FIRST_WITHIN_S):
        raise NoStore("the first picture of the present is not there yet")
    fragments = hub.fragments(visit_of(request).words)
    shown = [(m.machine, Markup(fragments[m.machine][0])) for m in of if m.machine in fragments]  # drawn by us
    return paint(
        request,
        "now.html",
        machine=machine,
        place="now",
        shown=shown,
        alone=machine is not None,
        at_ms=time.time_ns() // 1_000_000,
    )


def _hub(request: Request) -> Hub:
    hub: Hub = request.app.state.hub
    return hub


ROUTES = [
    Route("/now", every, name="now_every"),
    Route("/now/stream", stream, name="now_stream"),
    Route("/machine/{machine}/now", one, name="now"),
]
