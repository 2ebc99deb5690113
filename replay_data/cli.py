"""The subcommands of the demo mill."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from replay_data.account import Told

SEED = 20260301
CALLED = "BREAKHORN_CALLED"
"""In the environment, what somebody typed who did not call breakhorn itself: ``run`` sets it."""
NEXT = (
    ("shift", "--shift", "last night"),
    ("pareto", "--by", "crew"),
    ("query", "SELECT started_at, section, lost_s, cause FROM sheet_break ORDER BY lost_s DESC LIMIT 10"),
)
"""What somebody might ask of the demo's store first."""
DAYS = click.option("--days", type=click.IntRange(1, 3660), default=60, show_default=True, help="How many days.")
SEEDED = click.option("--seed", type=int, default=SEED, show_default=True, help="Same seed, same mill history.")


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@DAYS
@SEEDED
@click.option("--jsonl", is_flag=True, help="Write .jsonl.gz instead of .parquet.")
@click.option(
    "--scenario",
    type=click.IntRange(min=0),
    metavar="SEED",
    help="Another mill, its causes of breaks drawn by this seed instead of --seed; its mill.toml goes into FOLDER too.",
)
def simulate(folder: Path, days: int, seed: int, jsonl: bool, scenario: int | None) -> None:
    """Write the demo mill's messages into FOLDER, a file a day, and what truly happened into truth/.

    Example: breakhorn simulate stream --days 3
    """
    from replay_data.write import write_days, write_scenario  # noqa: PLC0415

    suffix = ".jsonl.gz" if jsonl else ".parquet"
    write = write_days if scenario is None else write_scenario
    for done, path in write(folder, days=days, seed=seed if scenario is None else scenario, suffix=suffix):
        _tell("simulated", done, days)
        click.echo(path)


@click.command()
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("breakhorn-demo"),
    show_default=True,
    help="Where streams, store and report go; must not exist yet, or be empty.",
)
@DAYS
@SEEDED
def demo(folder: Path, days: int, seed: int) -> None:
    """Simulate an invented mill, publish it through an embedded broker, collect it, and account for every minute.

    Nothing leaves this computer. The report is report.html in the folder; the terminal shows a page of it.

    Example: breakhorn demo --days 3 --folder /tmp/ellerholm
    """
    from replay_data.account import account  # noqa: PLC0415
    from replay_data.demo import DemoFailed, Stages, run_stream  # noqa: PLC0415

    if folder.exists() and any(folder.iterdir()):
        raise click.ClickException(f"{folder} is not empty; choose another with --folder, or remove it")
    folder.mkdir(parents=True, exist_ok=True)
    stages = Stages()
    click.echo(
        "What the collector warns of meanwhile was planted: messages that are no use, a detector that is blind.",
        err=True,
    )
    try:
        with stages.timed("simulate, publish and collect"):
            mill = run_stream(folder, days=days, seed=seed, tell=lambda what, done: _tell(what, done, days))
    except (DemoFailed, OSError) as error:
        raise click.ClickException(str(error)) from error
    _end_line()
    with stages.timed("figures and report"):
        told = account(mill, folder / "report.html")
    _show(told)
    _where(mill, folder)
    click.echo(f"{days} days in {stages}", err=True)


def _show(told: Sequence[Told]) -> None:
    """A page of the report: the time ledger, and a sentence each on the rest."""
    from analysis.command.console import show  # noqa: PLC0415
    from analysis.result import Table  # noqa: PLC0415
    from analysis.telling.common import SAFETY  # noqa: PLC0415

    for one in told:
        rest = Table(title="What else the report says", columns=("of", "in short"), rows=one.further)
        show([replace(one.time, tables=(*one.time.tables[:1], rest))])
    click.echo(f"Demo data of an invented mill. {SAFETY}\n")


def _where(mill: Path, folder: Path) -> None:
    """Where everything lies, and what to ask next."""
    command = os.environ.get(CALLED) or ("breakhorn" if shutil.which("breakhorn") else sys.argv[0])
    click.echo(f"Report: {folder / 'report.html'} (open it in a browser)")
    click.echo(f"Store:  {folder / 'store' / 'published.duckdb'} (any DuckDB reads it)")
    click.echo("Ask more, for example:")
    for arguments in NEXT:
        click.echo(f"  {shlex.join([command, '--mill', str(mill), *arguments])}")


def _tell(what: str, done: int, of: int) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{what}: {done} of {of} days ", nl=False, err=True)


def _end_line() -> None:
    if sys.stderr.isatty():
        click.echo(err=True)
