"""The options by which a person says how files of history are to be read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from collector.history.layout import DELIMITERS, ENCODINGS
from collector.history.options import Ambiguous, HistoryOptions
from collector.history.signs import THOUSANDS

F = TypeVar("F", bound=Callable[..., Any])

_SIGNS = {word: sign for sign, word in DELIMITERS.items()}

_OPTIONS = (
    click.option(
        "--what",
        type=click.Choice(["samples", "lab", "clothing", "order", "note"]),
        help='What the tables hold, where their columns leave a doubt; "lab" for one column a test.',
    ),
    click.option("--machine", help="Whose history it is, where the file has no column for it."),
    click.option("--time-zone", help='Of times without an offset; default: the mill\'s. An IANA name, or "+02:00".'),
    click.option(
        "--ambiguous",
        type=click.Choice([str(rule) for rule in Ambiguous]),
        help="Local times that the clock shows twice: take the earlier or the later; or reject those, and those that "
        "it never shows. Without it such a file is not taken.",
    ),
    click.option("--time-format", help='In the letters of strptime, as "%d.%m.%Y %H:%M:%S"; or unix-ms, unix-s.'),
    click.option("--time-column", help='Name of the time\'s column; "date+clock" for two.'),
    click.option("--delimiter", help="Between columns: comma, semicolon, tab, bar, or the sign itself."),
    click.option("--decimal", type=click.Choice(["comma", "point"]), help="The decimal sign."),
    click.option(
        "--thousands", type=click.Choice(sorted(THOUSANDS)), help="What sets thousands apart, as in 12 345 or 1.234,5."
    ),
    click.option("--bad", help='More words that stand for a bad value: "Kalibrierung,Sensor off".'),
    click.option("--true", "true_", help='More words for true, as a sheet detector\'s "ON".'),
    click.option("--false", "false_", help="More words for false."),
    click.option("--any-unit", is_flag=True, help="Take values though their unit or range is not mill.toml's."),
    click.option("--encoding", type=click.Choice(ENCODINGS), help="Of a text file; default: UTF-8."),
    click.option("--names", help='The columns\' names, for a file without them: "ts,tag,value".'),
    click.option("--names-line", type=click.IntRange(min=1), help="The line with the columns' names, from 1."),
)


def history_options(command: F) -> F:
    """Add all options to a command; it gets them as keyword arguments, for ``options_from``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def options_from(said: dict[str, Any]) -> HistoryOptions:
    """The options as values.

    Raises
    ------
    click.UsageError
        For a delimiter of more than one sign.
    """
    delimiter = said["delimiter"]
    delimiter = _SIGNS.get(delimiter, delimiter)
    if delimiter is not None and len(delimiter) != 1:
        raise click.UsageError(f"--delimiter must be one sign, or one of {', '.join(_SIGNS)}")
    rule, decimal = said["ambiguous"], said["decimal"]
    return HistoryOptions(
        machine=said["machine"],
        time_zone=said["time_zone"],
        ambiguous=None if rule is None else Ambiguous(rule),
        time_format=said["time_format"],
        time_column=said["time_column"],
        delimiter=delimiter,
        decimal=None if decimal is None else {"comma": ",", "point": "."}[decimal],
        thousands=said["thousands"],
        encoding=said["encoding"],
        names=_words(said["names"]),
        names_line=said["names_line"],
        bad=_words(said["bad"]),
        true=_words(said["true_"]),
        false=_words(said["false_"]),
        any_unit=said["any_unit"],
        what=said["what"],
    )


def _words(text: str | None) -> tuple[str, ...]:
    return () if text is None else tuple(word.strip() for word in text.split(","))
