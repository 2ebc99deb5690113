"""What the demo says at its end: the risk replay in the terminal, and everything in one page, the model judged once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from analysis.console import show
from analysis.evidence.brief import in_short
from analysis.history import Machine
from analysis.judging import broke_stock, judged
from analysis.ledger import ledger
from analysis.period import Period
from analysis.read import Store, open_store
from analysis.report import page, report_chapter
from analysis.result import RiskSection
from analysis.risk.exposure import NothingToLearn, build
from analysis.risk.judge import judge_with_null
from analysis.risk.replay import replay
from analysis.risk.section import risk_section
from analysis.risk.settings import RiskSettings
from analysis.risk.split import TooFewBreaks
from analysis.risk.tell import subject_of, tell_replay
from analysis.telling.broke import tell_broke
from analysis.telling.common import SAFETY

_NEWEST = 12
"""Rows of the long tables (each break, each warning) that are shown in the terminal; the page has the picture."""


def account(mill: Path, html: Path) -> None:
    """Judge and replay break risk for each machine, print it, and write the report of all. Marked as demo data."""
    with open_store(mill) as store:
        chapters = []
        for machine in store.machines():
            period = Period(from_ms=machine.first_ms or 0, to_ms=machine.last_ms or 1)
            section = risk_replayed(store, machine, period, store.mill().zone)
            history = store.history(machine, period)
            paper = judged(store, history, period)
            told = tell_broke(history, ledger(history, period), *broke_stock(store, history, period))
            evidence = in_short(store, history, period)
            chapters.append(report_chapter(history, period, section, paper=paper, broke=told, evidence=evidence))
        html.write_text(page(store.mill().name, "runnability report", chapters, demo=True), encoding="utf-8")


def risk_replayed(store: Store, machine: Machine, period: Period, zone: ZoneInfo) -> RiskSection:
    """Print the replay of one machine's break risk, the verdict first; give it for the page."""
    try:
        exposure = build(
            store.connection, machine.machine, RiskSettings(), from_ms=period.from_ms, until_ms=period.to_ms + 1
        )
        judgement, null = judge_with_null(exposure)
    except (NothingToLearn, TooFewBreaks) as error:
        headline = f"Break risk was not judged: {error}."
        click.echo(headline)
        return RiskSection(headline=headline)
    replayed = replay(exposure, judgement)
    told = tell_replay(subject_of(machine.name, judgement, zone), judgement, replayed, zone, null)
    shortened = [
        table
        if len(table.rows) <= _NEWEST
        else replace(table, rows=table.rows[-_NEWEST:], title=f"{table.title}, newest")
        for table in told.tables
    ]
    show([replace(told, tables=tuple(shortened))])
    click.echo(SAFETY)
    return risk_section(exposure, judgement, replayed, zone, null=null, demo=True)
