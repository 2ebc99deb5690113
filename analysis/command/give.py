"""Gives an answer as it was asked for: as text or JSON, and in the files that were named."""

# ruff: noqa: PLC0415 - what only some answers need is imported where it is needed, so that the others are there at once

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.options import Asked, Told

if TYPE_CHECKING:
    from analysis.result import Picture, Result


def give(name: str, asked: Asked, told: Sequence[Told]) -> None:
    """Print answers as asked, with the safety notice, and write the files that were asked for."""
    results = [result for one in told for result in one.results]
    say(name, results, as_json=asked.as_json)
    if not asked.as_json:
        from analysis.telling.common import SAFETY, freshness_said

        for history in {one.history.machine.machine: one.history for one in told}.values():
            click.echo(freshness_said(history), err=True)
        if not any(SAFETY in result.cautions for result in results):
            click.echo(SAFETY, err=True)
    _write_tables(name, asked, told)
    if asked.wants_picture:
        _write_drawn(name, asked, told)


def say(name: str, results: Sequence[Result], *, as_json: bool) -> None:
    """Print answers, as text or, with the safety notice, as JSON."""
    if as_json:
        from analysis.telling.common import SAFETY

        answers = [r.values | {"sentence": r.headline} for r in results]
        click.echo(json.dumps({"answer": name, "advisory": SAFETY, "results": answers}, indent=2))
        return
    from analysis.command.console import show

    show(results)


def _write_tables(name: str, asked: Asked, told: Sequence[Told]) -> None:
    if not (asked.csv or asked.xlsx or asked.parquet):
        return
    from analysis.command.export import write_tables

    results = [result for one in told for result in one.results]
    histories = [one.history for one in told]
    for line in write_tables(
        name, histories, results, csv_file=asked.csv, xlsx_file=asked.xlsx, parquet_file=asked.parquet
    ):
        click.echo(line, err=True)


def _write_drawn(name: str, asked: Asked, told: Sequence[Told]) -> None:
    from analysis.command.export import write_pictures

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
