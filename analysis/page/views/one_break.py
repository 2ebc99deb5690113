"""One downtime: what commands know of it, from its clock to breaks like it; advice, and never a cause by itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.page.answers import parts_of, picture_response
from analysis.page.paint import paint
from analysis.page.shift_facts import span_of
from analysis.page.site import Site, site_of
from analysis.period import NothingThen
from analysis.read import Store
from analysis.result import Result


def one_break(request: Request) -> Response:
    """The dossier of a downtime."""
    site, machine, downtime = _asked(request)
    found = _dossier(site, machine, downtime)
    results = site.reader.answer(("break told", downtime), lambda _: _told(found), costly=True)

    def address(part: int, which: int) -> str:
        path = request.app.url_path_for("break_picture", machine=machine, downtime=downtime, part=part, which=which)
        return str(path)

    return paint(
        request,
        "one_break.html",
        machine=machine,
        place="shift",
        downtime_id=downtime,
        started_ms=found.started_ms,
        history=found.history,
        span=span_of(site, site.machine(machine), found.started_ms),
        parts=parts_of(results, _counts(found), address),
        links=_links(request, site, machine, results),
        **_neighbours(site, machine, downtime),
    )


def break_picture(request: Request) -> Response:
    """One picture of the dossier."""
    site, machine, downtime = _asked(request)
    found = _dossier(site, machine, downtime)
    drawn = site.reader.answer(("break drawn", downtime), lambda _: _drawn(found), costly=True)
    return picture_response(drawn, request.path_params["part"], request.path_params["which"])


def _asked(request: Request) -> tuple[Site, str, str]:
    site = site_of(request)
    return site, site.machine(request.path_params["machine"]).machine, request.path_params["downtime"]


def _dossier(site: Site, machine: str, downtime: str) -> Any:
    from analysis.dossier.answer import dossier_of  # noqa: PLC0415 - scikit-learn takes seconds, and the shift is first

    order = _order(site, machine)
    if downtime not in order:
        raise NothingThen(f"{machine} has no downtime {downtime}")

    def work_out(store: Store) -> Any:
        return dossier_of(store, downtime)

    return site.reader.answer(("break", downtime), work_out, costly=True)


def _order(site: Site, machine: str) -> tuple[str, ...]:
    """Ids of every downtime of a machine, oldest first."""

    def read(store: Store) -> tuple[str, ...]:
        sql = "SELECT downtime_id FROM downtime WHERE machine = $machine ORDER BY started_at, downtime_id"
        return tuple(row["downtime_id"] for row in store.rows(sql, machine=machine))

    return site.reader.answer(("downtimes", machine), read)


def _links(request: Request, site: Site, machine: str, results: Sequence[Result]) -> dict[str, str]:
    """Where each downtime that the answers name stands, by its id."""
    cells = {cell for result in results for table in result.tables for row in table.rows for cell in row}
    named = cells.intersection(_order(site, machine))
    return {one: str(request.app.url_path_for("one_break", machine=machine, downtime=one)) for one in named}


def _neighbours(site: Site, machine: str, downtime: str) -> dict[str, Any]:
    order = _order(site, machine)
    at = order.index(downtime)
    return {"before": order[at - 1] if at else None, "following": order[at + 1] if at + 1 < len(order) else None}


def _told(found: Any) -> Any:
    from analysis.dossier.tell import tell_dossier  # noqa: PLC0415 - see above

    return tell_dossier(found)


def _drawn(found: Any) -> Any:
    from analysis.dossier.pictures import pictures  # noqa: PLC0415 - altair takes a second

    return pictures(found)


def _counts(found: Any) -> tuple[int, ...]:
    from analysis.dossier.pictures import how_many  # noqa: PLC0415 - see above

    return how_many(found)


ROUTES = [
    Route("/machine/{machine}/break/{downtime}", one_break, name="one_break"),
    Route("/machine/{machine}/break/{downtime}/picture/{part:int}/{which:int}", break_picture, name="break_picture"),
]
