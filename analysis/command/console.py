"""Prints answers for people: the sentence, then tables. Data go to stdout, all else to stderr."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from rich.box import SIMPLE_HEAD
from rich.cells import cell_len
from rich.console import Console, JustifyMethod
from rich.progress import Progress
from rich.table import Table as RichTable
from rich.text import Text

from analysis.result import Result, Table

_COMMANDS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""What a terminal would obey instead of showing it; of control characters only the new line and the tab are text."""

_WIDE = 100
"""Columns where there is neither a terminal to ask nor ``COLUMNS`` in the environment."""
_BETWEEN = 3
"""Columns that the frame of a table takes beside each of its columns."""
NONE = "none"
"""What stands in a table without rows."""


def show(results: Iterable[Result]) -> None:
    """Print answers on stdout; what makes them less than they seem goes with them."""
    console = _console()
    for result in results:
        console.print(Text(visible(result.headline), style="bold"))
        for caution in result.cautions:
            console.print(Text(f"! {visible(caution)}", style="yellow"))
        for table in result.tables:
            show_table(table, console)


def visible(text: str) -> str:
    """A text with what terminals obey as escapes: a tag or a note may say anything."""
    return _COMMANDS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def show_table(table: Table, console: Console | None = None) -> None:
    """Print one table on stdout."""
    console, table = console or _console(), _visible(table)
    shows = table if table.rows else replace(table, rows=((NONE, *[""] * (len(table.columns) - 1)),))
    widths = column_widths(shows, console.width)
    if widths is None:
        _show_blocks(table, console)
        return
    shown = RichTable(title=Text(table.title), box=SIMPLE_HEAD, title_justify="left", title_style="", pad_edge=False)
    for place, column in enumerate(table.columns):
        justify: JustifyMethod = "right" if place in table.numbers else "left"
        shown.add_column(Text(column), justify=justify, overflow="fold", width=widths[place])
    for row in table.rows:
        shown.add_row(*(Text(cell) for cell in row))
    if not table.rows:
        shown.add_row(Text(NONE, style="dim"), *[Text()] * (len(table.columns) - 1))
    console.print(shown)
    if table.note:
        console.print(Text(table.note, style="dim"))


def _visible(table: Table) -> Table:
    return replace(
        table,
        title=visible(table.title),
        columns=tuple(map(visible, table.columns)),
        rows=tuple(tuple(map(visible, row)) for row in table.rows),
        note=visible(table.note),
    )


def column_widths(table: Table, room: int) -> list[int] | None:
    """How wide each column is, the widest being narrowed first; None if a word or a number would have to be broken.

    room
        Columns of the terminal.
    """
    cells = [[column, *(row[place] for row in table.rows)] for place, column in enumerate(table.columns)]
    least = [max(cell_len(word) for cell in column for word in cell.split() or [""]) for column in cells]
    widths = [max(cell_len(line) for cell in column for line in cell.split("\n")) for column in cells]
    room -= _BETWEEN * len(cells)
    if sum(least) > room:
        return None
    while sum(widths) > room:
        widest = max((n for n in range(len(cells)) if widths[n] > least[n]), key=widths.__getitem__)
        widths[widest] -= 1
    return widths


@contextmanager
def reading_progress(what: str = "reading samples") -> Iterator[Callable[[float], None] | None]:
    """A bar on stderr while something goes on, told the share that is done; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda done: bar.update(task, completed=done)


def _show_blocks(table: Table, console: Console) -> None:
    """A table with more columns than the terminal can hold: a block of lines for each row."""
    widest = max(len(column) for column in table.columns)
    for number, row in enumerate(table.rows, start=1):
        console.print(Text(f"row {number} of {len(table.rows)}", style="bold"))
        for column, cell in zip(table.columns, row, strict=True):
            console.print(Text(f"  {column:{widest}}  {cell}"))
    if not table.rows:
        console.print(Text(NONE, style="dim"))
    if table.note:
        console.print(Text(table.note, style="dim"))


def _console() -> Console:
    asked = sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()
    return Console(file=sys.stdout, width=None if asked else _WIDE, highlight=False, markup=False)
