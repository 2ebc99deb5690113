"""A control chart in words: which points stand out, and by what pattern."""

from __future__ import annotations

import numpy as np

from analysis.history import History
from analysis.period import Period
from analysis.result import Result, Table, count
from analysis.runnability.control import Chart, Quantity
from analysis.runnability.run_rules import POINTS_PER_FALSE_SIGNAL, Rule
from analysis.runnability.telling.wording import HOURS_A_DAY, amount, listed, plain
from analysis.telling.common import about, named

_FEWEST = 5
"""Fewer points cannot complete a row, and say little of the level that they are held against."""
NO_ALARMS = "These are points to ask about, not alarms."


def tell_chart(history: History, period: Period, name: str, unit: str, chart: Chart) -> Result:
    """A control chart: which points stand out, and by what pattern.

    name, unit
        Of the chart (``Breaks day by day``), and of a point (``day``).
    """
    known = int(np.isfinite(chart.values).sum())
    expected = known / POINTS_PER_FALSE_SIGNAL
    rows = tuple(
        (chart.labels[s.point], amount(chart.values[s.point] * point_scale(chart), 2), s.rule.value, s.meaning)
        for s in chart.signals
    )
    table = Table(
        title="Signals",
        columns=(unit, point_name(chart), "pattern", "what it may mean"),
        rows=rows,
        numbers=frozenset({1}),
        note=f"{NO_ALARMS} Where nothing has changed, about one point in {POINTS_PER_FALSE_SIGNAL:.0f} completes such "
        f"a pattern by chance: here about {expected:.1f} of {known}. Limits: {chart.limits.value}.",
    )
    return Result(
        title=f"{name}, {history.machine.name}",
        subject=named(history, period),
        sentence=f"{name.lower()}: {_chart_said(unit, chart, known)}",
        tables=(table,),
        values=about(history, period) | {"chart": plain(chart), "points_with_data": known},
    )


def _chart_said(unit: str, chart: Chart, known: int) -> str:
    beyond = [s for s in chart.signals if s.rule is Rule.BEYOND_LIMIT]
    if known < _FEWEST:
        return f"{count(known, unit)} {'is' if known == 1 else 'are'} too few for a chart to tell anything."
    runs = {s.point for s in chart.signals} - {s.point for s in beyond}
    if not chart.signals:
        return f"none of {count(known, unit)} stands out; all scatter as chance lets them."
    bad = [chart.labels[s.point] for s in beyond if (s.side > 0) is chart.more_is_worse]
    good = [chart.labels[s.point] for s in beyond if (s.side > 0) is not chart.more_is_worse]
    parts = [
        f"{len(points)} of {count(known, unit)} ({_some(points)}) {'lies' if len(points) == 1 else 'lie'} beyond the "
        f"limit on the {side} side"
        for points, side in ((bad, "worse"), (good, "better"))
        if points
    ]
    parts += [f"{count(len(runs), unit)} at the end of a row that chance seldom makes"] if runs else []
    return f"{listed(parts)}. {NO_ALARMS}"


def _some(labels: list[str], most: int = 3) -> str:
    return listed(labels) if len(labels) <= most else f"{', '.join(labels[:most])} and {len(labels) - most} more"


def point_scale(chart: Chart) -> float:
    """What a point is multiplied by to be shown: rates are said a day on the reel."""
    return HOURS_A_DAY if chart.quantity is Quantity.RATE else 1.0


def point_name(chart: Chart) -> str:
    """What a point shows, for a table or an axis."""
    return "breaks a day on the reel" if chart.quantity is Quantity.RATE else chart.quantity.value
