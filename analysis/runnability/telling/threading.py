"""Rethreading in words: what returns take, groups side by side without ranking them, and change with time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import History
from analysis.period import Period
from analysis.result import Result, Table, count
from analysis.runnability.pooling import Group, Pooling
from analysis.runnability.rethreading import GroupComparison, GroupFigures, Learning
from analysis.runnability.telling.wording import amount, chance, changed, listed, percent_of, plain, span
from analysis.telling.common import CREWS_DIFFER, about, named

CALLED = 0.05
FEWEST_FOR_TENTHS = 10
"""With fewer returns what one in ten exceeds is little more than the longest of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threading:
    """All returns of a period together.

    learning
        None with too few returns.
    """

    figures: GroupFigures
    unclear: int
    still_open: int
    learning: Learning | None


def tell_threading(history: History, period: Period, found: Threading) -> Result:
    """What it takes to bring the sheet back."""
    return Result(
        title=f"Rethreading, {history.machine.name}",
        subject=named(history, period),
        sentence=f"{_figures_said(found.figures)}; {_learning_said(found.learning)}.",
        tables=_learning_tables(found.learning),
        values=about(history, period) | {"threading": plain(found)},
        cautions=_cautions(found),
    )


def _figures_said(figures: GroupFigures) -> str:
    first = figures.first
    share = f"{percent_of(first.share)} ({percent_of(first.low)} to {percent_of(first.high)})"
    tenth = f", one in ten longer than {amount(figures.slow_lost_min, 0)} min"
    return (
        f"{count(figures.returns, 'return')} in {count(figures.attempts, 'attempt')}; {share} held at the first one, "
        f"and loss to back on reel took {amount(figures.median_lost_min, 0)} min at the median"
        f"{tenth if figures.returns >= FEWEST_FOR_TENTHS else ''}"
    )


def _learning_said(learning: Learning | None) -> str:
    if learning is None:
        return "too few to tell whether it changes with time"
    limits = f"{changed(1 + learning.minutes_low)} to {changed(1 + learning.minutes_high)}"
    if learning.minutes_high < 0 or learning.minutes_low > 0:
        verb = "fall" if learning.minutes_high < 0 else "rise"
        return f"lost minutes {verb} by {changed(1 + learning.minutes_per_30_days)} in 30 days ({limits})"
    return f"that lost minutes change with time is not shown ({limits} in 30 days)"


def _cautions(found: Threading) -> tuple[str, ...]:
    said = []
    if found.unclear:
        said.append(
            f"{count(found.unclear, 'break')} left out: a data gap hides the end, or nothing is known of attempts."
        )
    if found.still_open:
        said.append(f"{count(found.still_open, 'break')} still open at the newest data.")
    return tuple(said)


def _learning_tables(learning: Learning | None) -> tuple[Table, ...]:
    if learning is None:
        return ()
    names = ("oldest quarter", "second", "third", "newest quarter")
    rows = tuple(
        (name, str(b.of), percent_of(b.share), percent_of(b.low), percent_of(b.high))
        for name, b in zip(names, learning.blocks, strict=True)
    )
    return (
        Table(
            title="Held at the first attempt, over time",
            columns=("returns", "number", "share", "from", "to"),
            rows=rows,
            numbers=frozenset({1, 2, 3, 4}),
            note=f"A steady change: {chance(learning.success_p_value)} (Cochran-Armitage). Exact 95 % limits.",
        ),
    )


def tell_groups(history: History, period: Period, by: str, found: GroupComparison) -> Result:
    """Groups side by side. They keep the mill's order; only those whose intervals lie apart are told apart."""
    return Result(
        title=f"Rethreading by {by}, {history.machine.name}",
        subject=named(history, period),
        sentence=_groups_said(by, found),
        tables=(_raw_table(by, found.figures), *_pooled_tables(by, found)),
        values=about(history, period) | {"by": by, "groups": plain(found)},
        cautions=_group_cautions(by),
    )


def _groups_said(by: str, found: GroupComparison) -> str:
    if found.first is None and found.minutes is None:
        return f"only one {by} with returns; there is nothing to compare."
    parts = [
        _apart_said(by, found.first, "first-attempt success", "holds more often at the first attempt than"),
        _apart_said(by, found.minutes, "minutes", "takes longer than"),
    ]
    return "; ".join(p for p in parts if p) + "."


def _apart_said(by: str, pooling: Pooling | None, what: str, verb: str) -> str:
    if pooling is None:
        return ""
    if not pooling.told_apart:
        return f"by {what} no {by} can be told from another"
    pairs = listed([f"{larger} {verb} {smaller}" for larger, smaller in pooling.told_apart[:4]])
    more = len(pooling.told_apart) - 4
    return f"{pairs}{f', and {more} pairs more' if more > 0 else ''}; the others cannot be told apart by {what}"


def _group_cautions(by: str) -> tuple[str, ...]:
    dealt = {
        "crew": CREWS_DIFFER,
        "section": "Sections differ in what there is to clear and to thread.",
    }
    return (dealt.get(by, f"Whatever differs together with the {by} differs here too."),)


def _raw_table(by: str, figures: Sequence[GroupFigures]) -> Table:
    rows = tuple(
        (
            f.name,
            str(f.returns),
            f"{f.attempts / f.returns:.2f}",
            percent_of(f.first.share),
            amount(f.median_lost_min, 1),
            amount(f.slow_lost_min if f.returns >= FEWEST_FOR_TENTHS else None, 1),
            amount(f.median_clearing_min, 1),
            amount(f.median_threading_min, 1),
        )
        for f in figures
    )
    return Table(
        title=f"Returns by {by}, as counted",
        columns=(by, "returns", "attempts each", "first held", "lost [min]", "1 in 10 over", "clearing", "threading"),
        rows=rows,
        numbers=frozenset(range(1, 8)),
        note="Medians, in minutes; clearing: loss to first attempt; threading: first attempt to back on reel. 1 in 10 "
        f"over: from {FEWEST_FOR_TENTHS} returns on.",
    )


def _pooled_tables(by: str, found: GroupComparison) -> tuple[Table, ...]:
    tables = []
    if found.first is not None:
        rows = [_share_row(g) for g in found.first.groups]
        tables.append(_pooled_table(f"Held at the first attempt by {by}, pooled", by, rows, ""))
    if found.minutes is not None:
        rows = [_minute_row(g) for g in found.minutes.groups]
        typical = "Typical: the geometric mean, which is near the median. "
        tables.append(_pooled_table(f"Typical lost minutes by {by}, pooled", by, rows, typical))
    return tuple(tables)


def _pooled_table(title: str, by: str, rows: Sequence[tuple[str, ...]], typical: str) -> Table:
    return Table(
        title=title,
        columns=(by, "returns", "its own", "pooled", "limits", "own weight"),
        rows=tuple(rows),
        numbers=frozenset({1, 2, 3, 4, 5}),
        note=f"{typical}Pooled: drawn towards the mean of all by as much as groups of this mill are alike; own weight: "
        "what part of the distance to that mean is kept. In the mill's order, which is no ranking.",
    )


def _share_row(g: Group) -> tuple[str, ...]:
    limits = f"{percent_of(g.low)} to {percent_of(g.high)}"
    return (g.name, str(g.cases), percent_of(g.raw), percent_of(g.value), limits, percent_of(g.weight))


def _minute_row(g: Group) -> tuple[str, ...]:
    return (g.name, str(g.cases), amount(g.raw, 1), amount(g.value, 1), span(g.low, g.high, 1), percent_of(g.weight))
