"""The subcommands of ``risk``. All that click knows of the model is here; other modules do the work."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.command.options import way_out
from analysis.risk.asked import Asked, asks, card_file, give, judged, machines_of, of_machine, shift_asked, write_files
from analysis.risk.live_cli import drift, live, now, retrain, what_if

if TYPE_CHECKING:
    from analysis.history import Machine
    from analysis.result import Result, RiskSection
    from analysis.risk.judge import Judgement


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def risk() -> None:
    """Foresee breaks, and judge the foresight break by break before anyone listens to it.

    Advisory only: never enter, reach into or thread the machine on the strength of it.

    Example: breakhorn risk judge
    """


for further in (live, now, drift, retrain, what_if):
    risk.add_command(further)


@risk.command()
@asks
@click.pass_obj
def judge(path: Path, asked: Asked) -> None:
    """Whether the model beats the plain rules, judged forward in time.

    Example: breakhorn risk judge --budget 2
    """
    from analysis.risk.tell import subject_of, tell_judgement

    results = []
    for machine, zone, _, judgement, null in judged(path, asked):
        told = tell_judgement(subject_of(machine.name, judgement, zone), judgement, null)
        results.append(of_machine(machine, told))
    give("risk judge", results, as_json=asked.as_json)
    write_files(path, "risk judge", asked, results)


@risk.command()
@click.option(
    "--html", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Write a page with the picture too."
)
@click.option("--demo-data", "demo", is_flag=True, help="Mark the page as figures of an invented mill.")
@click.option("--shift", metavar="SHIFT", help="Show one shift only: last, 'last night', '2026-03-01 night'.")
@asks
@click.pass_obj
def replay(path: Path, asked: Asked, html: Path | None, demo: bool, shift: str | None) -> None:
    """The judged days as they would have gone: every warning with its reasons, every break hit or missed.

    Example: breakhorn risk replay --html risk.html
    """
    from analysis.read import open_store
    from analysis.risk.replay import replay as replayed_of
    from analysis.risk.replay import within
    from analysis.risk.section import risk_section
    from analysis.risk.tell import subject_of, tell_replay
    from analysis.risk.tell_shift import tell_shift

    with way_out(), open_store(path) as store:
        demo = demo or store.mill().demo
        shifts = {m.machine: shift_asked(store, m, shift) for m in machines_of(store, asked.machines) if shift}
    results: list[Result] = []
    sections: list[tuple[Machine, Judgement, RiskSection]] = []
    for machine, zone, exposure, judgement, null in judged(path, asked):
        replayed = replayed_of(exposure, judgement)
        if (asked_shift := shifts.get(machine.machine)) is None:
            told = tell_replay(subject_of(machine.name, judgement, zone), judgement, replayed, zone, null)
        else:
            with way_out():
                replayed = within(replayed, asked_shift)
            told = tell_shift(machine.name, asked_shift, judgement, replayed, zone, null)
        results.append(of_machine(machine, told))
        if html is not None:
            name = f"risk{len(sections)}"
            section = risk_section(exposure, judgement, replayed, zone, null=null, demo=demo, name=name)
            sections.append((machine, judgement, section))
    give("risk replay", results, as_json=asked.as_json)
    write_files(path, "risk replay", asked, results)
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

    The file holds numbers only. It is marked fit for live warnings only if the model beats the plain rules. The one
    before it is kept as risk/<machine>.previous.json.

    Example: breakhorn risk fit --out pm2-risk.json
    """
    from dataclasses import replace

    from analysis.risk.card import fit as card_of
    from analysis.risk.explain import partial_effects
    from analysis.risk.retrain import put_in_place
    from analysis.risk.tell import effect_table, effect_values, learnt_said, subject_of, tell_judgement

    if out is not None and len(asked.machines) > 1:
        raise click.UsageError("--out names one file; fit one machine at a time with --machine ID")
    results = []
    for machine, zone, exposure, judgement, null in judged(path, asked):
        card = card_of(exposure, judgement, made_ms=time.time_ns() // 1_000_000)
        put_in_place(card, file := out or card_file(path, machine.machine))
        effects = partial_effects(card.model, card.again)
        told = tell_judgement(subject_of(machine.name, judgement, zone), judgement, null)
        tables = (*told.tables, effect_table(effects))
        values = told.values | {"model_id": card.model_id, "effects": effect_values(effects)}
        fitted = replace(told, title="Break risk, fitted", tables=tables, values=values)
        results.append(of_machine(machine, fitted))
        click.echo(f"wrote {file}: learnt from {learnt_said(exposure)}", err=True)
    give("risk fit", results, as_json=asked.as_json)
    write_files(path, "risk fit", asked, results)


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
