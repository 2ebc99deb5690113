"""Pictures of the statistics, each with its text equivalent and the numbers it was drawn from."""

from __future__ import annotations

import math
from collections.abc import Sequence

import altair as alt
import numpy as np

from analysis.drawing.chart import BAR, FAINT, INK, RULE, WIDTH, Chart, Row, data, draw, plain_id
from analysis.result import Picture, Table
from analysis.runnability.control import Chart as ControlChart
from analysis.runnability.mcf import MeanCumulative
from analysis.runnability.monitor import Monitor
from analysis.runnability.observed import Floats
from analysis.runnability.pooling import Pooling
from analysis.runnability.survival import HazardBand, Survival
from analysis.runnability.telling.charts import point_name, point_scale
from analysis.runnability.telling.trend import Trend
from analysis.runnability.telling.wording import amount, percent_of
from analysis.runnability.weibull import Weibull

SIGNAL = "#9b2c1f"
BAND = "#cfdfe6"
_MOST_LABELS = 16


def control_picture(chart: ControlChart, title: str, unit: str) -> Picture:
    """Points in order with their own limits; points that complete a pattern are ringed."""
    scale = point_scale(chart)
    flagged = {s.point for s in chart.signals}
    rows: list[Row] = [
        {
            "place": i,
            "label": label,
            "value": _finite(chart.values[i] * scale),
            "low": _finite(chart.low[i] * scale),
            "high": _finite(chart.high[i] * scale),
            "centre": chart.centre * scale,
            "signal": i in flagged,
        }
        for i, label in enumerate(chart.labels)
    ]
    known = [row for row in rows if row["value"] is not None]
    x = alt.X("place:Q", axis=_place_axis([r["label"] for r in rows], unit), scale=alt.Scale(nice=False))
    # Times between breaks are skew: a root scale shows short ones as well as long ones.
    shape = alt.Scale(domain=[0, _top(chart) * scale], clamp=True) if chart.more_is_worse else alt.Scale(type="sqrt")
    y = alt.Y("value:Q", title=point_name(chart), axis=_plain_axis(), scale=shape)
    base = alt.Chart(data(known))
    band = base.mark_area(interpolate="step", color=BAND, opacity=0.8).encode(
        x=x, y=alt.Y("low:Q", scale=shape), y2="high:Q"
    )
    centre = base.mark_line(color=FAINT, strokeDash=[5, 4], strokeWidth=1).encode(x=x, y="centre:Q")
    line = base.mark_line(color=BAR, strokeWidth=1).encode(x=x, y=y)
    dots = base.mark_circle(color=BAR, size=26, opacity=1).encode(x=x, y=y)
    rings = alt.Chart(data([r for r in known if r["signal"]])).mark_point(color=SIGNAL, size=120, strokeWidth=2)
    layers = alt.layer(band, centre, line, dots, rings.encode(x=x, y=y)).properties(width=WIDTH, height=240)
    text = (
        f"{len(known)} points about a centre of {chart.centre * scale:.2f}, in a band of {chart.limits.value} limits; "
        f"{len(flagged)} ringed: at the end of a pattern that chance seldom makes. A point at the top lies beyond."
    )
    return _picture(layers, title, text, _point_table(rows, unit, point_name(chart)))


def _top(chart: ControlChart) -> float:
    """Where the axis ends: units that hardly ran have limits far beyond all others, which would squeeze the rest."""
    usual = float(np.nanmedian(chart.high))
    shown = [v for v, high in zip(chart.values, chart.high, strict=True) if high <= 2 * usual or v > high]
    return 1.1 * max([usual, *(float(v) for v in shown if np.isfinite(v))])


def survival_picture(curve: Survival, model: Weibull | None, title: str) -> Picture:
    """Share of runs that last longer, with limits, and the fitted Weibull over it."""
    steps: list[Row] = [{"hours": 0.0, "share": 1.0, "low": 1.0, "high": 1.0}]
    steps += [
        {"hours": float(h), "share": float(s), "low": _finite(low), "high": _finite(high)}
        for h, s, low, high in zip(curve.hours, curve.surviving, curve.low, curve.high, strict=True)
    ]
    known = [row for row in steps if row["low"] is not None]
    x = alt.X("hours:Q", title="hours since back on the reel", axis=_plain_axis())
    share = alt.Y(
        "share:Q", title="share of runs that last longer", axis=_plain_axis("%"), scale=alt.Scale(domain=[0, 1])
    )
    band = alt.Chart(data(known)).mark_area(interpolate="step-after", color=BAND, opacity=0.8)
    line = alt.Chart(data(steps)).mark_line(interpolate="step-after", color=BAR, strokeWidth=2)
    layers = [band.encode(x=x, y=alt.Y("low:Q"), y2="high:Q"), line.encode(x=x, y=share)]
    said = ""
    if model is not None:
        grid = np.linspace(0, float(curve.hours[-1]), 120)
        smooth: list[Row] = [
            {"hours": float(h), "share": float(s)} for h, s in zip(grid, model.surviving(grid), strict=True)
        ]
        fitted = alt.Chart(data(smooth)).mark_line(color=INK, strokeDash=[5, 4], strokeWidth=1.2)
        layers.append(fitted.encode(x=x, y=share))
        said = f" Dashed: the Weibull of shape {model.shape:.2f}."
    median = "more than half" if curve.median is None else f"half last longer than {curve.median:.1f} h"
    text = f"A falling staircase in its 95 % limits; {median}.{said}"
    table = Table(
        title="Share of runs that last longer",
        columns=("h", "share", "from", "to"),
        rows=tuple(
            (amount(r["hours"]), percent_of(r["share"]), _percent(r["low"]), _percent(r["high"])) for r in steps
        ),
        numbers=frozenset({0, 1, 2, 3}),
    )
    return _picture(alt.layer(*layers).properties(width=WIDTH, height=240), title, text, table)


def hazard_picture(bands: Sequence[HazardBand], title: str) -> Picture:
    """Breaks per hour by time since the return, as dots with whiskers."""
    rows: list[Row] = [
        {
            "band": _band_name(b),
            "rate": b.rate.rate,
            "low": b.rate.low,
            "high": b.rate.high,
        }
        for b in bands
        if b.rate.rate is not None
    ]
    x = alt.X("band:N", sort=[r["band"] for r in rows], title="minutes since back on the reel", axis=_plain_axis())
    base = alt.Chart(data(rows)).encode(x=x)
    whiskers = base.mark_rule(color=INK, strokeWidth=1.4).encode(
        y=alt.Y("low:Q", title="breaks per on-reel hour"), y2="high:Q"
    )
    dots = base.mark_circle(color=BAR, size=90, opacity=1).encode(y="rate:Q")
    worst = max(rows, key=lambda r: r["rate"], default=None)
    text = (
        "No run." if worst is None else f"Highest at {worst['band']} min: {worst['rate']:.3f} breaks per on-reel hour."
    )
    table = Table(
        title="Breaks per on-reel hour since the return",
        columns=("min", "per h", "from", "to"),
        rows=tuple((r["band"], amount(r["rate"], 3), amount(r["low"], 3), amount(r["high"], 3)) for r in rows),
        numbers=frozenset({1, 2, 3}),
    )
    return _picture(alt.layer(whiskers, dots).properties(width=WIDTH, height=220), title, text, table)


def monitor_picture(found: Monitor, days: Sequence[str], title: str) -> Picture:
    """The limits of the change of the rate, look by look, narrowing about the estimate."""
    rows: list[Row] = [
        {
            "place": i,
            "label": days[i],
            "ratio": _finite(look.ratio),
            "low": max(look.low, 0.0),
            "high": min(look.high, 3.0),
        }
        for i, look in enumerate(found.looks)
    ]
    x = alt.X("place:Q", axis=_place_axis(list(days), "day"), scale=alt.Scale(nice=False))
    scale = alt.Scale(
        domain=[0, max(1.5, min(3.0, max(r["high"] for r in rows[len(rows) // 8 :])))], clamp=True, nice=False
    )
    y = alt.Y("ratio:Q", title="rate since the change / before", axis=_plain_axis(), scale=scale)
    base = alt.Chart(data(rows))
    band = base.mark_area(color=BAND, opacity=0.8).encode(x=x, y=alt.Y("low:Q", scale=scale), y2="high:Q")
    line = base.mark_line(color=BAR, strokeWidth=2).encode(x=x, y=y)
    one = alt.Chart(data([{"ratio": 1.0}])).mark_rule(color=INK, strokeDash=[5, 4]).encode(y=y)
    now = found.looks[-1]
    text = (
        f"The band of limits that hold for all looks together; at the newest of {len(rows)} from {now.low:.2f} to "
        f"{amount(now.high)} times the rate before. Dashed: no change."
    )
    table = Table(
        title="Limits at each look",
        columns=("after", "ratio", "from", "to"),
        rows=tuple(
            (day, amount(look.ratio), amount(look.low), amount(look.high))
            for day, look in zip(days, found.looks, strict=True)
        ),
        numbers=frozenset({1, 2, 3}),
    )
    return _picture(alt.layer(band, one, line).properties(width=WIDTH, height=220), title, text, table)


def trend_picture(found: Trend, title: str) -> Picture:
    """Breaks counted up over on-reel time, with the models over them."""
    events = np.asarray(found.system.events)
    counted: list[Row] = [{"hours": 0.0, "breaks": 0}]
    counted += [{"hours": float(t), "breaks": i + 1} for i, t in enumerate(events)]
    counted.append({"hours": found.system.end, "breaks": events.size})
    grid = np.linspace(0, found.system.end, 100)
    lines: list[Row] = [
        {"hours": 0.0, "breaks": 0.0, "model": "constant rate"},
        {"hours": found.system.end, "breaks": float(events.size), "model": "constant rate"},
    ]
    if found.power_law is not None:
        lines += [{"hours": float(h), "breaks": found.power_law.expected(float(h)), "model": "power law"} for h in grid]
    if found.steps.changes:
        ends = [found.system.start, *(s.end for s in found.steps.segments)]
        sums = np.cumsum([0, *(s.rate.count for s in found.steps.segments)])
        lines += [{"hours": float(h), "breaks": float(n), "model": "steps"} for h, n in zip(ends, sums, strict=True)]
    names = ["breaks", "constant rate", "power law", "steps"]
    shown = [n for n in names if n == "breaks" or any(row["model"] == n for row in lines)]
    colours = {"breaks": BAR, "constant rate": FAINT, "power law": INK, "steps": SIGNAL}
    dashes = {"breaks": [1, 0], "constant rate": [2, 3], "power law": [7, 4], "steps": [1, 0]}
    x = alt.X("hours:Q", title="hours on the reel", axis=_plain_axis(), scale=alt.Scale(nice=False))
    y = alt.Y("breaks:Q", title="breaks so far", axis=_plain_axis())
    legend = alt.Legend(title=None, orient="top", symbolType="stroke", symbolSize=300)
    colour = alt.Color("model:N", scale=alt.Scale(domain=shown, range=[colours[n] for n in shown]), legend=legend)
    dash = alt.StrokeDash("model:N", scale=alt.Scale(domain=shown, range=[dashes[n] for n in shown]), legend=legend)
    staircase = alt.Chart(data([row | {"model": "breaks"} for row in counted])).mark_line(
        interpolate="step-after", strokeWidth=2
    )
    models = alt.Chart(data(lines)).mark_line(strokeWidth=1.4)
    layers = alt.layer(*(c.encode(x=x, y=y, color=colour, strokeDash=dash) for c in (staircase, models)))
    text = (
        f"A staircase of {events.size} breaks over {found.system.end:,.0f} h on the reel, with {', '.join(shown[1:])}. "
        "A staircase that bends upwards is a rising rate."
    )
    table = Table(
        title="Breaks so far",
        columns=("on-reel h", "breaks"),
        rows=tuple((amount(row["hours"]), str(row["breaks"])) for row in counted),
        numbers=frozenset({0, 1}),
    )
    return _picture(layers.properties(width=WIDTH, height=260), title, text, table)


def curve_picture(curve: MeanCumulative, unit: str, title: str) -> Picture:
    """The mean cumulative function in its limits."""
    rows: list[Row] = [{"age": 0.0, "mean": 0.0, "low": 0.0, "high": 0.0, "seen": int(curve.at_risk[0])}]
    rows += [
        {"age": float(a), "mean": float(m), "low": float(low), "high": float(high), "seen": int(n)}
        for a, m, low, high, n in zip(curve.ages, curve.mean, curve.low, curve.high, curve.at_risk, strict=True)
    ]
    top = float(curve.mean.max()) * 2.5
    scale = alt.Scale(domain=[0, min(top, float(curve.high.max()))], clamp=True, nice=False)
    x = alt.X("age:Q", title="hours on the reel since its beginning", axis=_plain_axis(), scale=alt.Scale(nice=False))
    band = alt.Chart(data(rows)).mark_area(interpolate="step-after", color=BAND, opacity=0.8)
    line = alt.Chart(data(rows)).mark_line(interpolate="step-after", color=BAR, strokeWidth=2)
    y = alt.Y("mean:Q", title=f"{unit} so far, mean of one", axis=_plain_axis(), scale=scale)
    layers = alt.layer(band.encode(x=x, y=alt.Y("low:Q", scale=scale), y2="high:Q"), line.encode(x=x, y=y))
    text = (
        f"A rising staircase in its limits over {curve.systems} systems, to {amount(float(curve.mean[-1]), 1)} "
        f"{unit} at {curve.ages[-1]:,.0f} h. Bending upwards: worse with age."
    )
    table = Table(
        title="Mean cumulative function",
        columns=("age [h]", "seen", "mean", "from", "to"),
        rows=tuple(
            (amount(r["age"]), str(r["seen"]), amount(r["mean"]), amount(r["low"]), amount(r["high"])) for r in rows
        ),
        numbers=frozenset({0, 1, 2, 3, 4}),
    )
    return _picture(layers.properties(width=WIDTH, height=240), title, text, table)


def pooling_picture(found: Pooling, axis: str, title: str, *, shares: bool) -> Picture:
    """Each group by its own value (ring) and its pooled one (dot with whisker), in the order given."""
    rows: list[Row] = [
        {"group": g.name, "own": _finite(g.raw), "value": g.value, "low": g.low, "high": g.high, "returns": g.cases}
        for g in found.groups
    ]
    names = [row["group"] for row in rows]
    y = alt.Y("group:N", sort=names, title=None, axis=alt.Axis(domain=False, ticks=False, labelFontSize=11))
    scale = alt.Scale(domain=[0, 1]) if shares else alt.Scale(zero=False)
    x = alt.X("value:Q", title=axis, axis=_plain_axis("%" if shares else "~g"), scale=scale)
    base = alt.Chart(data(rows)).encode(y=y)
    mean = alt.Chart(data([{"value": found.mean}])).mark_rule(color=FAINT, strokeDash=[5, 4]).encode(x=x)
    whiskers = base.mark_rule(color=INK, strokeWidth=1.4).encode(x=alt.X("low:Q", scale=scale), x2="high:Q")
    dots = base.mark_circle(color=BAR, size=100, opacity=1).encode(x=x)
    rings = alt.Chart(data([r for r in rows if r["own"] is not None])).mark_point(color=INK, size=60, strokeWidth=1.2)
    layers = alt.layer(mean, whiskers, rings.encode(x="own:Q", y=y), dots)
    apart = f"{len(found.told_apart)} pairs lie apart" if found.told_apart else "no two lie apart"
    text = f"Rings: each group's own value; dots and whiskers: pooled, with limits; dashed: the mean of all. {apart}."
    say = percent_of if shares else amount
    table = Table(
        title=axis,
        columns=("group", "returns", "its own", "pooled", "from", "to"),
        rows=tuple((g.name, str(g.cases), say(g.raw), say(g.value), say(g.low), say(g.high)) for g in found.groups),
        numbers=frozenset({1, 2, 3, 4, 5}),
    )
    return _picture(layers.properties(width=WIDTH, height={"step": 30}), title, text, table)


def _picture(chart: Chart, title: str, text: str, table: Table) -> Picture:
    return Picture(title=title, svg=draw(chart, name=plain_id(title), title=title, text=text), text=text, table=table)


def _plain_axis(shape: str = "~g") -> alt.Axis:
    return (
        alt.Axis(grid=True, gridColor=RULE, format=shape, labelAngle=0)
        if shape == "%"
        else alt.Axis(grid=True, gridColor=RULE, labelAngle=0)
    )


def _place_axis(labels: Sequence[str], unit: str) -> alt.Axis:
    step = max(1, math.ceil(len(labels) / _MOST_LABELS))
    places = list(range(0, len(labels), step))
    quoted = ",".join(f"{i}:{labels[i]!r}" for i in places)
    return alt.Axis(
        title=unit,
        values=places,
        labelExpr=f"({{{quoted}}})[datum.value]",
        labelAngle=-35,
        grid=False,
        labelFontSize=10,
    )


def _point_table(rows: Sequence[Row], unit: str, name: str) -> Table:
    return Table(
        title="Points of the chart",
        columns=(unit, name, "low limit", "high limit", "signal"),
        rows=tuple(
            (r["label"], amount(r["value"]), amount(r["low"]), amount(r["high"]), "yes" if r["signal"] else "")
            for r in rows
        ),
        numbers=frozenset({1, 2, 3}),
    )


def _band_name(band: HazardBand) -> str:
    return f"over {band.from_min:g}" if math.isinf(band.to_min) else f"{band.from_min:g} to {band.to_min:g}"


def _finite(value: float | np.floating | Floats) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


def _percent(value: float | None) -> str:
    return "–" if value is None else percent_of(value)
