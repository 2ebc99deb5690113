"""What a visitor chooses: day or night, how large, a language, and the name that notes carry."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.page.posting import Form, back_to, posted
from analysis.page.visit import keep_language, keep_size, keep_theme, keep_who


def choose(request: Request, form: Form) -> Response:
    """Remember what was chosen, and go on where it was."""
    response, secure = back_to(form.get("here", "/")), request.url.scheme == "https"
    if "theme" in form:
        keep_theme(response, form["theme"], secure=secure)
    if "size" in form:
        keep_size(response, form["size"], secure=secure)
    if "language" in form:
        keep_language(response, form["language"], secure=secure)
    if "who" in form:
        keep_who(response, form["who"], secure=secure)
    return response


ROUTES = [Route("/choose", posted(choose), methods=["POST"], name="choose")]
