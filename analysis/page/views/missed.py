"""A loss of the sheet that nobody's detector saw: the crew adds it, and may take it back while it is on its way."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.history import ShiftSpan
from analysis.page.outbox import OutboxFull
from analysis.page.posting import Form, back_to, posted
from analysis.page.sayings import MISSED, WITHDRAWAL
from analysis.page.shift_facts import shift_facts, spans
from analysis.page.site import Site, site_of
from analysis.page.visit import visit_of
from analysis.period import local
from analysis.telling.common import iso


def say_missed(request: Request, form: Form) -> Response:
    """Add a loss of the sheet, from one clock time of a shift to a later one."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    span = _span(spans(site, machine), form)
    zone = site.mill().zone
    started_ms, ended_ms = (_within(span, form.get(name, ""), zone) for name in ("from", "to"))
    horizon_ms = machine.last_ms or 0
    if started_ms is None or ended_ms is None or not started_ms < ended_ms <= horizon_ms:
        raise HTTPException(400, detail="no_such_times")
    section = form.get("section") or None
    if section is not None and section not in shift_facts(site, machine, span).history.sections:
        raise HTTPException(400)
    said = {"kind": MISSED, "started": iso(started_ms), "ended": iso(ended_ms), "section": section}
    _hand_in(request, site, machine.machine, said)
    return back_to(form.get("back", "/"))


def take_back(request: Request, form: Form) -> Response:
    """Take back a loss that was added and is not in the store yet."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    kept = [one for one in site.desk.all() if one.note.get("kind") == MISSED]
    if form.get("note_id") not in {one.note_id for one in kept}:
        raise HTTPException(400, detail="taken_back")
    _hand_in(request, site, machine.machine, {"kind": WITHDRAWAL, "withdraws": form["note_id"]})
    return back_to(form.get("back", "/"))


def _hand_in(request: Request, site: Site, machine: str, said: dict[str, str | None]) -> None:
    visit = visit_of(request)
    try:
        site.desk.hand_in(machine, said | {"by": visit.user or visit.who or None})
    except (OutboxFull, OSError) as error:
        raise HTTPException(507, detail="not_kept") from error


def _span(found: tuple[ShiftSpan, ...], form: Form) -> ShiftSpan:
    asked = (form.get("day"), form.get("name"))
    span = next((one for one in found if (one.shift_date.isoformat(), one.shift) == asked), None)
    if span is None:
        raise HTTPException(404)
    return span


def _within(span: ShiftSpan, clock: str, zone: ZoneInfo) -> int | None:
    """The moment of a shift at which mill clocks show a time; of an hour that comes twice the first; None for none."""
    try:
        written = time.fromisoformat(clock)
    except ValueError:
        return None
    first = local(span.started_ms, zone).date()
    for day in (first, first + timedelta(days=1)):
        moment = datetime.combine(day, written.replace(tzinfo=None), zone).astimezone(UTC)
        at_ms = round(moment.timestamp() * 1000)
        if span.started_ms <= at_ms <= span.ended_ms and f"{local(at_ms, zone):%H:%M}" == f"{written:%H:%M}":
            return at_ms
    return None


ROUTES = [
    Route("/machine/{machine}/missed", posted(say_missed), methods=["POST"], name="say_missed"),
    Route("/machine/{machine}/missed/back", posted(take_back), methods=["POST"], name="take_back_missed"),
]
