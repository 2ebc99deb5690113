"""The subcommand ``survey``. All that click knows of it is here."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from collector.scratch import scratch
from collector.settings import Broker, load_mill
from collector.stream import read_streams
from collector.survey.draft import MillName
from collector.way_out import way_out

if TYPE_CHECKING:
    from collector.survey.finding import Survey

_WIDE = 160
"""Columns where there is neither a terminal to ask nor ``COLUMNS`` in the environment."""


@click.command()
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--for", "seconds", type=click.FloatRange(min=1), default=300, show_default=True, help="Listen so long. [s]"
)
@click.option("--host", help="Address of the broker; default: that of mill.toml if there is one, else 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Its port; default: that of mill.toml, else 1883.")
@click.option("--topic", "filters", multiple=True, metavar="FILTER", help="Listen to this only; may be repeated.")
@click.option("--ask-rebirth", is_flag=True, help="Ask Sparkplug edge nodes for their births: the one thing it sends.")
@click.option("--name", default="Mill", show_default=True, help="The mill's name, for the draft.")
@click.option("--time-zone", default="UTC", show_default=True, help="The mill's clock, for the draft. (IANA name)")
@click.option(
    "--draft",
    "out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write a draft of mill.toml to this new file.",
)
@click.option("--json", "as_json", is_flag=True, help="What was found, as JSON.")
@click.pass_obj
def survey(
    path: Path,
    *,
    files: tuple[Path, ...],
    seconds: float,
    host: str | None,
    port: int | None,
    filters: tuple[str, ...],
    ask_rebirth: bool,
    name: str,
    time_zone: str,
    out: Path | None,
    as_json: bool,
) -> None:
    """Listen to a broker for some minutes, or read recorded FILES, and say what there is.

    Topics, formats, tags, rates, clocks. Suggests sources, roles and sheet detectors, and with --draft writes a
    mill.toml to go on from. The longer it listens the better: only a break shows which signals are sheet detectors, and
    in which order.

    Example: breakhorn survey night.jsonl.gz --name Ellerholm --time-zone Europe/Helsinki --draft draft.toml
    """
    if out is not None and out.exists():
        raise click.UsageError(f"{out} is there already, and is left alone: name another file")
    with way_out():
        if files:
            found = _of(list(files), MillName(name=name, time_zone=time_zone))
        else:
            broker = _broker(path, host, port)
            asked = MillName(name=name, time_zone=time_zone, host=broker.host, port=broker.port)
            with scratch("survey") as folder:
                heard = _listen(broker, filters or ("#",), Path(folder), seconds, ask_rebirth)
                found = _of(heard, asked)
        _tell(found, as_json=as_json)
        if out is not None:
            _write(found, out)


def _of(files: list[Path], name: MillName) -> Survey:
    from collector.survey.finding import survey as find  # noqa: PLC0415

    return find(lambda: read_streams(files), name=name)


def _broker(path: Path, host: str | None, port: int | None) -> Broker:
    known = load_mill(path).broker if path.exists() else Broker()
    return known.model_copy(update={"host": host or known.host, "port": port or known.port})


def _listen(broker: Broker, filters: tuple[str, ...], folder: Path, seconds: float, ask_rebirth: bool) -> list[Path]:
    from collector.survey.listen import listen  # noqa: PLC0415

    stopping = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopping.set())
    said = f"Listening to {broker.host}:{broker.port} for {seconds:g} s; interrupt to stop sooner …"
    return listen(
        broker,
        filters,
        folder,
        seconds=seconds,
        ask_rebirth=ask_rebirth,
        stopping=stopping,
        ready=lambda: click.echo(said, err=True),
        progress=_progress(),
    )


def _progress() -> Callable[[int], None]:
    if not sys.stderr.isatty():
        return lambda heard: None
    return lambda heard: click.echo(f"\r{heard:,} messages …", nl=False, err=True) if heard % 100 == 1 else None


def _tell(found: Survey, *, as_json: bool) -> None:
    from rich.console import Console  # noqa: PLC0415

    from collector.survey.tell import as_json as plain  # noqa: PLC0415
    from collector.survey.tell import show  # noqa: PLC0415

    if as_json:
        click.echo(json.dumps(plain(found), indent=2, ensure_ascii=False))
    else:
        asked = sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()
        show(found, Console(width=None if asked else _WIDE))


def _write(found: Survey, out: Path) -> None:
    if not found.draft:
        raise click.ClickException("there is nothing to make a draft of: nothing readable was heard")
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(found.draft)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        raise click.ClickException(f"{out} is there already, and is left alone: name another file") from None
    click.echo(f"Draft in {out}; look through it, then: breakhorn --mill {out} check", err=True)
