"""The subcommand that asks all mills at once. Everything click knows of the fleet is here."""
# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from analysis.command.options import way_out
from analysis.query_cli import format_of, memory_of, say_rows, shaped, values_of

DAY = click.DateTime(formats=["%Y-%m-%d"])


@click.command()
@click.argument("sql", required=False)
@click.option("--lake", type=click.Path(file_okay=False, path_type=Path), envvar="BREAKHORN_LAKE", show_envvar=True,
              help="The lake's folder; default: that of mill.toml's [lake].")  # fmt: skip
@click.option("--ask", metavar="NAME", help="A ready question; --questions lists them.")
@click.option("--questions", "listing", is_flag=True, help="List the ready questions.")
@click.option("--from", "first", type=DAY, help="First day (UTC) of samples that are looked at; it opens sooner then.")
@click.option("--to", "last", type=DAY, help="Last day (UTC) of samples that are looked at.")
@shaped
@click.option("--param", "parameters", multiple=True, metavar="NAME=VALUE", help="Value of $NAME; may be repeated.")
@click.option("--memory", default="1GB", show_default=True, help="The most it may take.")
@click.option(
    "--time-limit",
    type=click.FloatRange(0.1),
    default=60.0,
    show_default=True,
    help="The longest it may take; on stdout the first rows may stand then, and the exit code is 1. [s]",
)
@click.pass_obj
def fleet(
    path: Path,
    *,
    sql: str | None,
    lake: Path | None,
    ask: str | None,
    listing: bool,
    first: datetime | None,
    last: datetime | None,
    shape: str | None,
    parameters: tuple[str, ...],
    out: Path | None,
    memory: str,
    time_limit: float,
) -> None:
    """Ask all mills of a lake in SQL: the views of 'query', with the mill's name as their first column.

    Nothing but a SELECT runs. Instants are in UTC; each mill's time zone and currency stand in the view mill.

    Ten questions are ready: breakhorn fleet --lake /mnt/lake --ask breaks_a_day

    Example: breakhorn fleet --lake /mnt/lake "SELECT mill, machine, count(*) AS breaks FROM sheet_break GROUP BY ALL"
    """
    from analysis.fleet.opening import lake_folder, open_lake
    from analysis.fleet.questions import NoSuchQuestion, question_sql, questions

    if listing:
        for name, sentence in questions().items():
            click.echo(f"{name:24} {sentence}")
        return
    if (sql is None) == (ask is None):
        raise click.UsageError("give one of: SQL, --ask NAME (and --questions lists the names)")
    values, form = values_of(parameters), format_of(shape, out)
    try:
        asked = sql or question_sql(str(ask))
    except NoSuchQuestion as error:
        raise click.UsageError(str(error)) from error
    days = {"first": first.date() if first else None, "last": last.date() if last else None}
    with way_out(), open_lake(lake_folder(path, lake), memory=memory_of(memory), **days) as opened:
        for fault in opened.faults:
            click.echo(f"Not all is counted: {fault}", err=True)
        say_rows(opened.connection, asked, values, form, out, seconds=time_limit, meanings=dict)
