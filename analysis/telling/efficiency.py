"""The time ledger and the efficiency figures in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.figures.efficiency import Efficiency, Figure
from analysis.figures.ledger import MEANING, Class, Ledger
from analysis.figures.tonnes import output
from analysis.history import History
from analysis.paper.offspec import Specification
from analysis.result import (
    MISSING,
    NOTHING,
    Result,
    Sheet,
    Table,
    count,
    hours,
    length,
    minutes,
    natural,
    number,
    percent,
)
from analysis.telling.common import about, cautions, named
from analysis.telling.losses import (
    cluster_table,
    cluster_values,
    drill_table,
    drill_values,
    losses_table,
    losses_values,
)
from analysis.telling.offspec import clock_table, offspec_table, offspec_values
from analysis.telling.tonnes import production_tables, production_values

DOWNTIME = "downtime"


def tell_efficiency(
    history: History,
    book: Ledger,
    found: Efficiency,
    splits: Sequence[str] = (),
    paper: Specification | None = None,
) -> Result:
    """The time ledger, the loss table and the efficiency figures.

    splits
        Any of ``ledger.SPLITS``, and "downtime" for the tree down to the single downtime.
    """
    plain = [split for split in splits if split != DOWNTIME]
    tonnes = output(history, book)
    return Result(
        title=f"Time and efficiency, {history.machine.name}",
        subject=named(history, book.period),
        sentence=_efficiency_said(book, found),
        tables=(
            ledger_table(book),
            *(split_table(book, split) for split in plain),
            *((drill_table(history, book),) if DOWNTIME in splits else ()),
            losses_table(history, book),
            *_cluster_tables(history, book),
            *production_tables(tonnes, book),
            *((offspec_table(paper),) if paper else ()),
            *((clock_table(history, paper),) if paper and DOWNTIME in splits else ()),
            figure_table(found.figures),
        ),
        values=about(history, book.period)
        | {
            "ledger_ms": {cls.value.replace(" ", "_"): ms for cls, ms in book.ms.items()},
            "available_ms": found.available_ms,
            "planned_left_out_ms": found.left_out_planned_ms,
            "primary_breaks": found.breaks.count,
            "secondary_breaks": found.secondary,
            "figures": [_figure_values(f) for f in found.figures],
            "by": {split: _split_values(book, split) for split in plain},
            "losses": losses_values(history, book),
            "clusters": cluster_values(history, book),
            "tonnes": production_values(tonnes),
        }
        | ({"drill_down": drill_values(book)} if DOWNTIME in splits else {})
        | ({"paper": offspec_values(paper)} if paper else {}),
        cautions=cautions(history, book),
    )


def _cluster_tables(history: History, book: Ledger) -> tuple[Table, ...]:
    table = cluster_table(history, book)
    return (table,) if table.rows else ()


def _efficiency_said(book: Ledger, found: Efficiency) -> str:
    break_ms = book.ms[Class.BREAK]
    uptime = found.figure("time efficiency").value
    breaks = count(found.breaks.count, "primary break")
    more = f" and {count(found.secondary, 'secondary one')}" if found.secondary else ""
    return (
        f"time efficiency {percent(uptime, missing='not known')}, with the sheet on the reel for "
        f"{length(found.on_reel_ms)} of {length(found.available_ms)} available. {breaks}{more}; "
        f"breaks took {length(break_ms)} ({percent(break_ms / book.period.length_ms)} of the period)."
    )


def ledger_table(book: Ledger) -> Table:
    """The time ledger, with its sum."""
    total = book.period.length_ms
    rows = [(c.value, hours(ms), minutes(ms), percent(ms / total, 2), MEANING[c]) for c, ms in book.ms.items()]
    rows.append(
        ("the whole period", hours(total), minutes(total), percent(1.0, 2), f"{total:,} ms, of which none is twice")
    )
    return Table(
        title="Time ledger",
        columns=("class", "h", "min", "share", "meaning"),
        rows=tuple(rows),
        numbers=frozenset({1, 2, 3}),
        sheet=Sheet(
            columns=("class", "ms", "share", "meaning"),
            rows=tuple((c.value, ms, ms / total, MEANING[c]) for c, ms in book.ms.items()),
        ),
    )


def split_table(book: Ledger, split: str) -> Table:
    """The time ledger split once more, by one of ``SPLITS``."""
    parts = book.by(split)
    classes = [c for c in Class if any(key[0] is c for key in parts)]
    labels = sorted({label for _, label in parts}, key=natural)
    rows = (
        (
            NOTHING if label is None else label,
            *(minutes(parts.get((c, label), 0)) for c in classes),
            minutes(sum(parts.get((c, label), 0) for c in classes)),
        )
        for label in labels
    )
    return Table(
        title=f"Time ledger by {split} [min]",
        columns=(split, *(c.value for c in classes), "all"),
        rows=tuple(rows),
        numbers=frozenset(range(1, len(classes) + 2)),
        sheet=Sheet(
            columns=(split, *(f"{c.value}_ms".replace(" ", "_") for c in classes)),
            rows=tuple((label, *(parts.get((c, label), 0) for c in classes)) for label in labels),
        ),
    )


def _split_values(book: Ledger, split: str) -> list[dict[str, Any]]:
    return [{"class": cls.value, split: label, "ms": ms} for (cls, label), ms in book.by(split).items()]


def figure_table(figures: Sequence[Figure]) -> Table:
    """Efficiency figures with formula and source."""
    rows = tuple((f.name, _figure_said(f), _made_how(f), f.source) for f in figures)
    named = ("figure", "value", "unit", "low", "high", "formula", "source", "why_not")
    return Table(
        title="Figures",
        columns=("figure", "value", "how it is made", "source"),
        rows=rows,
        numbers=frozenset({1}),
        sheet=Sheet(columns=named, rows=tuple(tuple(_figure_values(f).values()) for f in figures)),
    )


def _figure_said(figure: Figure) -> str:
    if figure.value is None:
        return MISSING
    if figure.unit == "%":
        return percent(figure.value, 2)
    interval = f" ({number(figure.low)} to {number(figure.high)})" if figure.low is not None else ""
    return f"{number(figure.value)}{interval} {figure.unit}"


def _made_how(figure: Figure) -> str:
    return figure.formula if figure.value is not None else f"{figure.formula}. Not set: {figure.why_not}"


def _figure_values(figure: Figure) -> dict[str, Any]:
    return {
        "name": figure.name,
        "value": figure.value,
        "unit": "1" if figure.unit == "%" else figure.unit,
        "low": figure.low,
        "high": figure.high,
        "formula": figure.formula,
        "source": figure.source,
        "why_not": figure.why_not if figure.value is None else None,
    }
