"""The subcommands that look at the store. All that click knows of them is here; other modules do the work."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.options import Asked, Told, asks, chosen, way_out

if TYPE_CHECKING:
    from analysis.history import History
    from analysis.ledger import Ledger
    from analysis.period import Period
    from analysis.read import Store
    from analysis.report import Chapter
    from analysis.result import Picture
    from analysis.shift_review import ShiftReview

DIMENSIONS = (
    "section", "cause", "crew", "shift", "grade", "shade", "hour", "weekday", "month", "turn-up", "attempts",
    "secondary", "kind", "machine",
)  # fmt: skip
KINDS = ("break", "stop", "planned", "unknown")
SPLITS = ("state", "section", "cause", "grade", "crew", "shift", "downtime")


@click.command()
@click.option("--by", "splits", multiple=True, type=click.Choice(SPLITS), help="Split the ledger; may be repeated.")
@click.option("--saleable-t", type=click.FloatRange(0), help="Saleable tonnes of the period, for quality. [t]")
@click.option("--reel-t", type=click.FloatRange(0, min_open=True), help="Reel tonnes they came from. [t]")
@asks
@click.pass_obj
def efficiency(
    path: Path, asked: Asked, splits: tuple[str, ...], saleable_t: float | None, reel_t: float | None
) -> None:
    """Where every minute went, and the efficiencies that follow, each with its formula.

    --by downtime goes down to every single one: class, section, cause, downtime, with its whole clock.

    Example: breakhorn efficiency --from 2026-03-01 --to 2026-03-07 --by crew
    """
    from analysis.efficiency import efficiency as figures_of
    from analysis.judging import judged
    from analysis.ledger import ledger
    from analysis.read import open_store
    from analysis.telling.efficiency import tell_efficiency

    if (saleable_t is None) != (reel_t is None):
        raise click.UsageError("--saleable-t and --reel-t belong together")
    with way_out(), open_store(path) as store:
        told = []
        for history, period in chosen(store, asked):
            book = ledger(history, period)
            paper = judged(store, history, period)
            found = figures_of(history, book, saleable_t=saleable_t, reel_t=reel_t, paper=paper)
            result = tell_efficiency(history, book, found, splits, paper)
            told.append(
                Told(history=history, period=period, results=(result,), draw=partial(_draw_time, history, book))
            )
        give("efficiency", asked, told)


@click.command()
@click.option("--by", "dimensions", multiple=True, type=click.Choice(DIMENSIONS), help="Rank by this; may be repeated.")
@click.option(
    "--within",
    multiple=True,
    metavar="DIMENSION=LABEL",
    help="Only these, such as section=press or 'cause=not coded'; may be repeated. Lists each downtime as well.",
)
@click.option("--kind", "kinds", multiple=True, type=click.Choice(KINDS), help="What to rank. Default: break.")
@click.option("--downtimes", "listed", is_flag=True, help="List each downtime behind the bars, longest first.")
@click.option("--year", is_flag=True, help="Also what each costs a year, and what it would be worth to be rid of it.")
@click.option(
    "--year-h", type=click.FloatRange(0, 8784, min_open=True), help="Hours a year that the machine is available. [h]"
)
@asks
@click.pass_obj
def pareto(
    path: Path,
    asked: Asked,
    dimensions: tuple[str, ...],
    within: tuple[str, ...],
    kinds: tuple[str, ...],
    listed: bool,
    year: bool,
    year_h: float | None,
) -> None:
    """Breaks ranked by section, cause, crew …, in count, minutes, tonnes and money side by side.

    Drill down with --within, and from there to the single downtime.

    Example: breakhorn pareto --within section=press --by cause --year
    """
    from analysis.answering import answer_pareto, selection_of
    from analysis.read import open_store

    with way_out(), open_store(path) as store:
        sources = list(chosen(store, asked, made=False))
        try:
            selection = selection_of(within, kinds, dimensions)
            told = answer_pareto(
                sources,
                dimensions or ("section", "cause"),
                selection,
                listed=listed or bool(within),
                year=year or year_h is not None,
                year_h=year_h,
            )
        except ValueError as error:
            raise click.UsageError(str(error)) from error
        give("pareto", asked, told)


@click.command()
@asks
@click.pass_obj
def shift(path: Path, asked: Asked) -> None:
    """What happened in a shift: every minute, every loss of the sheet, those still to be coded first.

    Without --shift it is the last one that has ended.

    Example: breakhorn shift --shift "last night"
    """
    from analysis.read import open_store
    from analysis.shift_review import shift_review
    from analysis.suggest.answer import for_shift
    from analysis.telling.shift import tell_shift

    if not (asked.shift or asked.from_text or asked.to_text):
        asked = replace(asked, shift="last")
    with way_out(), open_store(path) as store:
        told = []
        for history, period in chosen(store, asked):
            review = shift_review(history, period)
            result = tell_shift(history, review, for_shift(store, history.machine.machine, review))
            told.append(
                Told(history=history, period=period, results=(result,), draw=partial(_draw_shift, history, review))
            )
        give("shift", asked, told)


@click.command()
@asks
@click.pass_obj
def broke(path: Path, asked: Asked) -> None:
    """What fell into the pits, came back, was dosed and is held, by pit, grade and shade; and the towers now.

    Example: breakhorn broke --from yesterday
    """
    from analysis.judging import broke_stock
    from analysis.ledger import ledger
    from analysis.read import open_store
    from analysis.telling.broke import tell_broke

    with way_out(), open_store(path) as store:
        told = []
        for history, period in chosen(store, asked):
            result = tell_broke(history, ledger(history, period), *broke_stock(store, history, period))
            told.append(Told(history=history, period=period, results=(result,), draw=_draw_nothing))
        give("broke", asked, told)


@click.command()
@asks
@click.pass_obj
def report(path: Path, asked: Asked) -> None:
    """All of it as one self-contained page, to read, print or send: --html says where to.

    Example: breakhorn report --from 2026-03-01 --html report.html
    """
    from analysis.evidence.settings import MEMORY
    from analysis.read import open_store
    from analysis.report import page

    if asked.html is None:
        raise click.UsageError("say where to write the page with --html FILE")
    if asked.as_json or any((asked.csv, asked.xlsx, asked.parquet, asked.svg, asked.png)):
        raise click.UsageError("the report is a page; efficiency, pareto and shift give JSON, tables and pictures")
    with way_out(), open_store(path, memory=MEMORY) as store:
        chapters = [_chapter(store, history, period) for history, period in chosen(store, asked)]
        written = page(store.mill().name, "runnability report", chapters, demo=asked.demo or store.mill().demo)
        asked.html.write_text(written, encoding="utf-8")
    click.echo(f"wrote {asked.html}", err=True)


def _chapter(store: Store, history: History, period: Period) -> Chapter:
    from analysis.console import reading_progress
    from analysis.evidence.brief import in_short
    from analysis.judging import broke_stock, judged
    from analysis.ledger import ledger
    from analysis.report import report_chapter
    from analysis.telling.broke import tell_broke

    with reading_progress() as progress:
        evidence = in_short(store, history, period, progress)
    return report_chapter(
        history,
        period,
        paper=judged(store, history, period),
        broke=tell_broke(history, ledger(history, period), *broke_stock(store, history, period)),
        evidence=evidence,
    )


def give(name: str, asked: Asked, told: Sequence[Told]) -> None:
    """Print answers as asked, with the safety notice, and write the files that were asked for."""
    from analysis.telling.common import SAFETY

    results = [result for one in told for result in one.results]
    if asked.as_json:
        answers = [r.values | {"sentence": r.headline} for r in results]
        click.echo(json.dumps({"answer": name, "advisory": SAFETY, "results": answers}, indent=2))
    else:
        from analysis.console import show
        from analysis.telling.common import freshness_said

        show(results)
        for history in {one.history.machine.machine: one.history for one in told}.values():
            click.echo(freshness_said(history), err=True)
        if not any(SAFETY in result.cautions for result in results):
            click.echo(SAFETY, err=True)
    _write_tables(name, asked, told)
    if asked.wants_picture:
        _write_drawn(name, asked, told)


def _write_tables(name: str, asked: Asked, told: Sequence[Told]) -> None:
    if not (asked.csv or asked.xlsx or asked.parquet):
        return
    from analysis.export import write_tables

    results = [result for one in told for result in one.results]
    histories = [one.history for one in told]
    for line in write_tables(
        name, histories, results, csv_file=asked.csv, xlsx_file=asked.xlsx, parquet_file=asked.parquet
    ):
        click.echo(line, err=True)


def _write_drawn(name: str, asked: Asked, told: Sequence[Told]) -> None:
    from analysis.export import write_pictures

    drawn = [one.draw() or [()] * len(one.results) for one in told]
    pictures = [picture for each in drawn for several in each for picture in several]
    for wanted in (asked.svg, asked.png):
        if wanted is None:
            continue
        if not pictures:
            raise click.ClickException(f"{name} has no picture to write to {wanted}; --csv and --xlsx take its tables")
        for file, title in write_pictures(wanted, pictures):
            click.echo(f"wrote {file}: {title}", err=True)
    if asked.html is not None:
        _write_page(name, asked, asked.html, told, drawn)


def _write_page(
    name: str, asked: Asked, file: Path, told: Sequence[Told], drawn: Sequence[Sequence[tuple[Picture, ...]]]
) -> None:
    from analysis.report import chapter_of, page, result_part

    chapters = []
    for one, each in zip(told, drawn, strict=True):
        parts = [result_part(result, *pictures) for result, pictures in zip(one.results, each, strict=True)]
        chapters.append(chapter_of(one.history, one.period, parts))
    file.write_text(
        page(told[0].history.mill.name, name, chapters, demo=asked.demo or told[0].history.mill.demo), encoding="utf-8"
    )
    click.echo(f"wrote {file}", err=True)


def _draw_time(history: History, book: Ledger) -> Sequence[tuple[Picture, ...]]:
    from analysis.report import time_pictures

    return [time_pictures(history, book)]


def _draw_shift(history: History, review: ShiftReview) -> Sequence[tuple[Picture, ...]]:
    from analysis.report import shift_picture

    return [(shift_picture(history, review),)]


def _draw_nothing() -> Sequence[tuple[Picture, ...]]:
    return ()
