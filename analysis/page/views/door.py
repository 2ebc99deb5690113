"""The door: who somebody is, where the page is guarded."""

from __future__ import annotations

import time

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from analysis.page.entrance import COOKIE, STAYS_S, Doorkeeper
from analysis.page.guard import address_of, too_often
from analysis.page.limits import Limiter
from analysis.page.paint import paint
from analysis.page.posting import Form, back_to, posted
from analysis.page.site import site_of
from analysis.page.visit import keep_who, tidy_name, visit_of

_ATTEMPTS = Limiter(burst=5, every_s=20)
"""Of one address: nobody mistypes more often, and guessing one a 20 s leads nowhere."""
_ALL_ATTEMPTS = Limiter(burst=50, every_s=2)
"""Of all addresses together, since each costs the computer something."""


def show(request: Request) -> Response:
    """Ask who somebody is."""
    if not site_of(request).settings.guarded:
        return RedirectResponse("/", status_code=303)
    return _asked(request, request.query_params.get("to", "/"))


def enter(request: Request, form: Form) -> Response:
    """Let somebody in, or ask again."""
    who, now_s = address_of(request), time.monotonic()
    for limiter, key in ((_ATTEMPTS, who), (_ALL_ATTEMPTS, "")):
        if not limiter.allows(key, now_s):
            raise too_often(limiter.wait_s(key, now_s))
    doorkeeper: Doorkeeper = request.app.state.doorkeeper
    name, to = tidy_name(form.get("name", "")), form.get("to", "/")
    user = doorkeeper.lets_in(name, form.get("password", ""))
    if user is None:
        return _asked(request, to, again=True)
    response = back_to(to)
    secure = request.url.scheme == "https"
    response.set_cookie(
        COOKIE, doorkeeper.pass_for(user), max_age=STAYS_S, httponly=True, samesite="strict", secure=secure, path="/"
    )
    if name:
        keep_who(response, name, secure=secure)
    return response


def leave(request: Request, _: Form) -> Response:
    """Forget who somebody is."""
    if not visit_of(request).entered:
        raise HTTPException(404)
    response = back_to("/enter")
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


def _asked(request: Request, to: str, *, again: bool = False) -> Response:
    settings = site_of(request).settings
    return paint(
        request, "door.html", status=403 if again else 200, to=to, again=again, named=settings.users_file is not None
    )


ROUTES = [
    Route("/enter", show, name="door"),
    Route("/enter", posted(enter), methods=["POST"], name="enter"),
    Route("/leave", posted(leave), methods=["POST"], name="leave"),
]
