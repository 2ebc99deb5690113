"""Where time went over a period, the efficiencies that follow, and its losses ranked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.figures.efficiency import efficiency
from analysis.figures.ledger import Ledger, ledger
from analysis.history import History, Machine
from analysis.page.answers import parts_of, picture_response
from analysis.page.losses_asked import RANKED_BY, SPANS, LossesAsked, losses_asked
from analysis.page.paint import paint
from analysis.page.site import Site, site_of
from analysis.paper.answer import judged
from analysis.pareto import Pareto, pareto
from analysis.read import Store
from analysis.result import Result
from analysis.telling.efficiency import tell_efficiency
from analysis.telling.pareto import tell_pareto


@dataclass(frozen=True, slots=True, kw_only=True)
class Losses:
    """The answers about one period; ``ranked`` are those of the Pareto."""

    history: History
    book: Ledger
    ranked: Pareto
    whole: Result
    ranking: Result


def losses(request: Request) -> Response:
    """Efficiency and Pareto of a machine over a period."""
    site, machine, asked = _asked(request)
    found = _losses(site, machine, asked)
    query = urlencode({"from": asked.from_day, "to": asked.to_day, "by": asked.by})

    def address(part: int, which: int) -> str:
        path = request.app.url_path_for("losses_picture", machine=machine.machine, part=part, which=which)
        return f"{path}?{query}"

    return paint(
        request,
        "losses.html",
        machine=machine.machine,
        place="losses",
        asked=asked,
        ranked_by=RANKED_BY,
        spans=SPANS,
        parts=parts_of((found.ranking, found.whole), (1 if _has_bars(found.ranked) else 0, 2), address),
        history=found.history,
    )


def losses_picture(request: Request) -> Response:
    """One picture of the losses."""
    site, machine, asked = _asked(request)
    found = _losses(site, machine, asked)
    drawn = site.reader.answer(
        ("losses drawn", machine.machine, asked.period, asked.by), lambda _: _drawn(found), costly=True
    )
    return picture_response(drawn, request.path_params["part"], request.path_params["which"])


def _asked(request: Request) -> tuple[Site, Machine, LossesAsked]:
    site = site_of(request)
    machine = site.machine(request.path_params["machine"])
    return site, machine, losses_asked(request.query_params, machine, site.mill().zone)


def _losses(site: Site, machine: Machine, asked: LossesAsked) -> Losses:
    key = ("losses", machine.machine, asked.period, asked.by)
    return site.reader.answer(key, lambda store: _work_out(store, machine, asked), costly=True)


def _work_out(store: Store, machine: Machine, asked: LossesAsked) -> Losses:
    history = store.history(machine, asked.period)
    book = ledger(history, asked.period)
    paper = judged(store, history, asked.period)
    ranked = pareto(history, book, asked.by)
    return Losses(
        history=history,
        book=book,
        ranked=ranked,
        whole=tell_efficiency(history, book, efficiency(history, book, paper=paper), (), paper),
        ranking=tell_pareto(history, book, ranked),
    )


def _has_bars(found: Pareto) -> bool:
    return any(bar.count or bar.lost.ms for bar in found.bars)


def _drawn(found: Losses) -> Any:
    from analysis.report import pareto_picture, time_pictures  # noqa: PLC0415 - altair takes a second

    ranked = (pareto_picture(found.history, found.ranked),) if _has_bars(found.ranked) else ()
    return (ranked, time_pictures(found.history, found.book))


ROUTES = [
    Route("/machine/{machine}/losses", losses, name="losses"),
    Route("/machine/{machine}/losses/picture/{part:int}/{which:int}", losses_picture, name="losses_picture"),
]
