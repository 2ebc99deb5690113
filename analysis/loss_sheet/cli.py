"""The subcommand ``loss-sheet``; all that click knows of it is here."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.options import way_out

if TYPE_CHECKING:
    from analysis.history import Machine, ShiftSpan
    from analysis.loss_sheet.model import LossSheet
    from analysis.read import Store

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(name="loss-sheet")
@click.option("--machine", "names", multiple=True, metavar="ID", help="Only this machine; may be repeated.")
@click.option("--shift", metavar="SHIFT", help="last, current, 'last night', '2026-03-01 night'. Default: last.")
@click.option("--pdf", type=_FILE, metavar="FILE", help="Write it as PDF; of several machines FILE, FILE-2 …")
@click.option("--html", type=_FILE, metavar="FILE", help="Write it as a self-contained page, likewise.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Keep PDF and page of each machine here, of the newest shift that is over by the clock; for a timer.",
)
@click.option(
    "--unfinished-after",
    "unfinished_after_min",
    type=click.FloatRange(0),
    default=15.0,
    show_default=True,
    help="With --out: so long after the shift, write what is known if the data still do not reach its end. [min]",
)
@click.option("--again", is_flag=True, help="With --out: write a sheet anew that is there, say when breaks were coded.")
@click.option("--demo-data", "demo", is_flag=True, help="Mark it as figures of an invented mill.")
@click.pass_obj
def loss_sheet(
    path: Path,
    names: tuple[str, ...],
    shift: str | None,
    pdf: Path | None,
    html: Path | None,
    out: Path | None,
    unfinished_after_min: float,
    again: bool,
    demo: bool,
) -> None:
    """The loss sheet of a shift on one A4 page: every minute, tonnes against plan, each downtime, room to sign.

    With --out it can be called as often as one likes: it writes a sheet once, when the data of the shift are all there.

    Example: breakhorn loss-sheet --shift "last night" --pdf night.pdf
    """
    from analysis.read import open_store

    if out is None and pdf is None and html is None:
        raise click.UsageError("say where to write it, with --pdf FILE, --html FILE or --out FOLDER")
    if out is not None and (pdf or html):
        raise click.UsageError("--out names its files itself; leave out --pdf and --html")
    with way_out(), open_store(path) as store:
        machines = [store.machine(name) for name in names] or list(store.machines())
        if out is None:
            _write(store, machines, shift or "last", pdf=pdf, html=html, demo=demo)
        else:
            out.mkdir(parents=True, exist_ok=True)
            after_ms = round(unfinished_after_min * 60_000)
            ends = [_keep(store, m, shift, out, after_ms=after_ms, again=again, demo=demo) for m in machines]
            if not all(ends):
                raise click.ClickException("not every machine has a sheet; 'breakhorn status' says what is amiss")


def _write(
    store: Store, machines: list[Machine], shift: str, *, pdf: Path | None, html: Path | None, demo: bool
) -> None:
    from analysis.command.export import numbered
    from analysis.loss_sheet.keep import write_whole
    from analysis.loss_sheet.make import sheet_of
    from analysis.loss_sheet.write import contents
    from analysis.period import NothingThen

    known = [m for m in machines if m.last_ms is not None]
    if not known:
        raise NothingThen("the store holds no data of any machine asked for; start the collector, or 'breakhorn load'")
    sheets = [sheet_of(store, m, _asked_for(store, m, shift), demo=demo) for m in known]
    for kind, wanted in (("pdf", pdf), ("html", html)):
        for file, sheet in zip(numbered(wanted, len(sheets)) if wanted else (), sheets, strict=False):
            write_whole(file, contents(sheet, kind))
            _told(file, sheet)


def _keep(
    store: Store, machine: Machine, shift: str | None, folder: Path, *, after_ms: int, again: bool, demo: bool
) -> bool:
    """Do what is due about the sheet of one machine; False if nothing is known of the shift."""
    from analysis.loss_sheet.keep import Due, due, newest_ended, place_of
    from analysis.loss_sheet.make import sheet_of, shifts_of
    from analysis.loss_sheet.write import KINDS, contents
    from analysis.period import say

    now_ms, last_ms, zone = time.time_ns() // 1_000_000, machine.last_ms or 0, store.mill().zone
    asked = _asked_for(store, machine, shift) if shift else newest_ended(shifts_of(store, machine), now_ms)
    if asked is None:
        click.echo(f"{machine.name}: no shift of which there are data is over yet", err=True)
        return True
    place = place_of(folder, machine.machine, asked)
    to_do = due(
        asked, last_ms=last_ms, now_ms=now_ms, unfinished_after_ms=after_ms, kept=place.has(KINDS) and not again
    )
    of = f"{machine.name}, {asked.shift} shift of {asked.shift_date}"
    match to_do:
        case Due.KEEP:
            click.echo(f"{of}: {place.file('pdf')} is there already; --again writes it anew", err=True)
        case Due.WAIT:
            click.echo(f"{of}: waiting for data, they reach to {say(last_ms, zone)}", err=True)
        case Due.NOTHING_KNOWN:
            click.echo(f"{of}: nothing is known of it, the data end at {say(last_ms, zone)}", err=True)
        case Due.WRITE | Due.WRITE_UNFINISHED:
            sheet = sheet_of(store, machine, asked, demo=demo)
            for kind in KINDS:
                _told(place.put(kind, contents(sheet, kind), finished=to_do is Due.WRITE), sheet)
    return to_do is not Due.NOTHING_KNOWN


def _told(file: Path, sheet: LossSheet) -> None:
    click.echo(f"wrote {file}" + (f": {sheet.unfinished}" if sheet.unfinished else ""), err=True)
    for fault in filter(None, (sheet.ledger.fault, sheet.list_fault)):
        click.echo(f"{file}: {fault}", err=True)


def _asked_for(store: Store, machine: Machine, shift: str) -> ShiftSpan:
    from analysis.loss_sheet.make import shifts_of
    from analysis.period import shift_of

    return shift_of(shift, shifts_of(store, machine), store.mill().zone, now_ms=machine.last_ms or 0)
