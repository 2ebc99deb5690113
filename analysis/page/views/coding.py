"""Coding: saying what a downtime was, taking it back, and seeing what became of it."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.history import Machine
from analysis.page.catalogue import words_of
from analysis.page.outbox import OutboxFull
from analysis.page.paint import paint
from analysis.page.posting import Form, back_to, posted
from analysis.page.rows import Before, Row, before, rows, targets_of
from analysis.page.sayings import CAUSE, KIND, MERGE, WITHDRAWAL
from analysis.page.shift_facts import ShiftFacts, crews, habits, shift_facts, span_of, spans
from analysis.page.site import Site, site_of
from analysis.page.targets import by_section
from analysis.page.visit import keep_who, tidy_name, visit_of

CERTAINTIES = ("suspected", "likely", "confirmed")
KINDS = ("break", "stop", "planned", "unknown")
LONGEST_COMMENT = 2_000
"""What the collector takes. [characters]"""


def show(request: Request) -> Response:
    """One downtime with everything that was said of it, and every cause."""
    site, machine, facts, row = _asked(request)
    causes, by_mill = habits(site, machine.machine).causes, words_of(site.settings.language)
    return paint(
        request,
        "coding.html",
        machine=machine.machine,
        place="shift",
        facts=facts,
        row=row,
        targets=targets_of(site, facts, row),
        groups=by_section(causes, facts.history.sections, row.downtime.section),
        names={cause.code: cause.name for cause in causes},
        certainties=CERTAINTIES,
        kinds=KINDS,
        before=_near(site, machine, row),
        longest=LONGEST_COMMENT,
        crews=[by_mill("shift.crew", crew=crew) for crew in crews(spans(site, machine))],
    )


def say_cause(request: Request, form: Form) -> Response:
    """Say what a downtime was."""
    site, machine, _, row = _asked(request)
    cause, certainty = form.get("cause") or row.cause, form.get("certainty") or None
    comment = " ".join(form.get("comment", "").split()) or None
    known = {one.code: one for one in habits(site, machine.machine).causes}
    if (cause is None and comment is None) or (cause is not None and cause not in known):
        raise HTTPException(400, detail="no_cause")
    if certainty not in (None, *CERTAINTIES) or len(comment or "") > LONGEST_COMMENT:
        raise HTTPException(400)
    if cause is not None and not known[cause].nameable:
        certainty = None  # nobody is sure of what is not known
    said = {"cause": cause, "certainty": certainty, "comment": comment}
    return _handed_in(request, site, machine, row, form, {"kind": CAUSE, **said})


def say_kind(request: Request, form: Form) -> Response:
    """Correct how a downtime began."""
    site, machine, _, row = _asked(request)
    if form.get("kind") not in KINDS:
        raise HTTPException(400)
    return _handed_in(request, site, machine, row, form, {"kind": KIND, "new_kind": form["kind"]})


def say_one(request: Request, form: Form) -> Response:
    """Say that a downtime and the one before it are one."""
    site, machine, _, row = _asked(request)
    into = _near(site, machine, row)
    if into is None or form.get("into") != into.downtime_id:
        raise HTTPException(400)
    return _handed_in(request, site, machine, row, form, {"kind": MERGE, "merge_into": into.downtime_id})


def take_back(request: Request, form: Form) -> Response:
    """Take a note back; it is kept all the same, and what was said before it holds again."""
    site, machine, _, row = _asked(request)
    note = next((one for one in row.said if one.note_id == form.get("note_id")), None)
    if note is None or not note.counts:
        raise HTTPException(400, detail="taken_back")
    said = {"kind": WITHDRAWAL, "withdraws": note.note_id, "downtime": row.downtime.downtime_id}
    return _handed_in(request, site, machine, row, form, said)


def dismiss(request: Request, form: Form) -> Response:
    """Somebody has read what became of a note."""
    site, machine, _, row = _asked(request)
    for one in row.refused:
        if one.note_id == form.get("note_id"):
            site.desk.dismiss(one.note_id)
    return back_to(form.get("back") or _path(request, machine, row))


def _handed_in(request: Request, site: Site, machine: Machine, row: Row, form: Form, said: dict[str, Any]) -> Response:
    who = tidy_name(form["who"]) if "who" in form else visit_of(request).who
    newest_ms = max((one.noted_ms for one in row.said), default=0)
    note = {"downtime": row.downtime.downtime_id, **said, "by": visit_of(request).user or who or None}
    try:
        site.desk.hand_in(machine.machine, note, after_ms=newest_ms)
    except (OutboxFull, OSError) as error:
        raise HTTPException(507, detail="not_kept") from error
    response = back_to(form.get("back") or _path(request, machine, row))
    if "who" in form:
        keep_who(response, who, secure=request.url.scheme == "https")
    return response


def _asked(request: Request) -> tuple[Site, Machine, ShiftFacts, Row]:
    """The downtime that a request is about, in the shift in which it began."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    downtime_id = request.path_params["downtime"]
    started_ms = site.reader.answer(
        ("started", downtime_id),
        lambda store: store.rows(
            "SELECT epoch_ms(started_at) AS at_ms FROM downtime WHERE downtime_id = $id AND machine = $machine",
            id=downtime_id,
            machine=machine.machine,
        ),
    )
    span = span_of(site, machine, started_ms[0]["at_ms"]) if started_ms else None
    if span is None:
        raise HTTPException(404)
    facts = shift_facts(site, machine, span)
    found = rows(site, facts, site.desk.all(), whole=True)
    row = next((one for one in found if one.downtime.downtime_id == downtime_id), None)
    if row is None:
        raise HTTPException(404)
    return site, machine, facts, row


def _near(site: Site, machine: Machine, row: Row) -> Before | None:
    """The loss before a downtime, if it may be one with it: people know best, but not of what lies hours apart."""
    found = before(site, row.downtime.downtime_id)
    return found if found is not None and found.between_ms <= machine.secondary_within_min * 60_000 else None


def _path(request: Request, machine: Machine, row: Row) -> str:
    return str(request.app.url_path_for("coding", machine=machine.machine, downtime=row.downtime.downtime_id))


_DOWNTIME = "/machine/{machine}/downtime/{downtime}"
ROUTES = [
    Route(_DOWNTIME, show, name="coding"),
    Route(f"{_DOWNTIME}/cause", posted(say_cause), methods=["POST"], name="say_cause"),
    Route(f"{_DOWNTIME}/kind", posted(say_kind), methods=["POST"], name="say_kind"),
    Route(f"{_DOWNTIME}/one", posted(say_one), methods=["POST"], name="say_one"),
    Route(f"{_DOWNTIME}/back", posted(take_back), methods=["POST"], name="take_back"),
    Route(f"{_DOWNTIME}/seen", posted(dismiss), methods=["POST"], name="dismiss"),
]
