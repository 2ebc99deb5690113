"""The subcommand that asks the store in SQL: one's own, a file's, or a question of the cookbook."""

# ruff: noqa: PLC0415 - the command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import functools
import io
import sys
from contextlib import ExitStack
from decimal import Decimal
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from analysis.command.options import way_out

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from duckdb import DuckDBPyConnection

    from analysis.query import Answer, Format

FORMATS = ("table", "json", "jsonl", "csv", "parquet", "arrow", "xlsx")
MOST_TABLE_ROWS = 1_000
_FILE = click.Path(dir_okay=False, path_type=Path)
P = ParamSpec("P")
R = TypeVar("R")


def shaped(command: Callable[P, R]) -> Callable[P, R]:
    """Give a command ``shape`` and ``out``: said by --format and --out, or in the short forms of all other commands."""

    @click.option("--format", "shape", type=click.Choice(FORMATS), help="Default: as FILE ends, else table.")
    @click.option("--out", type=_FILE, metavar="FILE", help="Write here, not to stdout.")
    @click.option("--json", "as_json", is_flag=True, help="The same as --format json.")
    @click.option("--csv", type=_FILE, metavar="FILE", help="The same as --format csv --out FILE.")
    @click.option("--xlsx", type=_FILE, metavar="FILE", help="The same as --format xlsx --out FILE.")
    @click.option("--parquet", type=_FILE, metavar="FILE", help="The same as --format parquet --out FILE.")
    @functools.wraps(command)
    def with_shape(*args: P.args, **kwargs: P.kwargs) -> R:
        short: list[tuple[str, Path | None]] = [("json", None)] if kwargs.pop("as_json") else []
        files = {name: kwargs.pop(name) for name in ("csv", "xlsx", "parquet")}
        short += [(name, Path(str(file))) for name, file in files.items() if file is not None]
        if len(short) + (kwargs["shape"] is not None) > 1 or (kwargs["out"] and any(files.values())):
            raise click.UsageError("give one of --format with --out, --json, --csv, --xlsx and --parquet")
        if short:
            kwargs["shape"], file = short[0]
            kwargs["out"] = kwargs["out"] or file
        return command(*args, **kwargs)

    return with_shape


@click.command()
@click.argument("sql", required=False)
@click.option(
    "--file", "file", type=click.Path(path_type=Path, allow_dash=True), help="Read the SQL here; - for stdin."
)
@click.option("--ask", metavar="NAME", help="A question of the cookbook; --questions lists them.")
@click.option("--questions", "listing", is_flag=True, help="List the questions of the cookbook, and their parameters.")
@click.option("--show", is_flag=True, help="With --ask: print its SQL, values put in, to take elsewhere.")
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
def query(
    path: Path,
    *,
    sql: str | None,
    file: Path | None,
    ask: str | None,
    listing: bool,
    show: bool,
    shape: str | None,
    parameters: tuple[str, ...],
    out: Path | None,
    memory: str,
    time_limit: float,
) -> None:
    """Ask the published store in SQL. Nothing but a SELECT runs, and nothing can be changed by it. Instants are in UTC.

    The cookbook has the questions that people ask most: breakhorn query --ask causes

    Example: breakhorn query "SELECT section, count(*) AS breaks FROM sheet_break GROUP BY section"
    """
    from analysis.read import open_store

    if listing:
        _list_questions()
        return
    text, values = _asked(sql, file, ask, values_of(parameters), show=show)
    if show:
        click.echo(text, nl=False)
        return
    asked = format_of(shape, out)
    with way_out(), open_store(path, memory=memory_of(memory)) as store:
        say_rows(store.connection, text, values, asked, out, seconds=time_limit, meanings=store.meanings)


def values_of(parameters: tuple[str, ...]) -> dict[str, str]:
    """The values of a query's parameters; wrong usage is told before anything is opened."""
    from analysis.query import parameter

    try:
        return dict(parameter(text) for text in parameters)
    except ValueError as error:
        raise click.UsageError(f"--param: {error}") from error


def _asked(
    sql: str | None, file: Path | None, ask: str | None, given: dict[str, str], *, show: bool
) -> tuple[str, dict[str, str]]:
    """The SELECT that is meant, and the values of its parameters."""
    from analysis.cookbook import NoSuchQuestion, question

    if sum(source is not None for source in (sql, file, ask)) != 1:
        raise click.UsageError("give one of: SQL, --file FILE, --ask NAME (and --questions lists the names)")
    if show and ask is None:
        raise click.UsageError("--show belongs to --ask")
    if ask is not None:
        try:
            found = question(ask)
            return (found.with_values(given), {}) if show else (found.sql, found.values(given))
        except NoSuchQuestion as error:
            raise click.UsageError(str(error)) from error
    if file is None:
        return sql or "", given
    if str(file) == "-":
        return sys.stdin.read(), given
    with way_out():
        return file.read_text(encoding="utf-8"), given


def format_of(shape: str | None, out: Path | None) -> Format:
    """As asked for, else as the file ends, else a table."""
    from analysis.query import BINARY, Format

    suffix = "" if out is None else out.suffix.lower().removeprefix(".")
    if shape is None and out is not None and suffix not in FORMATS[1:]:
        raise click.UsageError(f"{out} does not end in a format; say which with --format")
    asked = Format(shape or suffix or "table")
    if asked in BINARY and out is None and sys.stdout.isatty():
        raise click.UsageError(
            f"--format {asked} is nothing for a terminal; say where to with --out FILE, or by a pipe"
        )
    if asked is Format.TABLE and out is not None:
        raise click.UsageError("a table is for the terminal; for a file choose --format csv, xlsx, parquet …")
    return asked


def memory_of(text: str) -> str:
    """The most that may be taken, if it is a size."""
    from analysis.query import is_size

    if not is_size(text):
        raise click.UsageError(f"--memory: {text!r} is no size; write 500MB or 2GB")
    return text


def say_rows(
    connection: DuckDBPyConnection,
    sql: str,
    values: dict[str, str],
    shape: Format,
    out: Path | None,
    *,
    seconds: float,
    meanings: Callable[[], Mapping[str, str]],
) -> None:
    """The rows of a SELECT on a locked-down connection, in the format asked for.

    meanings
        Of columns, by their names; a workbook shows them.
    """
    from analysis.query import BINARY, Refused

    try:
        if shape in BINARY:
            _write_binary(connection, sql, values, shape, out, seconds=seconds, meanings=meanings)
        else:
            _say_text(connection, sql, values, shape, out, seconds=seconds)
    except Refused as error:
        raise click.ClickException(str(error)) from error


def _write_binary(
    connection: DuckDBPyConnection,
    sql: str,
    values: dict[str, str],
    shape: Format,
    out: Path | None,
    *,
    seconds: float,
    meanings: Callable[[], Mapping[str, str]],
) -> None:
    from analysis.command.console import reading_progress
    from analysis.query import frame, written_whole
    from analysis.query_file import write_binary

    with reading_progress("asking") as progress:
        rows = frame(connection, sql, values, seconds=seconds, progress=progress)
    if out is None:
        whole = io.BytesIO()
        write_binary(rows, shape, whole, meanings=meanings())
        sys.stdout.buffer.write(whole.getbuffer())
    else:
        with written_whole(out) as file:
            write_binary(rows, shape, file, meanings=meanings())


def _say_text(
    connection: DuckDBPyConnection, sql: str, values: dict[str, str], shape: Format, out: Path | None, *, seconds: float
) -> None:
    from analysis.command.console import reading_progress
    from analysis.query import Format, answered, text_of, written_whole

    with ExitStack() as stack:
        with reading_progress("asking") as progress:
            answer = stack.enter_context(answered(connection, sql, values, seconds=seconds, progress=progress))
        if shape is Format.TABLE:
            _print_rows(answer)
        elif out is None:
            for piece in text_of(answer, shape):
                sys.stdout.write(piece)
        else:
            with written_whole(out) as file, file.open("w", encoding="utf-8", newline="") as stream:
                for piece in text_of(answer, shape):
                    stream.write(piece)


def _list_questions() -> None:
    from analysis.cookbook import questions

    asker = ""
    for found in questions():
        if found.asker != asker:
            asker = found.asker
            click.echo(f"{asker}:")
        click.echo(f"  {found.name:28} {found.sentence}")
        for setting in found.settings:
            unit = f" [{setting.unit}]" if setting.unit else ""
            click.echo(f"  {'':28}   {setting.name} = {setting.value or '(empty)'}{unit}: {setting.meaning}")


def _print_rows(answer: Answer) -> None:
    """The first rows as a table; stderr says if there were more."""
    from analysis.command.console import show_table
    from analysis.query import cells
    from analysis.result import Table

    rows = list(islice((row for batch in answer.batches for row in batch), MOST_TABLE_ROWS + 1))
    if answer.columns == ("explain_key", "explain_value"):
        # A plan is a drawing: in a table's cell its lines would be folded.
        for _, plan in rows:
            click.echo(plan)
        return
    shown = rows[:MOST_TABLE_ROWS]
    numbers = frozenset(
        place for row in shown for place, value in enumerate(row) if isinstance(value, int | float | Decimal)
    )
    show_table(Table(title="", columns=answer.columns, rows=cells(shown), numbers=numbers))
    if len(rows) > MOST_TABLE_ROWS:
        click.echo(f"only the first {MOST_TABLE_ROWS:,} rows are shown; --format csv gives all", err=True)
