"""What the demo says at its end: everything in one report, of which the terminal shows a page; each judged once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from analysis.broke.answer import broke_stock
from analysis.evidence.brief import in_short
from analysis.figures.efficiency import efficiency
from analysis.figures.ledger import ledger
from analysis.history import Machine
from analysis.paper.answer import judged
from analysis.pareto import pareto
from analysis.period import Period
from analysis.read import Store, open_store
from analysis.report import page, report_chapter
from analysis.result import Result, RiskSection, sentence_case
from analysis.risk.exposure import NothingToLearn, build
from analysis.risk.judge import judge_with_null
from analysis.risk.replay import replay
from analysis.risk.section import risk_section
from analysis.risk.settings import RiskSettings
from analysis.risk.split import TooFewBreaks
from analysis.telling.broke import tell_broke
from analysis.telling.efficiency import tell_efficiency
from analysis.telling.pareto import tell_pareto


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One machine in short: the time with its ledger, and a sentence each on what else the report holds."""

    time: Result
    further: tuple[tuple[str, str], ...]


def account(mill: Path, html: Path) -> list[Told]:
    """Write the report of all machines, marked as demo data; give each machine in short."""
    with open_store(mill) as store:
        chapters, told = [], []
        for machine in store.machines():
            period = Period(from_ms=machine.first_ms or 0, to_ms=machine.last_ms or 1)
            risk = risk_replayed(store, machine, period, store.mill().zone)
            history = store.history(machine, period)
            book, paper = ledger(history, period), judged(store, history, period)
            broke = tell_broke(history, book, *broke_stock(store, history, period))
            evidence = in_short(store, history, period)
            chapters.append(report_chapter(history, period, risk, paper=paper, broke=broke, evidence=evidence))
            time = tell_efficiency(history, book, efficiency(history, book), paper=paper)
            losses = tell_pareto(history, book, pareto(history, book, "section"))
            said = [("Losses", losses), ("Broke", broke), ("Evidence", evidence)]
            further = [
                *((name, sentence_case(result.sentence)) for name, result in said),
                ("Break risk", risk.headline),
            ]
            told.append(Told(time=time, further=tuple(further)))
        html.write_text(page(store.mill().name, "runnability report", chapters, demo=True), encoding="utf-8")
    return told


def risk_replayed(store: Store, machine: Machine, period: Period, zone: ZoneInfo) -> RiskSection:
    """The replay of one machine's break risk, for the page; why it was not judged, where it was not."""
    try:
        exposure = build(
            store.connection, machine.machine, RiskSettings(), from_ms=period.from_ms, until_ms=period.to_ms + 1
        )
        judgement, null = judge_with_null(exposure)
    except (NothingToLearn, TooFewBreaks) as error:
        return RiskSection(headline=f"Break risk was not judged: {error}.")
    return risk_section(exposure, judgement, replay(exposure, judgement), zone, null=null, demo=True)
