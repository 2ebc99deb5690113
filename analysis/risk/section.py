"""What break risk puts into a report: verdict, scores, picture."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import duckdb

from analysis.result import RiskSection
from analysis.risk.chart import risk_svg
from analysis.risk.exposure import Exposure, NothingToLearn, build
from analysis.risk.judge import Judgement, judge_with_null
from analysis.risk.replay import Replay, replay
from analysis.risk.settings import RiskSettings
from analysis.risk.split import TooFewBreaks
from analysis.risk.tell import OWN_HAZARD, learnt_said, score_table


def risk_section(
    exposure: Exposure,
    judgement: Judgement,
    replayed: Replay,
    zone: ZoneInfo,
    *,
    null: Judgement | None = None,
    demo: bool = False,
    name: str = "risk",
) -> RiskSection:
    """A judged model as a part of a report, the verdict first.

    null
        The judging of features that have nothing to do with the breaks, shown beside it.
    demo
        True adds that the demo mill's hazard is of our own making.
    name
        Of the picture, unique in a page.
    """
    svg, text = risk_svg(replayed, zone, name)
    table = score_table(judgement, null)
    said = [text, f"Learnt and judged from {learnt_said(exposure)}.", table.note]
    if null is not None:
        said.append(f"On tags moved away from their minutes the same procedure {null.verdict.finding}.")
    if demo:
        said.append(OWN_HAZARD)
    return RiskSection(
        headline=judgement.verdict.sentence, columns=table.columns, rows=table.rows, svg=svg, text=" ".join(said)
    )


def section_of(
    connection: duckdb.DuckDBPyConnection,
    machine: str,
    zone: ZoneInfo,
    settings: RiskSettings | None = None,
    *,
    demo: bool = False,
    name: str = "risk",
) -> RiskSection:
    """Build, judge and replay one machine of an open store; where that cannot be, the headline says why."""
    try:
        exposure = build(connection, machine, settings or RiskSettings())
        judgement, null = judge_with_null(exposure)
    except (NothingToLearn, TooFewBreaks) as error:
        return RiskSection(headline=f"Break risk was not judged: {error}.")
    replayed = replay(exposure, judgement)
    return risk_section(exposure, judgement, replayed, zone, null=null, demo=demo, name=name)
