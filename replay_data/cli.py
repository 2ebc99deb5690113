"""The subcommands of the demo mill."""

from __future__ import annotations

import sys
from pathlib import Path

import click

SEED = 20260301
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

    Nothing leaves this computer. The report is one page: report.html in the folder.

    Example: breakhorn demo --days 3 --folder /tmp/ellerholm
    """
    from replay_data.account import account  # noqa: PLC0415
    from replay_data.demo import DemoFailed, Stages, run_stream  # noqa: PLC0415

    if folder.exists() and any(folder.iterdir()):
        raise click.ClickException(f"{folder} is not empty; choose another with --folder, or remove it")
    folder.mkdir(parents=True, exist_ok=True)
    stages = Stages()
    try:
        with stages.timed("simulate, publish and collect"):
            mill = run_stream(folder, days=days, seed=seed, tell=lambda what, done: _tell(what, done, days))
    except (DemoFailed, OSError) as error:
        raise click.ClickException(str(error)) from error
    _end_line()
    for name, arguments in (("time ledger", ["efficiency"]), ("Pareto", ["pareto"])):
        with stages.timed(name):
            _run(mill, arguments)
    with stages.timed("risk replay and report"):
        account(mill, folder / "report.html")
    click.echo(f"{days} days in {stages}", err=True)
    click.echo(f"Report: {folder / 'report.html'}; ask more with: breakhorn --mill {mill} query …", err=True)


def _run(mill: Path, arguments: list[str]) -> None:
    from breakhorn import cli  # noqa: PLC0415

    cli(["--mill", str(mill), *arguments], prog_name="breakhorn", standalone_mode=False)
    click.echo()


def _tell(what: str, done: int, of: int) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r{what}: {done} of {of} days ", nl=False, err=True)


def _end_line() -> None:
    if sys.stderr.isatty():
        click.echo(err=True)
