"""The options that mean the same in every command, and what they ask for."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

import click

if TYPE_CHECKING:
    from analysis.history import History, Machine
    from analysis.period import Period
    from analysis.read import Store
    from analysis.result import Picture, Result

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which machines and when, as written; and what to give beside the text."""

    machines: tuple[str, ...]
    from_text: str | None
    to_text: str | None
    shift: str | None
    as_json: bool
    html: Path | None
    csv: Path | None
    xlsx: Path | None
    svg: Path | None
    png: Path | None
    demo: bool
    parquet: Path | None

    @property
    def wants_picture(self) -> bool:
        """Whether anything with pictures is to be written."""
        return any((self.html, self.svg, self.png))


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The answers about one machine; ``draw`` gives the pictures of each, and is called only where they are wanted."""

    history: History
    period: Period
    results: tuple[Result, ...]
    draw: Callable[[], Sequence[tuple[Picture, ...]]]


def asks(command: Callable[Concatenate[Asked, P], R]) -> Callable[P, R]:
    """Give a command the common options, gathered as its first argument."""

    @click.option("--machine", "machines", multiple=True, metavar="ID", help="Only this machine; may be repeated.")
    @click.option(
        "--from",
        "from_text",
        metavar="TIME",
        help="Begin: a date, '2026-03-01 06:00' in mill time, today or yesterday. Default: the first data, "
        "where the command names no other.",
    )
    @click.option(
        "--to", "to_text", metavar="TIME", help="End; a date includes that day. Default, and at most: the newest data."
    )
    @click.option(
        "--shift", metavar="SHIFT", help="One shift instead: last, current, 'last night', '2026-03-01 night'."
    )
    @click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
    @click.option(
        "--html",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="Write a self-contained page with pictures as well.",
    )
    @writes("--csv", "--xlsx", "--parquet", "--svg", "--png")
    @click.option("--demo-data", "demo", is_flag=True, help="Mark the page as figures of an invented mill.")
    @functools.wraps(command)
    def with_options(*args: P.args, **kwargs: P.kwargs) -> R:
        written = {name: kwargs.pop(name) for name in Asked.__slots__}
        asked = Asked(**written)  # type: ignore[arg-type]  # click has made them what their options say
        if asked.shift and (asked.from_text or asked.to_text):
            raise click.UsageError("--shift says when; leave out --from and --to")
        return command(asked, *args, **kwargs)

    return with_options


_FILES = {
    "--csv": "Write the tables as CSV; of several tables, one file each: FILE, then FILE-2 …",
    "--xlsx": "Write the tables, their settings and what the words mean as a workbook.",
    "--parquet": "Write the tables as Parquet; of several tables, one file each.",
    "--svg": "Write the picture; of several, one file each: FILE, then FILE-2 …",
    "--png": "The same as PNG.",
}


def writes(*options: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Give a command the options that write files, as many of them as it can serve."""

    def with_files(command: Callable[P, R]) -> Callable[P, R]:
        for option in reversed(options):
            kind = click.Path(dir_okay=False, path_type=Path)
            command = click.option(option, type=kind, metavar="FILE", help=_FILES[option])(command)
        return command

    return with_files


def chosen(
    store: Store, asked: Asked, *, made: bool = True, received: bool = False
) -> Iterator[tuple[History, Period]]:
    """The history of every machine that was asked for, and its period, clipped at its newest data.

    made
        Whether production and attempts are wanted.
    received
        Whether what the collector counted is wanted: only the report tells of it.

    Raises
    ------
    NoSuchTime, NothingThen, CannotRead
        Where what was asked for cannot be; each says what can.
    """
    from analysis.period import NothingThen  # noqa: PLC0415 - commands load when called

    machines = [store.machine(name) for name in asked.machines] or list(store.machines())
    known = [m for m in machines if m.first_ms is not None and m.last_ms is not None]
    if not known:
        raise NothingThen("the store holds no data of any machine asked for; start the collector, or 'breakhorn load'")
    for machine in known:
        period = _period(store, machine, asked)
        yield store.history(machine, period, made=made, received=received), period


def sections_of(store: Store, history: History, section: str | None) -> list[str]:
    """Sections of a machine, from the wet end; one that was asked for must be among them."""
    rows = store.rows(
        "SELECT section FROM sheet_detector WHERE machine = $machine ORDER BY number", machine=history.machine.machine
    )
    sections = list(dict.fromkeys(row["section"] for row in rows))
    known = {*sections, *(d.section for d in history.downtimes)}
    if section is not None and section not in known:
        raise click.UsageError(f"{history.machine.name} has no section {section!r}; it has {', '.join(sections)}")
    return sections


def _period(store: Store, machine: Machine, asked: Asked) -> Period:
    from analysis.period import Period, period_of, shift_of, shift_period, until_horizon  # noqa: PLC0415 - see above

    first_ms, now_ms, zone = machine.first_ms or 0, machine.last_ms or 0, store.mill().zone
    if asked.shift:
        shifts = store.shifts(Period(from_ms=first_ms, to_ms=now_ms + 1))
        return until_horizon(shift_period(shift_of(asked.shift, shifts, zone, now_ms=now_ms)), now_ms)
    return until_horizon(period_of(asked.from_text, asked.to_text, zone, first_ms=first_ms, now_ms=now_ms), now_ms)


@contextmanager
def way_out() -> Iterator[None]:
    """Turn what a person can mend into one line: exit code 2 for what was written wrongly, else 1."""
    from analysis.period import NoSuchTime, NothingThen  # noqa: PLC0415 - see above
    from analysis.read import CannotRead  # noqa: PLC0415 - DuckDB takes a fifth of a second

    try:
        yield
    except NoSuchTime as error:
        raise click.UsageError(str(error)) from error
    except (NothingThen, CannotRead) as error:
        raise click.ClickException(str(error)) from error
    except OSError as error:
        said = f"{error.filename}: {error.strerror}; give another path" if error.filename else str(error)
        raise click.ClickException(said) from error
