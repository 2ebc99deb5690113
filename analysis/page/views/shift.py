"""The shift: what happened, where every minute went, and which breaks still wait for a cause."""

from __future__ import annotations

from datetime import date
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from analysis.figures.ledger import Class
from analysis.history import Machine, ShiftSpan
from analysis.page.band import Mark, band, stretches
from analysis.page.catalogue import words_of
from analysis.page.paint import paint
from analysis.page.places import way_to
from analysis.page.rows import rows, targets_of
from analysis.page.sayings import added
from analysis.page.shift_facts import ShiftFacts, crews, newest_ended, shift_facts, spans
from analysis.page.site import Site, site_of
from analysis.page.visit import visit_of
from analysis.period import NothingThen, Period


def first(request: Request) -> Response:
    """The first page: the newest ended shift of the mill's first machine."""
    machines = site_of(request).machines()
    if not machines:
        raise NothingThen("the mill has no machine")
    return RedirectResponse(way_to(request, "shift", machine=machines[0].machine), status_code=303)


def newest(request: Request) -> Response:
    """The newest ended shift of a machine; or the first one of a day that was asked for."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    found = spans(site, machine)
    if day := request.query_params.get("day"):
        span = next((one for one in found if one.shift_date.isoformat() == day), None)
        if span is None:
            raise NothingThen(f"{machine.name}: there is no shift of {day}")
        where = way_to(request, "one_shift", machine=machine.machine, day=day, name=span.shift)
        return RedirectResponse(where, status_code=303)
    return _shown(request, site, machine, found, newest_ended(found, machine))


def one(request: Request) -> Response:
    """Any shift of a machine, by its day and name."""
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    found = spans(site, machine)
    day, name = request.path_params["day"], request.path_params["name"]
    try:
        asked = date.fromisoformat(day)
    except ValueError:
        raise HTTPException(404) from None
    span = next((s for s in found if (s.shift_date, s.shift) == (asked, name)), None)
    if span is None:
        raise NothingThen(f"{machine.name}: there is no shift {day} {name}")
    return _shown(request, site, machine, found, span)


def _shown(request: Request, site: Site, machine: Machine, found: tuple[ShiftSpan, ...], span: ShiftSpan) -> Response:
    facts = shift_facts(site, machine, span)
    kept, at = site.desk.all(), found.index(span)
    # What notes carry is in the mill's language, whoever looks.
    by_mill = words_of(site.settings.language)
    seen = rows(site, facts, kept)
    to_code = [row for row in seen if row.to_code]
    return paint(
        request,
        "shift.html",
        machine=machine.machine,
        place="shift",
        facts=facts,
        to_code=[(row, targets_of(site, facts, row)) for row in to_code],
        others=[row for row in seen if not row.to_code],
        added=added(kept, f"/{machine.machine}/note", facts.review.period.holds),
        names=facts.history.causes,
        band=_band(request, facts, {row.number for row in to_code}),
        stretches=stretches(facts.review.book),
        newest=newest_ended(found, machine),
        first_day=found[0].shift_date,
        last_day=found[-1].shift_date,
        before=found[at - 1] if at else None,
        following=found[at + 1] if at + 1 < len(found) else None,
        crews=[(by_mill("shift.crew", crew=crew), crew) for crew in crews(found)],
        **_headline(facts),
    )


def _headline(facts: ShiftFacts) -> dict[str, Any]:
    review = facts.review
    breaks = [row for row in review.downtimes if row.began_here and row.downtime.kind == "break"]
    return {
        "uptime": review.efficiency.figure("time efficiency").value,
        "late_ms": review.book.ms[Class.ON_REEL] - review.made.on_reel_ms,
        "breaks": len(breaks),
        "breaks_lost_t": sum(row.lost.tonnes_t for row in breaks),
    }


def _band(request: Request, facts: ShiftFacts, to_code: set[int]) -> object:
    words, review = visit_of(request).words, facts.review
    marks = [
        Mark(
            number=facts.numbers[row.downtime.downtime_id],
            at_ms=max(row.downtime.started_ms, review.period.from_ms),
            open=facts.numbers[row.downtime.downtime_id] in to_code,
        )
        for row in review.downtimes
    ]
    said = words(
        "band.said",
        on_reel=words.minutes(review.book.ms[Class.ON_REEL]),
        n=len(review.downtimes),
    )
    whole = Period(from_ms=facts.span.started_ms, to_ms=facts.span.ended_ms)
    return band(
        stretches(review.book),
        marks,
        whole,
        facts.history.mill.zone,
        title=words("band.title"),
        said=said,
        unit=words("unit.min"),
    )


ROUTES = [
    Route("/", first, name="first"),
    Route("/machine/{machine}/shift", newest, name="shift"),
    Route("/machine/{machine}/shift/{day}/{name:path}", one, name="one_shift"),
]
