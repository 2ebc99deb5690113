"""The subcommand ``suggest``; all that click knows of it is here."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.give import give
from analysis.command.options import Asked, Told, asks, chosen, way_out

if TYPE_CHECKING:
    from analysis.evidence.reading import Progress
    from analysis.history import History
    from analysis.period import Period
    from analysis.read import Store
    from analysis.result import Result

_MEMORY = "2GB"


@click.command()
@click.option("--tags/--no-tags", default=True, show_default=True, help="Look at the tags before each break as well.")
@click.option("--judge", "judging", is_flag=True, help="Judge the suggestions with tags too; reads every coded break.")
@asks
@click.pass_obj
def suggest(path: Path, asked: Asked, tags: bool, judging: bool) -> None:
    """What may have caused the breaks that nobody has coded: suggestions with reasons, for a person to decide.

    Without --from, --to or --shift it is the last shift that has ended. Nothing is stored.

    Example: breakhorn suggest --from 2026-03-01
    """
    from analysis.command.console import reading_progress
    from analysis.read import open_store

    if judging and not tags:
        raise click.UsageError("--judge looks at tags; leave out --no-tags")
    if not (asked.shift or asked.from_text or asked.to_text):
        asked = replace(asked, shift="last")
    with way_out(), open_store(path, memory=_MEMORY) as store:
        told = []
        for history, period in chosen(store, asked):
            with reading_progress() as progress:
                result = _answer(store, history, period, progress, tags=tags, judging=judging)
            told.append(Told(history=history, period=period, results=(result,), draw=tuple))
        give("suggest", asked, told)


def _answer(
    store: Store, history: History, period: Period, progress: Progress | None, *, tags: bool, judging: bool
) -> Result:
    from analysis.suggest.answer import breaks_of, closely, judged_closely, judged_plainly, plainly, whole_history
    from analysis.suggest.tell import tell_suggestions

    breaks = breaks_of(store, history.machine.machine)
    waiting = [b for b in breaks.all if period.holds(b.started_ms) and breaks.waits(b)]
    found = closely(store, history, breaks, waiting, progress) if tags else plainly(breaks, waiting)
    judged = (
        judged_closely(store, whole_history(store, history), breaks, progress)[0] if judging else judged_plainly(breaks)
    )
    return tell_suggestions(history, period, breaks, found, judged, tags=tags, judged_tags=judging)
