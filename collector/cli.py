"""The subcommands around the collector. Everything click knows of it is here; the work is done by the other modules."""

from __future__ import annotations

import json
import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterable
from importlib import metadata
from pathlib import Path

import click

from collector.clock import now_ms
from collector.logs import LogFormat, about
from collector.logs import set_up as set_up_log
from collector.message import Message
from collector.mqtt.replay import Publisher
from collector.mqtt.replay import replay as publish_all
from collector.service.stopping import stopped_by_signals
from collector.settings import Mill, load_mill, mill_schema
from collector.stream import read_streams
from collector.way_out import way_out

FILES = click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))


@click.command()
@click.option("--schema", is_flag=True, help="Print the JSON Schema of mill.toml instead.")
@click.option("--json", "as_json", is_flag=True, help="Faults as JSON.")
@click.pass_obj
def check(path: Path, *, schema: bool, as_json: bool) -> None:
    """Say everything that is wrong with mill.toml, with line and key.

    Example: breakhorn --mill mill.toml check
    """
    if schema:
        click.echo(json.dumps(mill_schema(), indent=2))
        return
    from collector.check import examine  # noqa: PLC0415

    findings = examine(path)
    faults = [finding for finding in findings if finding.fatal]
    if as_json:
        click.echo(json.dumps([finding.as_dict() for finding in findings], indent=2))
    else:
        for finding in findings:
            click.echo(str(finding))
    if faults:
        said = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        click.echo(f"{said} to mend: the collector will not start.", err=True)
        sys.exit(1)
    click.echo(f"{path} can be used.", err=True)


@click.command()
@click.option(
    "--log-level", type=click.Choice(["debug", "info", "warning", "error"]), default="info", show_default=True
)
@click.option(
    "--log-format",
    type=click.Choice([str(form) for form in LogFormat]),
    default=str(LogFormat.TEXT),
    show_default=True,
    help="A line of text an event, or a JSON object.",
)
@click.pass_obj
def collect(path: Path, log_level: str, log_format: str) -> None:
    """Listen to the machines and keep what happens, until interrupted (SIGINT or SIGTERM; twice: at once).

    Example: breakhorn --mill mill.toml collect --log-format json
    """
    set_up_log(LogFormat(log_format), log_level)
    try:
        with way_out():
            _collect(load_mill(path))
    except click.ClickException as error:
        for line in error.message.splitlines():
            logging.getLogger("breakhorn").error(line, extra=about("failed"))
        sys.exit(1)


def _collect(mill: Mill) -> None:
    with stopped_by_signals() as stopping:
        # Imported in here: libraries start threads, which must leave the signals alone.
        from collector.service.serve import serve  # noqa: PLC0415

        serve(mill, version=metadata.version("breakhorn"), ready=lambda collector: stopping.tell(collector.stop))


@click.command()
@FILES
@click.option("--speed", type=click.FloatRange(min=0, min_open=True), help="1: real time; 60: a minute a second.")
@click.option("--as", "form", type=click.Choice(["sparkplug"]), help="Publish as a Sparkplug B edge node instead.")
@click.pass_obj
def replay(path: Path, files: tuple[Path, ...], speed: float | None, form: str | None) -> None:
    """Publish recorded streams to the mill's broker, in order; as fast as it acknowledges unless told otherwise.

    As a Sparkplug edge node it is called as the first [[source]] of that format says, and each machine is a device.

    Example: breakhorn --mill mill.toml replay night.jsonl.gz --speed 60
    """
    with way_out():
        mill = load_mill(path)
        if form == "sparkplug":
            sent = _replay_as_sparkplug(mill, read_streams(files), speed)
        else:
            with Publisher(mill.broker) as publisher:
                sent = publish_all(publisher, read_streams(files), speed=speed)
        click.echo(f"{sent} messages published to {mill.broker.host}:{mill.broker.port}.", err=True)


def _replay_as_sparkplug(mill: Mill, messages: Iterable[Message], speed: float | None) -> int:
    from collector.decode import Decoder  # noqa: PLC0415
    from collector.mqtt.edge_node import Asked, EdgeNodeVoice, as_sparkplug, names_in  # noqa: PLC0415

    group, edge = names_in(mill)
    node, asked = EdgeNodeVoice(group, edge), Asked()
    will = node.death(now_ms())
    spoken = as_sparkplug(messages, group, edge, decode=Decoder(mill).decode, rebirth=asked.again)
    with Publisher(mill.broker, will=(will.topic, will.payload), hear=(node.commands, asked.hear)) as publisher:
        return publish_all(publisher, spoken, speed=speed)


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--for", "seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after so many seconds.")
@click.pass_obj
def record(path: Path, file: Path, seconds: float | None) -> None:
    """Write what the mill's sources send to FILE (.jsonl, .jsonl.gz, .jsonl.zst or .parquet), until interrupted.

    Example: breakhorn --mill mill.toml record night.jsonl.gz --for 3600
    """
    from collector.decode import Decoder  # noqa: PLC0415
    from collector.mqtt.record import record as write_all  # noqa: PLC0415

    stopping = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopping.set())
    if seconds is not None:
        timer = threading.Timer(seconds, stopping.set)
        timer.daemon = True
        timer.start()
    with way_out():
        mill = load_mill(path)
        said = f"Recording from {mill.broker.host}:{mill.broker.port} …"
        filters = Decoder(mill).subscriptions
        written = write_all(
            mill.broker, filters, file, stopping=stopping, ready=lambda: click.echo(said, err=True), progress=_telling()
        )
        click.echo(f"{written} messages in {file}.", err=True)


def _telling() -> Callable[[object], None]:
    """Progress on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return lambda counts: None
    return lambda counts: click.echo(f"\r{counts} …", nl=False, err=True)
