"""The loss sheet of a shift, to be printed and signed: the same as ``breakhorn loss-sheet`` writes."""

from __future__ import annotations

from functools import partial

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.history import Machine, ShiftSpan
from analysis.page.shift_facts import spans
from analysis.page.site import site_of
from analysis.period import NothingThen
from analysis.read import Store


def pdf(request: Request) -> Response:
    """One A4 page; made once a published file."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    day, name = request.path_params["day"], request.path_params["name"]
    found = (s for s in spans(site, machine) if (s.shift_date.isoformat(), s.shift) == (day, name))
    if (shift := next(found, None)) is None:
        raise NothingThen(f"{machine.name}: there is no shift {day} {name}")
    content = site.reader.answer(
        ("loss sheet", machine.machine, shift), partial(_made, machine=machine, shift=shift), costly=True
    )
    return Response(content, media_type="application/pdf", headers={"Cache-Control": "no-store"})


def _made(store: Store, *, machine: Machine, shift: ShiftSpan) -> bytes:
    # Drawing takes half a second to load, and most who look at a page print nothing.
    from analysis.loss_sheet.make import sheet_of  # noqa: PLC0415
    from analysis.loss_sheet.write import as_pdf  # noqa: PLC0415

    return as_pdf(sheet_of(store, machine, shift))


ROUTES = [Route("/machine/{machine}/shift/{day}/{name:path}/loss-sheet.pdf", pdf, name="loss_sheet")]
