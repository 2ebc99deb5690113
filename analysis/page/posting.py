"""Forms: read within limits, only from our own pages, and worked on where a slow answer keeps nobody waiting."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response

from analysis.page.visit import form_is_ours

MOST_FIELDS = 20
Form = Mapping[str, str]


def posted(work: Callable[[Request, Form], Response]) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint that gives a plain function the fields of a form, each its last value, none of them a file.

    A form that was not made by us for this browser is refused.
    """

    async def endpoint(request: Request) -> Response:
        try:
            async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
                fields = {name: value for name, value in form.multi_items() if isinstance(value, str)}
        except ClientDisconnect:
            raise HTTPException(400) from None
        if not all(map(_can_be_kept, fields.values())):
            raise HTTPException(400)
        if not form_is_ours(request, fields.get("form", "")):
            raise HTTPException(403, detail="stale_form")
        return await run_in_threadpool(work, request, fields)

    return endpoint


def _can_be_kept(value: str) -> bool:
    """Whether a text can be written down: a form may name a charset that has halves of letters."""
    return not any("\ud800" <= character <= "\udfff" for character in value)


def back_to(path: str) -> Response:
    """After a form: look at a page of ours again. Anything but a path of ours leads to the first page."""
    ours = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return RedirectResponse(path if ours else "/", status_code=303)
