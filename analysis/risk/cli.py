"""The subcommands of ``risk``. All that click knows of the model is here; other modules do the work."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import functools
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

import click

from analysis.options import way_out, writes

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from analysis.history import Machine
    from analysis.read import Store
    from analysis.result import Result, RiskSection
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
    @writes("--csv", "--xlsx")
    @functools.wraps(command)
    def with_options(*args: P.args, **kwargs: P.kwargs) -> R:
        asked = Asked(**{name: kwargs.pop(name) for name in Asked.__slots__})  # type: ignore[arg-type]  # click's types
        return command(asked, *args, **kwargs)

    return with_options


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def risk() -> None:
    """Foresee breaks, and judge the foresight break by break before anyone listens to it.

    Advisory only: never enter, reach into or thread the machine on the strength of it.

    Example: breakhorn risk judge
    """


@risk.command()
@asks
@click.pass_obj
def judge(path: Path, asked: Asked) -> None:
    """Whether the model beats the plain rules, judged forward in time.

    Example: breakhorn risk judge --budget 2
    """
    from analysis.risk.tell import subject_of, tell_judgement

    results = []
    for machine, zone, _, judgement, null in _judged(path, asked):
        results.append(_of(machine, tell_judgement(subject_of(machine.name, judgement, zone), judgement, null)))
    _give(path, "risk judge", asked, results)


@risk.command()
@click.option(
    "--html", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write a page with the picture too."
)
@click.option("--demo-data", "demo", is_flag=True, help="Mark the page as figures of an invented mill.")
@asks
@click.pass_obj
def replay(path: Path, asked: Asked, html: Path | None, demo: bool) -> None:
    """The judged days as they would have gone: every warning with its reasons, every break hit or missed.

    Example: breakhorn risk replay --html risk.html
    """
    from analysis.read import open_store
    from analysis.risk.replay import replay as replayed_of
    from analysis.risk.section import risk_section
    from analysis.risk.tell import subject_of, tell_replay

    with way_out(), open_store(path) as store:
        demo = demo or store.mill().demo
    results: list[Result] = []
    sections: list[tuple[Machine, Judgement, RiskSection]] = []
    for machine, zone, exposure, judgement, null in _judged(path, asked):
        replayed = replayed_of(exposure, judgement)
        told = tell_replay(subject_of(machine.name, judgement, zone), judgement, replayed, zone, null)
        results.append(_of(machine, told))
        if html is not None:
            name = f"risk{len(sections)}"
            section = risk_section(exposure, judgement, replayed, zone, null=null, demo=demo, name=name)
            sections.append((machine, judgement, section))
    _give(path, "risk replay", asked, results)
    if html is not None:
        _write_page(path, html, sections, demo=demo)


@risk.command()
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Where the model goes. Default: risk/<machine>.json beside mill.toml.",
)
@asks
@click.pass_obj
def fit(path: Path, asked: Asked, out: Path | None) -> None:
    """Fit the additive model on everything so far, say what drives the breaks, and keep it with its model card.

    The file holds numbers only. It is marked fit for live warnings only if the model beats the plain rules.

    Example: breakhorn risk fit --out pm2-risk.json
    """
    from dataclasses import replace

    from analysis.risk.card import fit as card_of
    from analysis.risk.card import save
    from analysis.risk.explain import partial_effects
    from analysis.risk.tell import effect_table, learnt_said, subject_of, tell_judgement

    if out is not None and len(asked.machines) > 1:
        raise click.UsageError("--out names one file; fit one machine at a time with --machine ID")
    results = []
    for machine, zone, exposure, judgement, null in _judged(path, asked):
        card = card_of(exposure, judgement, made_ms=time.time_ns() // 1_000_000)
        file = out or path.resolve().parent / "risk" / f"{machine.machine}.json"
        file.parent.mkdir(parents=True, exist_ok=True)
        save(card, file)
        effects = partial_effects(exposure, card.model, card.penalty, card.calibration.slope)
        told = tell_judgement(subject_of(machine.name, judgement, zone), judgement, null)
        fitted = replace(told, title="Break risk, fitted", tables=(*told.tables, effect_table(effects)))
        results.append(_of(machine, fitted))
        click.echo(f"wrote {file}: learnt from {learnt_said(exposure)}", err=True)
    _give(path, "risk fit", asked, results)


def _judged(path: Path, asked: Asked) -> Iterator[tuple[Machine, ZoneInfo, Exposure, Judgement, Judgement]]:
    from analysis.period import period_of
    from analysis.read import open_store
    from analysis.risk.exposure import build
    from analysis.risk.judge import judge_with_null

    with _said(), open_store(path) as store:
        zone = store.mill().zone
        for machine in _machines(store, asked):
            first_ms, last_ms = machine.first_ms or 0, machine.last_ms or 0
            period = period_of(asked.from_text, asked.to_text, zone, first_ms=first_ms, now_ms=last_ms)
            exposure = build(
                store.connection, machine.machine, asked.settings, from_ms=period.from_ms, until_ms=period.to_ms + 1
            )
            judgement, null = judge_with_null(exposure)
            yield machine, zone, exposure, judgement, null


def _machines(store: Store, asked: Asked) -> list[Machine]:
    machines = [store.machine(name) for name in asked.machines] or list(store.machines())
    return [m for m in machines if m.first_ms is not None]


@contextmanager
def _said() -> Iterator[None]:
    from analysis.risk.exposure import NothingToLearn
    from analysis.risk.split import TooFewBreaks

    with way_out():
        try:
            yield
        except (NothingToLearn, TooFewBreaks) as error:
            raise click.ClickException(f"{error}; wait for more data, or widen --from and --to") from error


def _of(machine: Machine, result: Result) -> Result:
    """The answer with its machine among the values, for programs and files."""
    from dataclasses import replace

    return replace(result, values={"machine": machine.machine} | result.values)


def _give(path: Path, name: str, asked: Asked, results: list[Result]) -> None:
    if asked.as_json:
        answers = [r.values | {"sentence": r.headline} for r in results]
        click.echo(json.dumps({"answer": name, "results": answers}, indent=2))
    else:
        from analysis.console import show
        from analysis.telling.common import SAFETY

        show(results)
        click.echo(SAFETY, err=True)
    if asked.csv or asked.xlsx:
        _write_tables(path, name, asked, results)


def _write_tables(path: Path, name: str, asked: Asked, results: list[Result]) -> None:
    from analysis.export import write_tables
    from analysis.period import Period
    from analysis.read import open_store

    with way_out(), open_store(path) as store:
        machines = _machines(store, asked)
        periods = (Period(from_ms=m.last_ms or 0, to_ms=(m.last_ms or 0) + 1) for m in machines)
        histories = [store.history(m, p, made=False) for m, p in zip(machines, periods, strict=True)]
        for line in write_tables(name, histories, results, csv_file=asked.csv, xlsx_file=asked.xlsx):
            click.echo(line, err=True)


def _write_page(path: Path, file: Path, sections: list[tuple[Machine, Judgement, RiskSection]], *, demo: bool) -> None:
    from analysis.period import Period
    from analysis.read import open_store
    from analysis.report import chapter_of, page, risk_part

    with way_out(), open_store(path) as store:
        chapters = []
        for machine, judgement, section in sections:
            period = Period(from_ms=judgement.from_ms, to_ms=judgement.to_ms)
            chapters.append(chapter_of(store.history(machine, period), period, [risk_part(section)]))
        mill = store.mill()
        file.write_text(page(mill.name, "break risk", chapters, demo=demo or mill.demo), encoding="utf-8")
    click.echo(f"wrote {file}", err=True)
