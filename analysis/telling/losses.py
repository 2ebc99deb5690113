"""The loss table, clusters of breaks and the tree of the time ledger in words."""

from __future__ import annotations

from typing import Any

from analysis.figures.drill import Node, drill_down
from analysis.figures.ledger import Ledger, section_label
from analysis.figures.losses import (
    GUIDELINE,
    GUIDELINE_SOURCE,
    GUIDELINE_TOTAL,
    MEANING,
    Cluster,
    LossTable,
    clusters,
    loss_table,
)
from analysis.history import History
from analysis.period import say
from analysis.result import NOTHING, Table, hours, length, minutes, number, percent

DAY_MIN = 1440


def losses_said(history: History, book: Ledger) -> str:
    """All losses in a sentence, with the row that is furthest above the guideline."""
    found = loss_table(history, book)
    total = found.pct(found.total_ms)
    if total is None:
        return "no time was available."
    over = {
        loss: pct - GUIDELINE[loss].most_pct
        for loss in GUIDELINE
        if (pct := found.pct(found.lost_ms[loss])) is not None
    }
    worst = max(over, key=over.__getitem__)
    said = f"{number(total, 2)} % of available time was lost, where the guideline has {GUIDELINE_TOTAL.said}"
    if over[worst] <= 0:
        return f"{said}; no row is above its own."
    own = number(found.pct(found.lost_ms[worst]), 2)
    return f"{said}; furthest above its own is the row '{worst.value}', {own} % where it has {GUIDELINE[worst].said}."


def losses_table(history: History, book: Ledger) -> Table:
    """Available time in the rows of the published guideline, with the guideline beside it."""
    found = loss_table(history, book)
    rows = [
        (loss.value, *_of_available(found, ms), GUIDELINE[loss].said if loss in GUIDELINE else NOTHING, MEANING[loss])
        for loss, ms in found.lost_ms.items()
    ]
    rows.append(("all losses", *_of_available(found, found.total_ms), GUIDELINE_TOTAL.said, "the sum of the above"))
    rows.append(("on reel", *_of_available(found, found.on_reel_ms), NOTHING, "time efficiency"))
    rows.append(
        ("available", *_of_available(found, found.available_ms), NOTHING, "the two together, to the millisecond")
    )
    return Table(
        title="Loss table beside the guideline",
        columns=("loss", "h", "of available time", "min a day", "guideline", "meaning"),
        rows=tuple(rows),
        numbers=frozenset({1, 2, 3, 4}),
        note=_guideline_said(found),
    )


def _of_available(found: LossTable, ms: int) -> tuple[str, str, str]:
    pct = found.pct(ms)
    if pct is None:
        return hours(ms), NOTHING, NOTHING
    return hours(ms), percent(pct / 100, 2), number(pct / 100 * DAY_MIN)


def _guideline_said(found: LossTable) -> str:
    apart = (
        f" Planned downtime of {length(found.left_out_ms)} beyond the cut-off is left out." if found.left_out_ms else ""
    )
    return (
        f"The guideline ({GUIDELINE_SOURCE}) is a guideline: what somebody found good machines to lose, no limit of "
        f"this mill. Its process and scheduled rows are said without a sign.{apart}"
    )


def losses_values(history: History, book: Ledger) -> dict[str, Any]:
    """The loss table for programs. [ms], [%]"""
    found = loss_table(history, book)
    return {
        "available_ms": found.available_ms,
        "on_reel_ms": found.on_reel_ms,
        "left_out_ms": found.left_out_ms,
        "lost_ms": {loss.value.replace(" ", "_"): ms for loss, ms in found.lost_ms.items()},
        "total_ms": found.total_ms,
        "guideline_pct": {loss.value.replace(" ", "_"): line.most_pct for loss, line in GUIDELINE.items()}
        | {"total": GUIDELINE_TOTAL.most_pct},
        "guideline_source": GUIDELINE_SOURCE,
    }


def cluster_table(history: History, book: Ledger) -> Table:
    """Downtimes that secondary breaks followed, each as one event, the costliest first."""
    found = [c for c in clusters(history, book) if c.secondary]
    rows = tuple(_cluster_row(c, history) for c in sorted(found, key=lambda c: (-c.ms, c.first.started_ms)))
    return Table(
        title="Secondary breaks with what they followed",
        columns=("began", "began as", "secondary breaks", "first min", "min in all"),
        rows=rows,
        numbers=frozenset({2, 3, 4}),
        note=(
            f"A break within {history.machine.secondary_within_min:g} min of the return to the reel is secondary, and "
            "belongs to the downtime after which the machine had not settled."
        ),
    )


def _cluster_row(c: Cluster, history: History) -> tuple[str, ...]:
    return (
        say(c.first.started_ms, history.mill.zone),
        f"{c.first.kind}, {section_label(c.first)}",
        str(len(c.secondary)),
        minutes(c.first_ms),
        minutes(c.ms),
    )


def cluster_values(history: History, book: Ledger) -> list[dict[str, Any]]:
    """Every downtime that secondary breaks followed, for programs, in order of time. [ms]"""
    return [
        {
            "first": c.first.downtime_id,
            "secondary": [d.downtime_id for d in c.secondary],
            "first_ms": c.first_ms,
            "ms": c.ms,
        }
        for c in clusters(history, book)
        if c.secondary
    ]


def drill_table(history: History, book: Ledger) -> Table:
    """The time ledger down to every single downtime, indented."""
    rows = tuple(_drill_row(depth, node, history, book) for depth, node in drill_down(book).walk())
    return Table(
        title="Time ledger, down to the single downtime",
        columns=("class · section · cause · downtime", "min", "share"),
        rows=rows,
        numbers=frozenset({1, 2}),
        note="Every line is the sum of those one step further in, to the millisecond.",
    )


def _drill_row(depth: int, node: Node, history: History, book: Ledger) -> tuple[str, str, str]:
    label = node.label
    if node.downtime is not None:
        label = f"{say(node.downtime.started_ms, history.mill.zone)} {node.downtime.downtime_id}"
    return "\N{NO-BREAK SPACE}" * 2 * depth + label, minutes(node.ms), percent(node.ms / book.period.length_ms, 2)


def drill_values(book: Ledger) -> dict[str, Any]:
    """The same tree for programs. [ms]"""
    return _node_values(drill_down(book))


def _node_values(node: Node) -> dict[str, Any]:
    below = [_node_values(child) for child in node.below]
    return {"level": node.level, "label": node.label, "ms": node.ms} | ({"below": below} if below else {})
