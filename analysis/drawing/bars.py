"""The pictures of losses ranked and of what they cost a year, each with its text equivalent and its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

import altair as alt

from analysis.drawing.chart import INK, Chart, Row, data, draw, sort_fill
from analysis.pareto import Amount, Bar, Cost, Measure, Pareto, Sort, Worth
from analysis.result import Picture, Table, number, significant

MOST_BARS = 14
"""A picture shows so many bars and one for the rest (but all hours of the day); the table beside it shows them all."""
_LINE = "#b3541e"
_PANEL = 196
_NARROW = 158
_LABELS = 150
_STEP = 19


def pareto_bars(pareto: Pareto, table: Table, currency: str, name: str = "pareto") -> Picture:
    """Bars of a Pareto in every measure that is known, each in its own order with the line of what they add up to.

    table
        The numbers behind it, since the command shows them anyway.
    """
    name = f"{name}-{pareto.by}"
    measures = [m for m in Measure if any(bar.value(m) is not None for bar in pareto.bars)]
    panels = [_panel(pareto, measure, name, currency, place=place) for place, measure in enumerate(measures)]
    abreast = len(panels) if pareto.in_order else 2
    lines = [alt.hconcat(*panels[n : n + abreast], spacing=20) for n in range(0, len(panels), abreast)]
    title = f"{pareto.noun.capitalize()}s by {pareto.by}"
    svg = draw(alt.vconcat(*lines, spacing=22), name=name, title=title, text=_text(pareto, measures))
    return Picture(title=title, svg=svg, text=_text(pareto, measures), table=table)


def _text(pareto: Pareto, measures: Sequence[Measure]) -> str:
    ranks = {m: pareto.rank(m) for m in measures}
    said = "; ".join(f"greatest in {m.value}: {min(rank, key=rank.__getitem__)}" for m, rank in ranks.items() if rank)
    order = "in their own order" if pareto.in_order else "each measure in its own order, greatest first"
    line = "" if pareto.in_order else " Line: share of the total down to there, on the scale above."
    return f"{pareto.noun.capitalize()}s by {pareto.by}, {order}; {said}. Whiskers: 95 % intervals.{line}"


def _panel(pareto: Pareto, measure: Measure, name: str, currency: str, *, place: int) -> Chart:
    rows = _bar_rows(pareto, measure)
    # Bars in their own order have it in common: names at the left are enough.
    named = not (pareto.in_order and place)
    y = _labels([row["label"] for row in rows], shown=named, flush=not pareto.in_order)
    most = max([row["high"] for row in rows], default=1) or 1
    x = alt.X(
        "value:Q",
        title=_title(pareto, measure, currency),
        scale=alt.Scale(domain=[0, most * (1.24 if pareto.in_order else 1.04)], nice=False),
        axis=alt.Axis(grid=False, tickCount=4, format=",~r", labelOverlap="greedy", labelSeparation=6),
    )
    if pareto.in_order or not rows:
        return _sized(_whiskered(rows, x, y, name), _NARROW)
    # Beside the panel the line cannot cross the numbers.
    bars = _whiskered(rows, x, y, name, words_at=_PANEL + 8)
    return _sized(_with_line(bars, rows, y), _PANEL)


def _sized(chart: Chart, width: int) -> Chart:
    sized: Chart = chart.properties(width=width, height={"step": _STEP})
    return sized


def _labels(labels: Sequence[str], *, shown: bool = True, flush: bool = True) -> alt.Y:
    """The names of the bars; ``flush`` gives them the same width in every panel, so that panels stand flush."""
    axis = alt.Axis(title=None, domain=False, ticks=False, labelLimit=_LABELS, labelFontSize=11)
    if flush:
        axis.minExtent = axis.maxExtent = _LABELS
    return alt.Y("label:N", sort=list(labels), axis=axis if shown else None)


def _whiskered(rows: Sequence[Row], x: alt.X, y: alt.Y, name: str, *, words_at: int | None = None) -> Chart:
    """Bars with their intervals and numbers, which stand behind each whisker or all at one place. [px]"""
    end = "end:Q" if words_at is None else alt.value(words_at)
    base = alt.Chart(data(rows))
    spread = alt.Chart(data([row for row in rows if row["low"] < row["high"]]))
    bars = base.mark_bar(height=12).encode(x=x, y=y, fill=sort_fill(name))
    halo = spread.mark_rule(color="white", strokeWidth=3.5, opacity=0.8).encode(x="low:Q", x2="high:Q", y=y)
    whiskers = spread.mark_rule(color=INK, strokeWidth=1.2).encode(x="low:Q", x2="high:Q", y=y)
    words = base.mark_text(align="left", dx=4, fontSize=10, color=INK).encode(x=end, y=y, text="said:N")
    layered: Chart = alt.layer(bars, halo, whiskers, words)
    return layered


def _with_line(bars: Chart, rows: Sequence[Row], y: alt.Y) -> Chart:
    sums = list(accumulate(row["value"] for row in rows))
    total = sums[-1] or 1.0
    points = [row | {"share": 100 * value / total} for row, value in zip(rows, sums, strict=True)]
    axis = alt.Axis(
        orient="top", values=[0, 50, 100], labelExpr="datum.value + ' %'", grid=False, labelColor=_LINE, ticks=False
    )
    x = alt.X("share:Q", title=None, scale=alt.Scale(domain=[0, 104], nice=False), axis=axis)
    base = alt.Chart(data(points)).encode(x=x, y=y)
    halo = base.mark_line(color="white", strokeWidth=3, opacity=0.7).encode(order="share:Q")
    line = base.mark_line(color=_LINE, strokeWidth=1.2).encode(order="share:Q")
    dots = base.mark_point(color=_LINE, filled=True, size=16, shape="diamond", opacity=1)
    both: Chart = alt.layer(bars, alt.layer(halo, line, dots)).resolve_scale(x="independent")
    return both


def _title(pareto: Pareto, measure: Measure, currency: str) -> str:
    match measure:
        case Measure.COUNT:
            return f"{pareto.noun}s"
        case Measure.MINUTES:
            return "lost time [min]"
        case Measure.TONNES:
            return "lost paper [t]"
        case Measure.MONEY:
            return f"cost [{currency}]"


def _bar_rows(pareto: Pareto, measure: Measure) -> list[Row]:
    most = len(pareto.bars) if pareto.in_order else MOST_BARS
    bars = list(pareto.bars) if pareto.in_order else pareto.order(measure)
    # The uncoded remainder is a bar of its own, however many there are.
    apart = [bar for bar in bars if bar.sort is Sort.REMAINDER]
    ranked = [bar for bar in bars if bar.sort is not Sort.REMAINDER]
    kept = max(1, most - len(apart))
    shown, rest = ranked[:kept], ranked[kept:]
    rows = [_bar_row(bar, measure) for bar in shown]
    if rest:
        total = sum(bar.value(measure) or 0 for bar in rest)
        rows.append(_row(f"{len(rest)} others together", Sort.REMAINDER, total, None, _digits(measure)))
    return rows + [_bar_row(bar, measure) for bar in apart]


def _bar_row(bar: Bar, measure: Measure) -> Row:
    label = f"{bar.label} {bar.name}".strip()
    return _row(label, bar.sort, bar.value(measure), bar.interval(measure), _digits(measure))


def _digits(measure: Measure) -> int:
    return 0 if measure in (Measure.COUNT, Measure.MONEY) else 1


def _row(label: str, sort: Sort, value: float | None, interval: tuple[float, float] | None, digits: int) -> Row:
    low, high = interval or (value or 0, value or 0)
    said = number(value, digits, "not known")
    return {
        "label": label,
        "sort": sort.value,
        "value": value or 0,
        "low": low,
        "high": high,
        "end": max(high, 0),
        "said": said,
    }


def worth_bars(found: Worth, table: Table, currency: str, name: str = "worth") -> Picture:
    """What it would be worth a year to be rid of each, with intervals; in money where prices are set, else in hours."""
    name = f"{name}-{found.by}"
    rows = [_worth_row(cost) for cost in found.costs if cost.saved is not None][:MOST_BARS]
    unit = currency if any(cost.saved_cost for cost in found.costs) else "h"
    what = "if it were down to the others" if found.to_others else "if there were none"
    low, high = min([0.0, *(r["low"] for r in rows)]), max([1.0, *(r["high"] for r in rows)])
    room = 0.2 * (high - low)
    axis = alt.Axis(grid=False, tickCount=5, format=",~r", labelOverlap="greedy", labelSeparation=6)
    scale = alt.Scale(domain=[low - (room if low else 0), high + room], nice=False)
    x = alt.X("value:Q", title=f"worth {what} [{unit} a year]", scale=scale, axis=axis)
    chart = _whiskered(rows, x, _labels([row["label"] for row in rows]), name)
    text = f"Worth a year {what}, by {found.by}, the dearest first. Whiskers: 95 % intervals."
    svg = draw(chart.properties(width=520, height={"step": _STEP}), name=name, title="Worth a year", text=text)
    return Picture(title=f"Worth a year, by {found.by}", svg=svg, text=text, table=table)


def _worth_row(cost: Cost) -> Row:
    saved = cost.saved or Amount(value=0.0, low=0.0, high=0.0)
    row = _row(f"{cost.label} {cost.name}".strip(), cost.sort, saved.value, (saved.low, saved.high), 0)
    return row | {"said": significant(saved.value)}
