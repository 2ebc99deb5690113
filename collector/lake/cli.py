"""The subcommands around a lake, on the side of the collectors that write it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from collector.clock import now_ms
from collector.settings import Mill, load_mill
from collector.way_out import way_out

if TYPE_CHECKING:
    from collector.settings.model.service import LakeSettings


@click.group()
def lake() -> None:
    """A lake that several collectors write and 'breakhorn fleet' reads: make it, copy to it, hand machines over.

    The collector copies by itself once mill.toml has [lake] folder; what is here is for people.

    Example: breakhorn lake copy
    """


@lake.command()
@click.pass_obj
def make(path: Path) -> None:
    """Make the folder that [lake] names a lake. Once, from any machine: an unmounted folder is never taken for one.

    Example: breakhorn lake make
    """
    from collector.lake.place import make_lake  # noqa: PLC0415

    with way_out(), _said():
        _, settings = _lake_of(path)
        make_lake(settings.folder)
        click.echo(f"{settings.folder} is a lake.", err=True)


@lake.command()
@click.pass_obj
def copy(path: Path) -> None:
    """Copy now what is published and the lake lacks, beside a running collector or without one.

    Example: breakhorn lake copy
    """
    from collector.lake.round import copy_round  # noqa: PLC0415

    with way_out(), _said():
        mill, settings = _lake_of(path)
        done = copy_round(mill, now_ms=now_ms())
        click.echo(f"{done.files} files with {done.rows} rows are new in {settings.folder}.", err=True)
        if done.troubles:
            raise click.ClickException("\n".join(done.troubles))


@lake.command()
@click.argument("machine")
@click.option(
    "--from", "from_at", metavar="TIME", help="Since when (RFC 3339 with offset); default: its first data here."
)
@click.option("--had-by", metavar="WRITER", help="Whose it was before, if several have it.")
@click.pass_obj
def take(path: Path, machine: str, from_at: str | None, had_by: str | None) -> None:
    """Say that MACHINE has moved to this collector: from then on the lake takes it from here, until then from there.

    Example: breakhorn lake take pm2 --from 2026-03-05T10:00:00+02:00
    """
    from collector.lake.handover import take_over  # noqa: PLC0415

    with way_out(), _said():
        mill, _ = _lake_of(path)
        said = take_over(mill, machine, from_at=_instant(from_at), had_by=had_by, now_ms=now_ms())
        for line in said:
            click.echo(f"{machine} is {line.writer!r}'s from {line.from_at or 'the beginning'} on.")


@lake.command()
@click.pass_obj
def check(path: Path) -> None:
    """Read every file that the lake's manifests name, of all writers, and compare it with what they say of it.

    Example: breakhorn lake check
    """
    from collector.lake.checking import check_lake  # noqa: PLC0415

    with way_out(), _said():
        _, settings = _lake_of(path)
        found = check_lake(settings.folder)
        for fault in found.faults:
            click.echo(fault)
        said = f"{found.files} files, {found.rows} rows, written by {found.writers}"
        if found.faults:
            raise click.ClickException(
                f"{said}: " + ("1 fault" if len(found.faults) == 1 else f"{len(found.faults)} faults")
            )
        click.echo(f"{said}: all as their manifests say.", err=True)


@contextmanager
def _said() -> Iterator[None]:
    """Faults of the lake as one line with the way out."""
    from collector.lake.place import LakeFault  # noqa: PLC0415

    try:
        yield
    except LakeFault as error:
        raise click.ClickException(str(error)) from error


def _lake_of(path: Path) -> tuple[Mill, LakeSettings]:
    mill = load_mill(path)
    if mill.lake is None:
        raise click.ClickException(f'{path} names no lake: add [lake] with folder = "…"')
    return mill, mill.lake


def _instant(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise click.UsageError(f"--from: {text!r} is no time; write 2026-03-05T10:00:00+02:00") from None
    if at.tzinfo is None:
        raise click.UsageError(f"--from: {text!r} needs an offset, such as Z or +02:00")
    return at.astimezone(UTC)
