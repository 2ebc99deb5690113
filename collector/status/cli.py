"""The subcommand ``status``."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from collector.settings import load_mill
from collector.way_out import way_out


@click.command()
@click.option("--json", "as_json", is_flag=True, help="All of it as JSON.")
@click.option(
    "--wait", "wait_s", type=click.FloatRange(min=0.1), default=2.0, show_default=True, help="For the broker. [s]"
)
@click.option(
    "--silent-after", "silent_after_s", type=click.FloatRange(min=1), default=900.0, show_default=True,
    help="A machine without data for longer than this is not well. [s]",
)  # fmt: skip
@click.pass_obj
def status(path: Path, *, as_json: bool, wait_s: float, silent_after_s: float) -> None:
    """Say what the collector is doing, and exit with 0 if all is well, with 1 if not: the last line says why.

    It reads the published store and what the broker holds of the collector's own words; it changes nothing. Times are
    by the mill's clock; JSON gives both, in UTC and by the mill's clock.

    Example: breakhorn --mill mill.toml status --json
    """
    from collector import status as asked  # noqa: PLC0415  (DuckDB and paho, only when they are needed)

    with way_out():
        mill = load_mill(path)
        stored = asked.look(mill.store.folder)
        machines = tuple(machine.id for machine in mill.machines)
        heard = asked.listen(mill.broker, mill.topic_root, machines, wait_s=wait_s)
    found = asked.judge(mill, stored, heard, now_ms=time.time_ns() // 1_000_000, silent_after_s=silent_after_s)
    zone = ZoneInfo(mill.time_zone)
    click.echo(json.dumps(asked.as_json(found, zone), indent=2) if as_json else asked.as_text(found, zone))
    if not found.healthy:
        sys.exit(1)
