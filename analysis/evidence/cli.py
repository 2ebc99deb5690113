"""The subcommand ``evidence``; all that click knows of it is here."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.give import give
from analysis.command.options import Asked, Told, asks, chosen, sections_of, way_out

if TYPE_CHECKING:
    from analysis.evidence.answer import Question, Sought
    from analysis.history import History
    from analysis.period import Period
    from analysis.read import Store
    from analysis.result import Picture


@click.command()
@click.option("--section", metavar="NAME", help="Only breaks of this section.")
@click.option("--cause", metavar="CODE", help="Only breaks coded so.")
@click.option("--secondary", is_flag=True, help="Secondary breaks as well.")
@click.option(
    "--controls", type=click.IntRange(1, 20), default=4, show_default=True, help="Quiet runs for each break, at most."
)
@click.option(
    "--speed-band",
    type=click.FloatRange(0, min_open=True),
    default=20.0,
    show_default=True,
    metavar="M/MIN",
    help="How near their speed must be. [m/min]",
)
@click.option(
    "--near-days",
    type=click.FloatRange(0, min_open=True),
    default=21.0,
    show_default=True,
    metavar="DAYS",
    help="How near in time they must be. [d]",
)
@click.option("--runs", is_flag=True, help="List the quiet runs of every break as well.")
@asks
@click.pass_obj
def evidence(
    path: Path,
    asked: Asked,
    section: str | None,
    cause: str | None,
    secondary: bool,
    controls: int,
    speed_band: float,
    near_days: float,
    runs: bool,
) -> None:
    """What was different before breaks, against matched quiet runs of the same machine, and how sure that is.

    Example: breakhorn evidence --from 2026-03-01 --section press
    """
    from analysis.command.console import reading_progress
    from analysis.evidence.answer import Question, seek
    from analysis.evidence.settings import MEMORY, EvidenceSettings
    from analysis.read import open_store

    question = Question(secondary=secondary, section=section, cause=cause)
    settings = EvidenceSettings(controls=controls, speed_band_m_min=speed_band, near_days=near_days)
    with way_out(), open_store(path, memory=MEMORY) as store:
        told = []
        for history, period in chosen(store, asked):
            _known(store, history, question)
            with reading_progress() as progress:
                found = seek(store, history, period, question, settings, progress)
            told.append(_told(history, period, question, found, runs=runs))
        give("evidence", asked, told)


def _told(history: History, period: Period, question: Question, found: Sought, *, runs: bool) -> Told:
    from analysis.evidence.tell import tell_evidence, tell_matching
    from analysis.evidence.tell_where import tell_ages, tell_strata

    where, ages = tell_strata(history, period, found.evidence), tell_ages(history, period, question, found)
    results = [tell_evidence(history, period, question, found), tell_matching(history, period, found, runs=runs)]
    results += [one for one in (where, ages) if one is not None]

    def draw() -> list[tuple[Picture, ...]]:
        from analysis.evidence.pictures import ages_picture, pairs_picture, pictures

        name, evidence = history.machine.name, found.evidence
        level = evidence.settings.false_share
        drawn = [pictures(evidence, name), ()]
        drawn += [pairs_picture(evidence.pairs, level, name)] if where is not None else []
        return drawn + ([ages_picture(found.ages, level, name)] if ages is not None else [])

    return Told(history=history, period=period, results=tuple(results), draw=draw)


def _known(store: Store, history: History, question: Question) -> None:
    """Refuse a section or cause that this machine cannot have."""
    sections_of(store, history, question.section)
    causes = {*history.causes, *(d.cause for d in history.downtimes if d.cause)}
    if question.cause is not None and question.cause not in causes:
        coded = ", ".join(sorted({d.cause for d in history.downtimes if d.cause})) or "none yet"
        raise click.UsageError(f"there is no cause {question.cause!r}; the breaks of this period are coded {coded}")
