"""The subcommand ``dossier``; all that click knows of it is here."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.give import give
from analysis.command.options import Asked, Told, way_out, writes

if TYPE_CHECKING:
    from analysis.dossier.answer import Dossier
    from analysis.result import Picture

_MEMORY = "2GB"


@click.command()
@click.argument("downtime", metavar="ID")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option(
    "--html",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write a self-contained page with pictures as well.",
)
@writes("--csv", "--xlsx", "--parquet", "--svg", "--png")
@click.option("--demo-data", "demo", is_flag=True, help="Mark the page as figures of an invented mill.")
@click.pass_obj
def dossier(
    path: Path,
    downtime: str,
    as_json: bool,
    html: Path | None,
    csv: Path | None,
    xlsx: Path | None,
    parquet: Path | None,
    svg: Path | None,
    png: Path | None,
    demo: bool,
) -> None:
    """Everything about one break: clock, detectors, tags beside quiet runs, breaks like it, notes, suggested causes.

    ID is that of a downtime, the beginning of one, the beginning of its time, or 'last' for the newest break.

    Example: breakhorn dossier last
    """
    from analysis.dossier.answer import dossier_of
    from analysis.dossier.reading import find_downtime
    from analysis.read import open_store

    asked = Asked(
        machines=(),
        from_text=None,
        to_text=None,
        shift=None,
        as_json=as_json,
        html=html,
        csv=csv,
        xlsx=xlsx,
        parquet=parquet,
        svg=svg,
        png=png,
        demo=demo,
    )
    with way_out(), open_store(path, memory=_MEMORY) as store:
        give("dossier", asked, [_told(dossier_of(store, find_downtime(store, downtime)))])


def _told(found: Dossier) -> Told:
    from analysis.dossier.tell import tell_dossier
    from analysis.period import Period

    results = tell_dossier(found)
    until_ms = found.case["ended_ms"] or found.history.horizon_ms
    period = Period(
        from_ms=found.started_ms, to_ms=max(until_ms, found.started_ms + 1), name=str(found.case["downtime_id"])
    )

    def draw() -> list[tuple[Picture, ...]]:
        from analysis.dossier.pictures import pictures

        drawn = pictures(found)
        return [*drawn, *[()] * (len(results) - len(drawn))]

    return Told(history=found.history, period=period, results=results, draw=draw)
