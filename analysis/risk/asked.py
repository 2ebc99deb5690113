"""The options of the risk commands, and what they have in common."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

import click

from analysis.command.give import say
from analysis.command.options import way_out, writes

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from analysis.history import Machine
    from analysis.period import Period
    from analysis.read import Store
    from analysis.result import Result
    from analysis.risk.exposure import Exposure
    from analysis.risk.judge import Judgement
    from analysis.risk.settings import RiskSettings

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which machine and days, on what terms, and what to give beside the text."""

    machines: tuple[str, ...]
    from_text: str | None
    to_text: str | None
    horizon_min: int
    budget: float
    as_json: bool
    csv: Path | None
    xlsx: Path | None
    parquet: Path | None

    @property
    def settings(self) -> RiskSettings:
        """The settings as asked for."""
        from analysis.risk.settings import RiskSettings

        return RiskSettings(horizon_min=self.horizon_min, budget=self.budget)


def asks(command: Callable[Concatenate[Asked, P], R]) -> Callable[P, R]:
    """Give a command the common options, gathered as its first argument."""

    @click.option("--machine", "machines", multiple=True, metavar="ID", help="Only this machine; may be repeated.")
    @click.option("--from", "from_text", metavar="TIME", help="Look at nothing before. Default: the first data.")
    @click.option("--to", "to_text", metavar="TIME", help="Look at nothing after. Default: the newest data.")
    @click.option(
        "--horizon",
        "horizon_min",
        type=click.IntRange(15, 240),
        default=30,
        show_default=True,
        help="A warning says: a break within this. [min]",
    )
    @click.option(
        "--budget",
        type=click.FloatRange(0, 3, min_open=True),
        default=1.0,
        show_default=True,
        help="False warnings to bear in 12 hours, on average.",
    )
    @click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
    @writes("--csv", "--xlsx", "--parquet")
    @functools.wraps(command)
    def with_options(*args: P.args, **kwargs: P.kwargs) -> R:
        asked = Asked(**{name: kwargs.pop(name) for name in Asked.__slots__})  # type: ignore[arg-type]  # click's types
        return command(asked, *args, **kwargs)

    return with_options


def judged(path: Path, asked: Asked) -> Iterator[tuple[Machine, ZoneInfo, Exposure, Judgement, Judgement]]:
    """Every machine asked for with its exposure table, its judgement, and that of unrelated tags."""
    from analysis.period import period_of
    from analysis.read import open_store
    from analysis.risk.exposure import build
    from analysis.risk.judge import judge_with_null

    with said(), open_store(path) as store:
        zone = store.mill().zone
        for machine in machines_of(store, asked.machines):
            first_ms, last_ms = machine.first_ms or 0, machine.last_ms or 0
            period = period_of(asked.from_text, asked.to_text, zone, first_ms=first_ms, now_ms=last_ms)
            exposure = build(
                store.connection, machine.machine, asked.settings, from_ms=period.from_ms, until_ms=period.to_ms + 1
            )
            judgement, null = judge_with_null(exposure)
            yield machine, zone, exposure, judgement, null


def machines_of(store: Store, names: tuple[str, ...]) -> list[Machine]:
    """The machines asked for, or all; without those that have no data."""
    machines = [store.machine(name) for name in names] or list(store.machines())
    return [m for m in machines if m.first_ms is not None]


def card_file(path: Path, machine: str) -> Path:
    """Where a machine's model is, unless somebody says otherwise: beside mill.toml."""
    return path.resolve().parent / "risk" / f"{machine}.json"


def shift_asked(store: Store, machine: Machine, text: str) -> Period:
    """The period of a written shift."""
    from analysis.period import Period, shift_of, shift_period

    first_ms, last_ms = machine.first_ms or 0, machine.last_ms or 0
    shifts = store.shifts(Period(from_ms=first_ms, to_ms=last_ms + 1))
    return shift_period(shift_of(text, shifts, store.mill().zone, now_ms=last_ms))


@contextmanager
def said() -> Iterator[None]:
    """Turn what a person can mend into one line with the way out."""
    from analysis.broker.address import NoPassword
    from analysis.risk.card import BadCard
    from analysis.risk.exposure import NothingToLearn
    from analysis.risk.retrain import TooSoon
    from analysis.risk.split import TooFewBreaks
    from analysis.risk.suppose import NoSuchFactor
    from analysis.risk.watch import UnfitModel

    with way_out():
        try:
            yield
        except (NothingToLearn, TooFewBreaks) as error:
            raise click.ClickException(f"{error}; wait for more data, or widen --from and --to") from error
        except TooSoon as error:
            raise click.ClickException(f"{error}; wait for more data") from error
        except (BadCard, UnfitModel, NoPassword) as error:
            raise click.ClickException(str(error)) from error
        except NoSuchFactor as error:
            raise click.UsageError(str(error)) from error


def give(name: str, results: list[Result], *, as_json: bool) -> None:
    """Print answers, as text or JSON, with the safety notice."""
    say(name, results, as_json=as_json)
    if not as_json:
        from analysis.telling.common import SAFETY

        click.echo(SAFETY, err=True)


def of_machine(machine: Machine, result: Result) -> Result:
    """The answer with its machine among the values, for programs and files."""
    from dataclasses import replace

    return replace(result, values={"machine": machine.machine} | result.values)


def write_files(path: Path, name: str, asked: Asked, results: list[Result]) -> None:
    """Write the tables of answers to the files asked for, if any."""
    files = {"csv_file": asked.csv, "xlsx_file": asked.xlsx, "parquet_file": asked.parquet}
    if not any(files.values()):
        return
    from analysis.command.export import write_tables
    from analysis.period import Period
    from analysis.read import open_store

    with way_out(), open_store(path) as store:
        machines = machines_of(store, asked.machines)
        periods = (Period(from_ms=m.last_ms or 0, to_ms=(m.last_ms or 0) + 1) for m in machines)
        histories = [store.history(m, p, made=False) for m, p in zip(machines, periods, strict=True)]
        for line in write_tables(name, histories, results, **files):
            click.echo(line, err=True)
