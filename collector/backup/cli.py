"""The subcommands ``backup`` and ``restore``."""

from __future__ import annotations

import sys
from importlib import metadata
from pathlib import Path

import click

from collector.settings import load_mill
from collector.way_out import way_out

FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("folder", type=FOLDER)
@click.option("--wait", "wait_s", type=click.FloatRange(min=1), default=60.0, show_default=True,
    help="For the collector to hand over its tables. [s]")  # fmt: skip
@click.pass_obj
def backup(path: Path, folder: Path, wait_s: float) -> None:
    """Copy the store into FOLDER, which must be new, while the collector runs or not; then check the copy.

    It holds all that was committed at one instant: samples, breaks, notes, what the trackers had under way, and
    mill.toml. Cut off, the same command goes on where it was.

    Example: breakhorn --mill mill.toml backup backups/monday
    """
    from collector.backup import BackupFault, BackupUnderWay, take  # noqa: PLC0415

    with way_out():
        mill = load_mill(path)
        try:
            made = take(
                path, mill.store.folder, folder, version=metadata.version("breakhorn"), wait_s=wait_s,
                progress=_progress,
            )  # fmt: skip
        except (BackupFault, BackupUnderWay) as error:
            raise click.ClickException(str(error)) from error
    size = sum(file.bytes for file in made.files)
    click.echo(f"{folder}: {len(made.files)} files, {size / 1e6:,.1f} MB, checked; data to {made.data_to or '(none)'}")


@click.command()
@click.argument("backup_folder", metavar="BACKUP", type=FOLDER)
@click.pass_obj
def restore(path: Path, backup_folder: Path) -> None:
    """Bring a backup back into the store's folder of mill.toml, which must be empty or not there.

    Started after it, the collector goes on from the instant of the backup. What it had acknowledged to the broker since
    is not in it; what the broker still holds comes by itself.

    Example: breakhorn --mill mill.toml restore backups/monday
    """
    from collector.backup import BackupFault  # noqa: PLC0415
    from collector.backup import restore as bring_back  # noqa: PLC0415

    with way_out():
        mill = load_mill(path)
        try:
            found = bring_back(mill, backup_folder, progress=_progress)
        except BackupFault as error:
            raise click.ClickException(str(error)) from error
    click.echo(f"{mill.store.folder}: as of {found.made_at}, data to {found.data_to or '(none)'}")


def _progress(done: int, of_all: int) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{done} of {of_all} files …", nl=done == of_all, err=True)
