"""A Pareto of breaks in words."""

from __future__ import annotations

from typing import Any

from analysis.history import History
from analysis.ledger import Class, Ledger
from analysis.pareto import Bar, Measure, Pareto, Sort
from analysis.result import MISSING, NOTHING, Result, Table, count, length, minutes, number
from analysis.telling.common import about, named, prices


def tell_pareto(history: History, book: Ledger, found: Pareto) -> Result:
    """Breaks ranked along one dimension."""
    return Result(
        title=f"Breaks by {found.by}, {history.machine.name}",
        subject=named(history, book.period),
        sentence=_pareto_said(found),
        tables=(
            pareto_table(found, history),
            *((_secondary_table(found),) if found.secondary else ()),
        ),
        values=about(history, book.period)
        | {
            "by": found.by,
            "primary": [_bar_values(bar, found) for bar in found.bars],
            "secondary": [_bar_values(bar, None) for bar in found.secondary],
            "break_ms": book.ms[Class.BREAK],
        },
        cautions=_pareto_cautions(found),
    )


def _pareto_said(found: Pareto) -> str:
    total = sum(bar.count for bar in found.bars)
    if not total:
        return "no primary break."
    said = [bar for bar in found.bars if bar.sort is not Sort.REMAINDER]
    rest = "".join(f"; {bar.count} {bar.label}" for bar in found.bars if bar.sort is Sort.REMAINDER and bar.count)
    if not said:
        return f"{count(total, 'primary break')}{rest}."
    first, costliest = max(said, key=lambda bar: bar.count), max(said, key=lambda bar: bar.lost.ms)
    most = (
        f"{_named(first)} leads with {first.count} of {count(total, 'primary break')} "
        f"(95 % interval of the count {number(first.low)} to {number(first.high)})"
    )
    if costliest is first:
        return f"{most}, and costs the most time too, {length(first.lost.ms)}{rest}."
    return f"{most}, but {_named(costliest)} costs the most time, {length(costliest.lost.ms)}{rest}."


def _named(bar: Bar) -> str:
    return f"{bar.label} ({bar.name})" if bar.name else bar.label


def pareto_table(found: Pareto, history: History) -> Table:
    """Every bar in every measure, with its place in each order."""
    ranks = {measure: found.rank(measure) for measure in Measure}
    rows = tuple(
        (
            f"{bar.label} {bar.name}".strip(),
            str(bar.count),
            f"{bar.low:.1f} to {bar.high:.1f}",
            minutes(bar.lost.ms),
            number(bar.value(Measure.TONNES), missing="not known"),
            number(bar.money, 0, MISSING),
            " · ".join(str(ranks[m].get(bar.label, NOTHING)) for m in Measure),
            _rate_said(bar),
        )
        for bar in found.bars
    )
    return Table(
        title=f"Primary breaks by {found.by}",
        columns=(
            found.by,
            "breaks",
            "95 % interval",
            "lost min",
            "lost t",
            f"cost {history.mill.currency}",
            "place in each",
            "a day of running",
        ),
        rows=rows,
        numbers=frozenset(range(1, 8)),
        note=(
            "Place in each: rank by breaks · minutes · tonnes · money. A day of running: breaks per 24 h on the reel, "
            f"with exact 95 % interval. Cost: {prices(history)}."
        ),
    )


def _rate_said(bar: Bar) -> str:
    day = bar.rate.per(24.0)
    return NOTHING if day is None else f"{day[0]:.2f} ({day[1]:.2f} to {day[2]:.2f})"


def _secondary_table(found: Pareto) -> Table:
    rows = tuple(
        (bar.label, str(bar.count), minutes(bar.lost.ms), number(bar.value(Measure.TONNES))) for bar in found.secondary
    )
    return Table(
        title=f"Secondary breaks by {found.by}",
        columns=(found.by, "breaks", "lost min", "lost t"),
        rows=rows,
        numbers=frozenset({1, 2, 3}),
        note="They began soon after the return to the reel and follow from the break before, so they are kept apart.",
    )


def _bar_values(bar: Bar, found: Pareto | None) -> dict[str, Any]:
    return {
        "label": bar.label,
        "name": bar.name or None,
        "sort": bar.sort.value,
        "count": bar.count,
        "count_low": bar.low,
        "count_high": bar.high,
        "lost_ms": bar.lost.ms,
        "lost_t": bar.value(Measure.TONNES),
        "lost_ms_without_rate": bar.lost.unknown_ms,
        "broke_t": bar.broke_t,
        "money": bar.money,
        "per_on_reel_h": bar.rate.rate,
        "per_on_reel_h_low": bar.rate.low,
        "per_on_reel_h_high": bar.rate.high,
        "on_reel_h": bar.rate.exposure,
    } | ({} if found is None else {"rank": {m.value: found.rank(m).get(bar.label) for m in Measure}})


def _pareto_cautions(found: Pareto) -> tuple[str, ...]:
    unknown = sum(bar.lost.unknown_ms for bar in found.bars)
    if not unknown:
        return ()
    return (
        f"The rate before the loss is unknown for {length(unknown)} of lost time: its tonnes and money are left out.",
    )
