"""The subcommand ``rebuild``."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from collector.clock import now_ms
from collector.settings import Mill, load_mill
from collector.way_out import way_out

if TYPE_CHECKING:
    from collector.rebuild import Progress, Rebuilt


@click.command()
@click.option("--machine", "machines", multiple=True, help="Only this machine; may be given several times.")
@click.option("--present-settings", is_flag=True, help="Judge all of the time by mill.toml as it is now.")
@click.option("--dry-run", is_flag=True, help="Say what would change; change nothing.")
@click.option("--json", "as_json", is_flag=True, help="What changed, as JSON.")
@click.pass_obj
def rebuild(path: Path, machines: tuple[str, ...], *, present_settings: bool, dry_run: bool, as_json: bool) -> None:
    """Work out downtimes, attempts, states and production again from the stored samples, late ones included.

    Stop the collector before. Each time is judged by the settings of then, unless told otherwise. Crew notes stay
    with their downtimes; those that are left without one are listed. Interrupted, a machine has its old rows or its
    new ones.

    Example: breakhorn --mill mill.toml rebuild --machine pm2 --dry-run
    """
    from collector.rebuild import SamplesGone, SettingsChanged  # noqa: PLC0415  (DuckDB takes a fifth of a second)
    from collector.rebuild.wording import as_dict, lines  # noqa: PLC0415

    with way_out():
        mill = load_mill(path)
        chosen = machines or tuple(machine.id for machine in mill.machines)
        unknown = [machine for machine in chosen if machine not in {known.id for known in mill.machines}]
        if unknown:
            raise click.BadParameter(f"mill.toml names no machine {unknown[0]}", param_hint="--machine")
        try:
            every = _rebuild(mill, chosen, present_settings=present_settings, dry_run=dry_run)
        except (SamplesGone, SettingsChanged) as error:
            raise click.ClickException(str(error)) from error
    if as_json:
        click.echo(json.dumps([as_dict(done) for done in every], indent=2, default=str))
        return
    for done in every:
        for line in lines(done):
            click.echo(line)


def _rebuild(mill: Mill, machines: tuple[str, ...], *, present_settings: bool, dry_run: bool) -> list[Rebuilt]:
    from collector.publish import publish  # noqa: PLC0415
    from collector.rebuild import rebuild as work_out  # noqa: PLC0415
    from collector.store import Store  # noqa: PLC0415

    open_store = Store.look if dry_run else Store.open
    with open_store(mill.store.folder, mill, now_ms=now_ms()) as store:
        every = [
            work_out(
                store,
                mill,
                machine,
                now_ms=now_ms(),
                present_settings=present_settings,
                dry_run=dry_run,
                tell=_telling(),
            )
            for machine in machines
        ]
        if not dry_run:
            publish(store, mill, now_ms=now_ms())
    return every


def _telling() -> Callable[[Progress], None]:
    """Progress on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return lambda progress: None
    return lambda progress: click.echo(f"\r{progress} …", nl=False, err=True)
