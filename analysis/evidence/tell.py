"""Evidence in words: what differed before breaks and how sure, or that nothing did; the matching; where it holds."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from analysis.evidence.answer import Question, Sought
from analysis.evidence.balance import POOR, Balanced
from analysis.evidence.effect import Auc
from analysis.evidence.find import ALL, Evidence, Finding
from analysis.evidence.settings import Statistic
from analysis.evidence.strata import stable
from analysis.history import History
from analysis.period import Period, say
from analysis.result import NOTHING, Result, Table, count
from analysis.runnability.telling.wording import amount, level, listed, percent_of, plain
from analysis.telling.common import about, iso, named

MOST_ROWS = 10
NEAREST = 5
MOST_NAMED = 3
NOT_A_CAUSE = (
    "What differs before breaks goes with them and need not cause them: both may follow from a third thing. Change one "
    "thing, and let 'breakhorn compare' say whether the rate fell."
)
_RESULT_NOTE = (
    'Set use = "result" for them in mill.toml if that is what they are; but ask --section first: what shows before the '
    "breaks of one section alone may stand here when all are asked for."
)
_WORDS = {
    Statistic.LEVEL: ("higher", "lower"),
    Statistic.AWAY: ("higher against the run's normal", "lower against the run's normal"),
    Statistic.SPREAD: ("more restless", "calmer"),
    Statistic.SLOPE: ("rising more", "falling more"),
    Statistic.STEP: ("stepping up more", "stepping down more"),
    Statistic.SWING: ("swinging more", "swinging less"),
}


def tell_evidence(history: History, period: Period, question: Question, sought: Sought) -> Result:
    """The answer itself: what differs, or that nothing does."""
    evidence = sought.evidence
    tables = [_findings_table(evidence)] if evidence.findings else []
    if evidence.result_like:
        tables.append(_result_table(evidence))
    return Result(
        title=f"What precedes breaks, {history.machine.name}",
        subject=named(history, period),
        sentence=_sentence(evidence, question),
        tables=tuple(tables),
        values=about(history, period)
        | {
            "asked": question.words,
            "evidence_settings": plain(evidence.settings),
            "breaks": len(evidence.matching),
            "quiet_runs": len(evidence.matching.quiet),
            "parts": {name: len(own) for name, own in evidence.parts.items()},
            "tests": evidence.tests,
            "shown": [f.tag.tag for f in evidence.shown],
            "result_like": {f.tag.tag: f.result_like for f in evidence.result_like},
            "findings": [_values(f) for f in evidence.findings],
        },
        cautions=_cautions(evidence),
    )


def tell_matching(history: History, period: Period, sought: Sought, *, runs: bool = False) -> Result:
    """How breaks were matched with quiet runs, and how alike they are.

    runs
        True lists every quiet run.
    """
    matching = sought.evidence.matching
    asked = len(matching) + len(matching.unmatched)
    poor = [b for b in sought.balance if b.poor]
    worst = f"; poorly balanced: {listed([b.name for b in poor])}" if poor else ""
    sentence = (
        f"{len(matching)} of {count(asked, 'break')} have quiet runs like them, "
        f"{amount(float(matching.of_each.mean()) if len(matching) else None, 1)} each on average{worst}."
    )
    tables = [_balance_table(sought.balance)] if len(matching) else []
    if matching.unmatched:
        tables.append(_unmatched_table(history, sought.evidence))
    if runs:
        tables.append(_runs_table(history, sought.evidence))
    cautions = tuple(
        f"Breaks and quiet runs differ in '{b.name}' ({amount(b.of_breaks, 1)} against {amount(b.of_quiet, 1)}"
        f"{f' {b.unit}' if b.unit[:1].isalpha() else f', from {b.unit}'}): what goes with it may stand out for that "
        "alone."
        for b in poor
    )
    return Result(
        title=f"Matched quiet runs, {history.machine.name}",
        subject=named(history, period),
        sentence=sentence,
        tables=tuple(tables),
        values=about(history, period)
        | {
            "balance": plain(sought.balance),
            "matched": [_matched(sought.evidence, n) for n in range(len(matching))],
            "unmatched": [
                {"downtime_id": u.downtime.downtime_id, "started_at": iso(u.downtime.started_ms), "reason": u.reason}
                for u in matching.unmatched
            ],
        },
        cautions=cautions,
    )


def described(finding: Finding) -> str:
    """What a tag did before breaks: ``press.draw higher``."""
    return f"{finding.tag.tag} {_word(finding)}"


def _word(finding: Finding) -> str:
    up, down = _WORDS[finding.best.statistic]
    return up if finding.upwards else down


def lead_said(finding: Finding) -> str:
    """From when on it shows."""
    if finding.detail is None or finding.detail.lead.minutes is None:
        return NOTHING
    lead = finding.detail.lead
    return f"{lead.minutes} min or earlier" if lead.from_the_beginning else f"{lead.minutes} min"


def auc_said(auc: Auc) -> str:
    """An AUC with its interval."""
    return f"{auc.value:.2f} ({auc.low:.2f} to {auc.high:.2f})"


def _sentence(evidence: Evidence, question: Question) -> str:
    matching, least = evidence.matching, evidence.settings.least_breaks
    if len(matching) < least:
        return (
            f"only {len(matching)} of the {question.words} could be matched with quiet runs, fewer than {least}: "
            "nothing is tested."
        )
    over = (
        f"{count(len(evidence.findings), 'tag')} over {len(matching)} {question.words} and {len(matching.quiet)} "
        "matched quiet runs"
    )
    if not evidence.findings:
        return f"there is no tag that may predict and changes; {len(matching)} {question.words} are matched."
    if not evidence.shown:
        return f"nothing is shown to differ before {question.words} beyond what chance brings ({over})."
    said = [_one_said(f) for f in evidence.shown[:MOST_NAMED]]
    more = len(evidence.shown) - len(said)
    return f"before {question.words} {'; '.join(said)}{f'; and {more} more' if more else ''} ({over})."


def _one_said(finding: Finding) -> str:
    auc = finding.best.auc
    among = "" if finding.among == ALL else f" before those at {finding.among}"
    wins, low, high = (auc.value, auc.low, auc.high) if finding.upwards else (1 - auc.value, 1 - auc.high, 1 - auc.low)
    lead = lead_said(finding)
    since = "" if lead == NOTHING else f"; shown from {lead} before the loss on"
    return (
        f"{finding.tag.tag} was {_word(finding)} than in quiet runs{among} in {percent_of(wins)} of comparisons "
        f"({percent_of(low)} to {percent_of(high)}; 50 % would be chance{since})"
    )


def _findings_table(evidence: Evidence) -> Table:
    shown = evidence.shown
    rows = shown[:MOST_ROWS] or [f for f in evidence.findings if f.result_like is None][:NEAREST]
    title = "What differs before breaks" if shown else "Nearest to being shown, which is not shown"
    sure = level(evidence.settings.confidence)
    return Table(
        title=title,
        columns=(
            "before breaks",
            "among",
            "window",
            "AUC",
            "q",
            "first shows",
            "share of those breaks",
            "in each third",
        ),
        rows=tuple(_row(f) for f in rows),
        numbers=frozenset({4}),
        note=f"AUC: how often a break lies above its own quiet runs, 0.5 for chance, with {sure} limits that take the "
        f"breaks of one day as one. q: share of false ones among all that stand as high (Benjamini and Hochberg), the "
        f"larger of that over tags and that over all {evidence.tests:,} tests. Share: of the breaks that would not "
        "have come had the tag stayed where four fifths of quiet runs are, if it is a cause.",
    )


def _row(finding: Finding) -> tuple[str, ...]:
    detail, best = finding.detail, finding.best
    share = detail.share if detail else None
    steady = stable(detail.splits) if detail else None
    return (
        described(finding),
        finding.among,
        best.window.words,
        auc_said(best.auc),
        f"{max(finding.q, best.q):.2g}",
        lead_said(finding),
        NOTHING
        if share is None
        else f"{percent_of(share.value)} ({percent_of(share.low)} to {percent_of(share.high)})",
        "too few" if steady is None else "yes" if steady else "no",
    )


def _result_table(evidence: Evidence) -> Table:
    return Table(
        title="Left out: tags that look like results of breaks",
        columns=("tag", "why", "AUC of its change just before the loss", "just after it"),
        rows=tuple(
            (f.tag.tag, f.result_like or "", auc_said(f.moved.lead), auc_said(f.moved.after))
            for f in evidence.result_like
        ),
        note=_RESULT_NOTE,
    )


def _balance_table(found: tuple[Balanced, ...]) -> Table:
    return Table(
        title="Balance",
        columns=("what", "unit", "breaks", "quiet runs", "difference / spread", "by chance up to", ""),
        rows=tuple(
            (
                b.name,
                b.unit,
                amount(b.of_breaks, 2),
                amount(b.of_quiet, 2),
                amount(b.difference, 2),
                amount(b.chance, 2),
                "poor" if b.poor else "",
            )
            for b in found
            if b.breaks
        ),
        numbers=frozenset({2, 3, 4, 5}),
        note=f"Poor: at least {POOR:g} standard deviations apart, and more than chance brings.",
    )


def _unmatched_table(history: History, evidence: Evidence) -> Table:
    unmatched = evidence.matching.unmatched
    reasons = Counter(u.reason for u in unmatched)
    return Table(
        title="Breaks without quiet runs like them",
        columns=("break", "lost", "section", "grade", "reason"),
        rows=tuple(
            (
                u.downtime.downtime_id,
                say(u.downtime.started_ms, history.mill.zone),
                u.downtime.section or NOTHING,
                u.downtime.grade or NOTHING,
                u.reason,
            )
            for u in unmatched
        ),
        note="; ".join(f"{n} × {reason}" for reason, n in reasons.most_common()) + ".",
    )


def _runs_table(history: History, evidence: Evidence) -> Table:
    matching, zone = evidence.matching, history.mill.zone
    return Table(
        title="Quiet runs of each break",
        columns=("break", "quiet runs end at"),
        rows=tuple(
            (
                d.downtime_id,
                ", ".join(say(int(matching.quiet.at_ms[c]), zone) for c in matching.controls[n] if c >= 0),
            )
            for n, d in enumerate(matching.breaks)
        ),
    )


def _cautions(evidence: Evidence) -> tuple[str, ...]:
    found = [NOT_A_CAUSE]
    matching = evidence.matching
    days = len(np.unique(evidence.cluster))
    if len(matching) >= evidence.settings.least_breaks and days < evidence.settings.least_breaks:
        found.append(
            f"The breaks fall on {count(days, 'day')} only: little can be told apart from the days themselves."
        )
    if len(matching.unmatched) > len(matching) / 2:
        found.append(
            f"{len(matching.unmatched)} breaks have no quiet run like them: the answer is about the others only."
        )
    return tuple(found)


def _values(finding: Finding) -> dict[str, Any]:
    best = finding.best
    return {
        "tag": finding.tag.tag,
        "unit": finding.tag.unit or None,
        "among": finding.among,
        "statistic": best.statistic.value,
        "window_min": [best.window.start, best.window.end],
        "direction": "up" if finding.upwards else "down",
        "auc": plain(best.auc),
        "z": plain(best.z),
        "p_test": plain(best.p),
        "q_test": plain(best.q),
        "p_tag": plain(finding.p),
        "q_tag": plain(finding.q),
        "with_loss": plain(finding.moved),
        "result_like": finding.result_like,
        "detail": plain(finding.detail),
    }


def _matched(evidence: Evidence, number: int) -> dict[str, Any]:
    matching = evidence.matching
    d = matching.breaks[number]
    return {
        "downtime_id": d.downtime_id,
        "started_at": iso(d.started_ms),
        "quiet_runs_end_at": [iso(int(matching.quiet.at_ms[c])) for c in matching.controls[number] if c >= 0],
    }
