"""Before and after in words: the comparison, the monitor that may be looked at daily, and what a trial would need."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import History
from analysis.period import Period, say
from analysis.result import Result, Table, count
from analysis.runnability.compare import Comparison, Method, Ratio
from analysis.runnability.monitor import Monitor
from analysis.runnability.telling.wording import a_day, amount, chance, changed, level, percent_of, plain
from analysis.telling.common import about, iso, named

EVIDENCE_AT_95 = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of the machine, and the periods before and after it."""

    at_ms: int
    before: Period
    after: Period


def tell_comparison(
    history: History,
    period: Period,
    change: Change,
    words: str,
    found: Comparison,
    others: Sequence[Ratio],
    grades: Sequence[tuple[str, float, float]],
) -> Result:
    """Whether the rate changed.

    others
        The same ratio by the methods that were not chosen.
    grades
        Each grade with its share of the on-reel time before and after.
    """
    return Result(
        title=f"Before and after, {history.machine.name}",
        subject=named(history, period),
        sentence=_comparison_said(history, change, words, found),
        tables=(_period_table(history, change, found), _method_table([found.chosen, *others]), *_grade_tables(grades)),
        values=about(history, period)
        | {
            "counted": words,
            "change_at": iso(change.at_ms),
            "before": {"from": iso(change.before.from_ms), "to": iso(change.before.to_ms)},
            "after": {"from": iso(change.after.from_ms), "to": iso(change.after.to_ms)},
            "comparison": plain(found),
            "other_methods": plain(others),
            "grades": [{"grade": g, "share_before": b, "share_after": a} for g, b, a in grades],
        },
        cautions=_comparison_cautions(found, grades),
    )


def _comparison_said(history: History, change: Change, words: str, found: Comparison) -> str:
    ratio = found.chosen
    when = say(change.at_ms, history.mill.zone)
    if math.isnan(ratio.ratio):
        return f"no {words} before or after {when}; there is nothing to compare."
    rates = f"from {a_day(found.before.rate)} to {a_day(found.after.rate)} a day on the reel"
    between = (
        f"with the change of {when} {words} went {rates} ({changed(ratio.ratio)}); the data are compatible with "
        f"{changed(ratio.low)} to {changed(ratio.high)}"
    )
    if ratio.shown:
        return f"{between}: a {'fall' if ratio.high < 1 else 'rise'} is shown at {level(ratio.confidence)}."
    return f"{between}: a change is not shown at {level(ratio.confidence)}."


def _comparison_cautions(found: Comparison, grades: Sequence[tuple[str, float, float]]) -> tuple[str, ...]:
    said = []
    if found.dispersion is None:
        said.append("Too few days to tell whether breaks come in clusters; the interval takes them as independent.")
    elif found.chosen.method is Method.QUASI_POISSON:
        said.append(
            f"Breaks come in clusters: days scatter {found.dispersion.index:.1f} times as much as independent breaks "
            f"would ({chance(found.dispersion.p_value)}); the interval is quasi-Poisson and allows for it."
        )
    moved = [f"{g} ({percent_of(b)} to {percent_of(a)} of the time)" for g, b, a in grades if abs(a - b) > 0.2]
    if moved:
        said.append(f"The grade mix changed too: {', '.join(moved)}; it may explain part of any difference.")
    said.append(
        "Where a change was made because breaks had been bad, a fall would have come in part anyway (regression to the "
        "mean)."
    )
    return tuple(said)


def _period_table(history: History, change: Change, found: Comparison) -> Table:
    zone = history.mill.zone
    rows = tuple(
        (
            name,
            f"{say(when.from_ms, zone)} to {say(when.to_ms, zone)}",
            str(counted.events),
            f"{counted.hours:,.1f}",
            a_day(counted.rate),
        )
        for name, when, counted in (("before", change.before, found.before), ("after", change.after, found.after))
    )
    return Table(
        title="The two periods",
        columns=("", "mill time", "breaks", "on-reel h", "a day on the reel"),
        rows=rows,
        numbers=frozenset({2, 3, 4}),
    )


def _method_table(ratios: Sequence[Ratio]) -> Table:
    rows = tuple(
        (
            r.method.value + (" (reported)" if i == 0 else ""),
            changed(r.ratio),
            changed(r.low),
            changed(r.high),
            chance(r.p_value) if math.isfinite(r.p_value) else "–",
            f"{r.dispersion:.2f}",
        )
        for i, r in enumerate(ratios)
    )
    return Table(
        title="The change of the rate, by method",
        columns=("method", "change", "from", "to", "p (two-sided)", "dispersion"),
        rows=rows,
        numbers=frozenset({1, 2, 3, 5}),
        note="p of the exact methods is twice the smaller tail, which agrees with the interval; some programs add up "
        "all less likely splits instead.",
    )


def _grade_tables(grades: Sequence[tuple[str, float, float]]) -> tuple[Table, ...]:
    if not grades:
        return ()
    return (
        Table(
            title="Grades by share of the on-reel time",
            columns=("grade", "before", "after"),
            rows=tuple((g, percent_of(b), percent_of(a)) for g, b, a in grades),
            numbers=frozenset({1, 2}),
        ),
    )


def tell_monitor(history: History, period: Period, change: Change, found: Monitor, days: Sequence[str]) -> Result:
    """What daily looks since the change show.

    days
        Name of each look: the mill day it was taken at the end of.
    """
    newest = len(found.looks) - 1
    shown = sorted({0, *range(max(0, newest - 6), newest + 1)} | {i for i in _crossings(found) if i is not None})
    rows = tuple(
        (
            days[i],
            str(found.looks[i].events),
            f"{found.looks[i].hours:,.1f}",
            changed(found.looks[i].low),
            changed(found.looks[i].high),
            amount(found.looks[i].evidence_of_fall, 1),
            amount(found.looks[i].evidence_of_rise, 1),
        )
        for i in shown
    )
    table = Table(
        title="Looks since the change (the first, the deciding and the newest ones)",
        columns=("after", "breaks", "on-reel h", "from", "to", "evidence of a fall", "of a rise"),
        rows=rows,
        numbers=frozenset({1, 2, 3, 4, 5, 6}),
        note=f"Limits hold for all looks together, however often one looks. Evidence of {EVIDENCE_AT_95} or more shows "
        "it at 95 %.",
    )
    return Result(
        title=f"Watched since the change, {history.machine.name}",
        subject=named(history, period),
        sentence=_monitor_said(found, days),
        tables=(table,),
        values=about(history, period) | {"change_at": iso(change.at_ms), "days": list(days), "monitor": plain(found)},
        cautions=()
        if found.dispersion == 1
        else (
            f"Breaks come in clusters; counts are divided by the dispersion of {found.dispersion:.1f} first. That is "
            "an approximation, which the guarantee for all looks does not cover.",
        ),
    )


def _crossings(found: Monitor) -> tuple[int | None, int | None]:
    return found.fall_shown_at, found.rise_shown_at


def _monitor_said(found: Monitor, days: Sequence[str]) -> str:
    now = found.looks[-1]
    newest = f"compatible with {changed(now.low)} to {changed(now.high)} after {count(len(found.looks), 'daily look')}"
    if not found.before.events:
        return f"no break before the change, so that nothing can have fallen; {newest}."
    if found.fall_shown_at is not None:
        return f"looked at every day, a fall has been shown since the end of {days[found.fall_shown_at]}; {newest}."
    if found.rise_shown_at is not None:
        return f"looked at every day, a rise has been shown since the end of {days[found.rise_shown_at]}; {newest}."
    evidence = max(now.evidence_of_fall, now.evidence_of_rise)
    side = "fall" if now.evidence_of_fall >= now.evidence_of_rise else "rise"
    return (
        f"looked at every day, nothing is shown yet; {newest}. Evidence of a {side}: {amount(evidence, 1)} "
        f"({EVIDENCE_AT_95} shows it)."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What it takes to show a change by a planned trial, and with the time before already over. [h]

    by_exact_test
        Hours a side that the exact test itself needs; None where breaks are clustered or very many, for which
        it is not used.
    """

    rate: float
    change: float
    power: float
    confidence: float
    dispersion: float
    each_side: float
    by_exact_test: float | None
    after: float


def tell_plan(history: History, period: Period, words: str, plan: Plan) -> Result:
    """How long a trial must run."""
    after_rate = plan.rate * (1 + plan.change)
    goal = f"from {a_day(plan.rate)} to {a_day(after_rate)} {words} a day on the reel"
    exact = "" if plan.by_exact_test is None else f" ({plan.by_exact_test / 24:,.0f} by the exact test)"
    after = (
        "however long one waits now, the time before is too short to show it"
        if math.isinf(plan.after)
        else f"with the time before as it is, {plan.after / 24:,.0f} days after"
    )
    table = Table(
        title="What a trial needs",
        columns=("", "days on the reel"),
        rows=(
            ("each side, normal limit", f"{plan.each_side / 24:,.1f}"),
            ("each side, exact test", "–" if plan.by_exact_test is None else f"{plan.by_exact_test / 24:,.1f}"),
            ("after, time before as it is", amount(plan.after / 24, 1)),
        ),
        numbers=frozenset({1}),
        note=f"Power {plan.power * 100:.0f} %, {level(plan.confidence)} two-sided, dispersion {plan.dispersion:.2f}.",
    )
    return Result(
        title=f"What a trial needs, {history.machine.name}",
        subject=named(history, period),
        sentence=f"to show {changed(1 + plan.change)} ({goal}) takes {plan.each_side / 24:,.0f} days on the reel on "
        f"each side{exact}; {after}.",
        tables=(table,),
        values=about(history, period) | {"plan": plain(plan)},
    )
