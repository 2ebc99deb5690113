"""Who looks at the page, and how they want to see it: what one request says by its cookies."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from urllib.parse import quote, unquote

from starlette.requests import HTTPConnection
from starlette.responses import Response

from analysis.page.catalogue import Words, languages, words_of
from analysis.page.site import site_of

THEMES = ("auto", "day", "night")
SIZES = ("normal", "wall")
"""On a wall, what stands there is read from three metres."""
A_YEAR_S = 365 * 86_400
LONGEST_NAME = 60
_VISITOR, _THEME, _SIZE = "breakhorn_visitor", "breakhorn_theme", "breakhorn_size"
_LANGUAGE, _WHO = "breakhorn_language", "breakhorn_who"
_FORM = "form"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One request's side of the page.

    visitor
        A random name of the browser, which its forms are bound to.
    new
        Whether the browser must be told its name yet.
    entered
        Whether it was let in at the door.
    user
        Who has proved who they are; None for everybody else.
    who
        Name that notes carry; empty until somebody gives it.
    """

    visitor: str
    new: bool
    theme: str
    size: str
    words: Words
    entered: bool
    user: str | None
    who: str
    form_key: str

    def greet(self, response: Response, *, secure: bool) -> None:
        """Tell a new browser its name."""
        if self.new:
            keep(response, _VISITOR, self.visitor, secure=secure)


def visit_of(request: HTTPConnection) -> Visit:
    """The visit that a request belongs to; made once a request."""
    found: Visit | None = getattr(request.state, "visit", None)
    if found is None:
        found = request.state.visit = _visit(request)
    return found


def form_is_ours(request: HTTPConnection, given: str) -> bool:
    """Whether a form was made for the browser that sent it."""
    name = request.cookies.get(_VISITOR, "")
    return bool(name) and site_of(request).keys.holds(_FORM, name, given)


def keep(response: Response, name: str, value: str, *, secure: bool) -> None:
    """Set a cookie that no script and no other site gets to see."""
    response.set_cookie(name, value, max_age=A_YEAR_S, httponly=True, samesite="strict", secure=secure, path="/")


def keep_theme(response: Response, theme: str, *, secure: bool) -> None:
    """Remember day or night."""
    keep(response, _THEME, theme if theme in THEMES else "auto", secure=secure)


def keep_size(response: Response, size: str, *, secure: bool) -> None:
    """Remember how large."""
    keep(response, _SIZE, size if size in SIZES else SIZES[0], secure=secure)


def keep_language(response: Response, code: str, *, secure: bool) -> None:
    """Remember a language."""
    if code in languages():
        keep(response, _LANGUAGE, code, secure=secure)


def keep_who(response: Response, who: str, *, secure: bool) -> None:
    """Remember who codes at this browser."""
    keep(response, _WHO, quote(tidy_name(who)), secure=secure)


def tidy_name(who: str) -> str:
    """A name as a note may carry it."""
    return " ".join("".join(c for c in who if c.isprintable()).split())[:LONGEST_NAME]


def _visit(request: HTTPConnection) -> Visit:
    site = site_of(request)
    visitor = request.cookies.get(_VISITOR, "")
    new = not visitor
    if new:
        visitor = secrets.token_urlsafe(16)
    language = request.cookies.get(_LANGUAGE, "")
    theme, size = request.cookies.get(_THEME, ""), request.cookies.get(_SIZE, "")
    let_in: str | None = getattr(request.state, "user", None)
    return Visit(
        visitor=visitor,
        new=new,
        theme=theme if theme in THEMES else "auto",
        size=size if size in SIZES else SIZES[0],
        words=words_of(language if language in languages() else site.settings.language),
        entered=let_in is not None,
        user=let_in or None,
        who=let_in or tidy_name(unquote(request.cookies.get(_WHO, ""))),
        form_key=site.keys.sign(_FORM, visitor),
    )
