"""What a person sees when something cannot be: in words, with the way out, and never with the inside of the program."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from analysis.page.guard import HEADERS
from analysis.page.paint import paint
from analysis.page.reader import TooMuch
from analysis.period import NoSuchTime, NothingThen
from analysis.read import CannotRead, NoSuchMachine

log = logging.getLogger("breakhorn.page")

_BY_STATUS = {404: "not_found", 405: "not_found", 403: "elsewhere", 400: "not_understood", 429: "too_often"}
KNOWN = (
    "not_found", "elsewhere", "stale_form", "not_understood", "no_cause", "taken_back", "too_large", "too_often",
    "no_such_times", "not_kept", "no_store", "busy", "broken",
)  # fmt: skip
"""Keys of the catalogue below ``error``; a detail that is none of them is shown as it is, after that of its status."""


def refused(request: Request, error: Exception) -> Response:
    """An ``HTTPException`` as a page; its detail is a key below ``error``."""
    assert isinstance(error, HTTPException)
    key = error.detail if error.detail in KNOWN else _BY_STATUS.get(error.status_code, "broken")
    return _page(request, key, error.status_code, headers=error.headers)


def not_there(request: Request, error: Exception) -> Response:
    """A machine or a time that is not there."""
    return _page(request, "not_found", 404, said=str(error))


def no_store(request: Request, error: Exception) -> Response:
    """The store cannot be read; that is for the engineer, and the crew learns whom to call."""
    log.warning("%s: %s", request.url.path, error)
    return _page(request, "no_store", 503, said=str(error), headers={"Retry-After": "10"})


def busy(request: Request, error: Exception) -> Response:
    """Too many ask for what takes long: whoever asks for what is known already is answered all the same."""
    return _page(request, "busy", 503, headers={"Retry-After": "5"})


def broken(request: Request, error: Exception) -> Response:
    """A fault of ours: the log has it, the page says so. It stands outside the guards, so it carries their headers."""
    return _page(request, "broken", 500, headers=HEADERS)


def _page(
    request: Request, key: str, status: int, *, said: str = "", headers: Mapping[str, str] | None = None
) -> Response:
    response = paint(request, "refusal.html", status=status, key=key, said=said, before=_before(request))
    response.headers.update(headers or {})
    return response


def _before(request: Request) -> str:
    """The view of ours on which a form was filled in; empty for none."""
    path = urlsplit(request.headers.get("referer", "")).path if request.method == "POST" else ""
    return "" if path.startswith("//") else path


HANDLERS: Mapping[Any, Any] = {
    HTTPException: refused,
    NoSuchMachine: not_there,
    NoSuchTime: not_there,
    NothingThen: not_there,
    CannotRead: no_store,
    TooMuch: busy,
}
