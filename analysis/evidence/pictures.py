"""Pictures of the evidence, each with its text equivalent and the numbers it was drawn from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import altair as alt
import numpy as np

from analysis.drawing.chart import BAR, FAINT, INK, WIDTH, Chart, Row, data, draw, grid, names, plain_id
from analysis.evidence.ages import Ageing
from analysis.evidence.band import Band, band
from analysis.evidence.find import ALL, Evidence, Finding
from analysis.evidence.settings import Statistic
from analysis.evidence.tell import described, lead_said
from analysis.evidence.together import Together
from analysis.result import Picture, Table, significant
from analysis.risk.rows import Ints
from analysis.runnability.telling.wording import amount

BREAKS, QUIET = "#9b2c1f", "#5b8aa0"
"""Apart in lightness as well as in hue, and the quiet one dashed: apart in grey and for every kind of colour vision."""
MOST_EFFECTS = 12
MOST_TRACES = 3
_FURTHEST = 1_000.0
"""Limits of a ratio reach no further in a picture; its table has them whole."""


def pictures(evidence: Evidence, machine: str) -> tuple[Picture, ...]:
    """Effect sizes of the strongest tags; traces and lead of those shown, or of the nearest where none is."""
    ranked = [f for f in (*evidence.shown, *evidence.findings) if f.result_like is None]
    ranked = list({f.tag.tag: f for f in ranked}.values())
    if not ranked:
        return ()
    closer = [f for f in ranked[:MOST_TRACES] if f.detail is not None]
    return (
        effect_picture(evidence, ranked[:MOST_EFFECTS], machine),
        *(trace_picture(evidence, f, machine) for f in closer),
        *((lead_picture(closer, machine),) if closer else ()),
    )


def effect_picture(evidence: Evidence, findings: Sequence[Finding], machine: str) -> Picture:
    """How far each tag tells breaks from quiet runs, with limits; filled if shown."""
    shown = {f.tag.tag for f in evidence.shown}
    rows: list[Row] = [
        {
            "what": _named(f),
            "auc": f.best.auc.value,
            "low": f.best.auc.low,
            "high": f.best.auc.high,
            "shown": "shown" if f.tag.tag in shown else "not shown",
        }
        for f in findings
    ]
    y = alt.Y("what:N", sort=[r["what"] for r in rows], title=None, axis=names(290))
    scale = alt.Scale(domain=[0, 1], nice=False)
    x = alt.X("auc:Q", title="share of comparisons in which the break lies higher (AUC)", axis=grid(), scale=scale)
    base = alt.Chart(data(rows)).encode(y=y)
    chance = alt.Chart(data([{"auc": 0.5}])).mark_rule(color=INK, strokeDash=[5, 4]).encode(x=x)
    whiskers = base.mark_rule(color=INK, strokeWidth=1.4).encode(x=alt.X("low:Q", scale=scale), x2="high:Q")
    fill = alt.Fill("shown:N", scale=alt.Scale(domain=["shown", "not shown"], range=[BAR, "#ffffff"]), legend=_legend())
    dots = base.mark_point(shape="circle", stroke=INK, size=90, opacity=1, strokeWidth=1.2).encode(x=x, fill=fill)
    text = (
        f"The {len(rows)} tags that tell breaks best from matched quiet runs, each with its limits; the dashed line is "
        f"chance. Filled dots are shown: {', '.join(r['what'] for r in rows if r['shown'] == 'shown') or 'none'}."
    )
    table = Table(
        title="Effect sizes",
        columns=("before breaks", "AUC", "from", "to", "shown"),
        rows=tuple(
            (r["what"], amount(r["auc"]), amount(r["low"]), amount(r["high"]), "yes" if r["shown"] == "shown" else "no")
            for r in rows
        ),
        numbers=frozenset({1, 2, 3}),
    )
    layers = alt.layer(chance, whiskers, dots).properties(width=WIDTH - 300, height={"step": 26})
    return _picture(layers, "What tells breaks from quiet runs", machine, text, table)


def ages_picture(ages: Sequence[Ageing], level: float, machine: str) -> tuple[Picture, ...]:
    """By what the rate at a great age exceeds that at a small one; none where nothing can be told."""
    told = {a.name: a for a in ages}
    title = "rate when old / rate when young"
    return _ratio_picture(told, level, "Break rate, old over young", title, machine)


def pairs_picture(pairs: Sequence[Together], level: float, machine: str) -> tuple[Picture, ...]:
    """By what two tags together multiply the odds beyond what both do alone; none where nothing can be told."""
    told = {f"{p.first} and {p.second}": p for p in pairs}
    title = "odds of a break together / what both do alone"
    return _ratio_picture(told, level, "Two tags together", title, machine)


def _ratio_picture(
    ratios: Mapping[str, Ageing | Together], level: float, name: str, title: str, machine: str
) -> tuple[Picture, ...]:
    """Ratios with their limits on a scale of factors, 1 marked; filled if shown."""
    rows: list[Row] = [
        {
            "what": what,
            "times": min(max(one.times, 1 / _FURTHEST), _FURTHEST),
            "low": max(one.low, 1 / _FURTHEST),
            "high": min(one.high, _FURTHEST),
            "said": [significant(x, 2) for x in (one.times, one.low, one.high)],
            "shown": "shown" if one.q is not None and one.q <= level else "not shown",
        }
        for what, one in ratios.items()
        if one.times is not None and one.low is not None and one.high is not None
    ]
    if not rows:
        return ()
    scale = alt.Scale(type="log", base=2, nice=False)
    x = alt.X("times:Q", title=title, axis=grid(), scale=scale)
    base = alt.Chart(data(rows)).encode(y=alt.Y("what:N", sort=[r["what"] for r in rows], title=None, axis=names(290)))
    chance = alt.Chart(data([{"times": 1}])).mark_rule(color=INK, strokeDash=[5, 4]).encode(x=x)
    whiskers = base.mark_rule(color=INK, strokeWidth=1.4).encode(x=alt.X("low:Q", scale=scale), x2="high:Q")
    fill = alt.Fill("shown:N", scale=alt.Scale(domain=["shown", "not shown"], range=[BAR, "#ffffff"]), legend=_legend())
    dots = base.mark_point(shape="circle", stroke=INK, size=90, opacity=1, strokeWidth=1.2).encode(x=x, fill=fill)
    text = (
        f"Each ratio with its limits; the dashed line at 1 is no difference. Filled dots are shown: "
        f"{', '.join(r['what'] for r in rows if r['shown'] == 'shown') or 'none'}."
    )
    table = Table(
        title=name,
        columns=("what", "ratio", "from", "to", "shown"),
        rows=tuple((r["what"], *r["said"], "yes" if r["shown"] == "shown" else "no") for r in rows),
        numbers=frozenset({1, 2, 3}),
    )
    layers = alt.layer(chance, whiskers, dots).properties(width=WIDTH - 300, height={"step": 26})
    return (_picture(layers, name, machine, text, table),)


def trace_picture(evidence: Evidence, finding: Finding, machine: str) -> Picture:
    """Median and band of one tag before breaks and in quiet runs, aligned at the loss."""
    breaks, quiet = _bands(evidence, finding)
    away = _shown_away(finding)
    unit = finding.tag.unit or "its unit"
    rows = [*_band_rows(breaks, "before breaks"), *_band_rows(quiet, "quiet runs")]
    colour = alt.Scale(domain=["before breaks", "quiet runs"], range=[BREAKS, QUIET])
    dash = alt.Scale(domain=["before breaks", "quiet runs"], range=[[1, 0], [6, 3]])
    x = alt.X("minute:Q", title="minutes from the loss", axis=grid(), scale=alt.Scale(nice=False))
    title = f"{finding.tag.tag}{', less the run’s normal' if away else ''} [{unit}]"
    y_scale = alt.Scale(zero=False)
    base = alt.Chart(data(rows))
    area = base.mark_area(opacity=0.22).encode(
        x=x,
        y=alt.Y("low:Q", title=title, axis=grid(), scale=y_scale),
        y2="high:Q",
        color=alt.Color("what:N", scale=colour, legend=_legend("stroke")),
    )
    lines = base.mark_line(strokeWidth=2.2).encode(
        x=x,
        y=alt.Y("median:Q", scale=y_scale),
        color=alt.Color("what:N", scale=colour, legend=_legend("stroke")),
        strokeDash=alt.StrokeDash("what:N", scale=dash, legend=_legend("stroke")),
    )
    window = finding.best.window
    marks = alt.Chart(data([{"minute": window.start}, {"minute": window.end}]))
    edges = marks.mark_rule(color=FAINT, strokeDash=[2, 3]).encode(x=x)
    text = (
        f"{described(finding)}: median and middle four fifths of {breaks.frames} breaks (solid) and {quiet.frames} "
        "quiet runs (dashed) from an hour before the loss; dotted lines bound the window in which it tells best. The "
        f"last {evidence.settings.lead_min} min are not used."
    )
    layers = alt.layer(area, edges, lines).properties(width=WIDTH - 60, height=230)
    return _picture(
        layers, f"{finding.tag.tag} before breaks and in quiet runs", machine, text, _by_minute(finding, breaks, quiet)
    )


def _by_minute(finding: Finding, breaks: Band, quiet: Band) -> Table:
    return Table(
        title=f"{finding.tag.tag} by minute",
        columns=("minute", "breaks", "from", "to", "quiet", "from", "to"),
        rows=tuple(
            (str(int(m)), *(amount(v, 3) for v in values))
            for m, *values in zip(
                breaks.offsets, breaks.median, breaks.low, breaks.high, quiet.median, quiet.low, quiet.high, strict=True
            )
            if m <= 0
        ),
        numbers=frozenset(range(7)),
    )


def lead_picture(findings: Sequence[Finding], machine: str) -> Picture:
    """From when on each tag tells, stretch by stretch."""
    rows = _lead_rows(findings)
    x = alt.X("minute:Q", title="minutes from the loss", axis=grid(), scale=alt.Scale(domain=[-60, 0], nice=False))
    scale = alt.Scale(domain=[0, 1], nice=False)
    base = alt.Chart(data(rows))
    chance = base.mark_rule(color=INK, strokeDash=[5, 4]).encode(y=alt.datum(0.5, type="quantitative", scale=scale))
    whiskers = base.mark_rule(color=INK, strokeWidth=1.3).encode(x=x, y=alt.Y("low:Q", scale=scale), y2="high:Q")
    dots = base.mark_circle(color=BAR, size=60, opacity=1).encode(
        x=x, y=alt.Y("auc:Q", title="AUC, its way", axis=grid(), scale=scale)
    )
    layers = alt.layer(chance, whiskers, dots).properties(width=WIDTH - 60, height=110)
    header = alt.Header(title=None, labelAngle=0, labelAnchor="start", labelColor=INK, labelOrient="top")
    chart = layers.facet(row=alt.Row("what:N", header=header, sort=[_named(f) for f in findings]), spacing=12)
    leads = "; ".join(f"{_named(f)}: {lead_said(f)}" for f in findings)
    text = (
        "How well each tag tells breaks from quiet runs in stretches of five minutes before the loss; above the dashed "
        "line in the direction in which it tells. It shows from the first stretch after which all limits stay clear: "
        f"{leads}."
    )
    table = Table(
        title="AUC by stretch",
        columns=("tag", "middle [min]", "AUC", "from", "to"),
        rows=tuple(
            (r["what"], amount(r["minute"], 1), amount(r["auc"]), amount(r["low"]), amount(r["high"])) for r in rows
        ),
        numbers=frozenset({1, 2, 3, 4}),
    )
    return _picture(chart, "From when on it shows", machine, text, table)


def _lead_rows(findings: Sequence[Finding]) -> list[Row]:
    rows: list[Row] = []
    for f in findings:
        if f.detail is None:
            continue
        rows += [
            {
                "what": _named(f),
                "minute": (start + end) / 2,
                "auc": auc.value if f.upwards else 1 - auc.value,
                "low": auc.low if f.upwards else 1 - auc.high,
                "high": auc.high if f.upwards else 1 - auc.low,
            }
            for (start, end), auc in zip(f.detail.lead.bins, f.detail.lead.aucs, strict=True)
            if auc.breaks
        ]
    return rows


def _bands(evidence: Evidence, finding: Finding) -> tuple[Band, Band]:
    frames, matching = evidence.frames, evidence.matching
    number = frames.cells.number(finding.tag.tag)
    own = evidence.parts[finding.among]
    used = np.unique(matching.controls[own])
    settings = evidence.settings
    least = settings.normal_after_h * 60 // settings.normal_every_min
    away = frames.normal(number, least) if _shown_away(finding) else None
    quiet: Ints = len(matching) + used[used >= 0]
    return band(frames, number, own, away=away), band(frames, number, quiet, away=away)


def _shown_away(finding: Finding) -> bool:
    """Whether its distance from the run's normal is drawn, not its level."""
    return finding.best.statistic is not Statistic.LEVEL


def _band_rows(of: Band, what: str) -> list[Row]:
    return [
        {"what": what, "minute": int(m), "median": float(mid), "low": float(low), "high": float(high)}
        for m, mid, low, high in zip(of.offsets, of.median, of.low, of.high, strict=True)
        if m <= 0 and np.isfinite(mid)
    ]


def _named(finding: Finding) -> str:
    """Unique in a picture."""
    return described(finding) + ("" if finding.among == ALL else f" ({finding.among})")


def _picture(chart: Chart, title: str, machine: str, text: str, table: Table) -> Picture:
    svg = draw(chart, name=plain_id(f"{machine} {title}"), title=title, text=text)
    return Picture(title=title, svg=svg, text=text, table=table)


def _legend(symbol: str = "circle") -> alt.Legend:
    if symbol == "stroke":
        # Without these the legend takes on the faintness of the bands.
        return alt.Legend(
            title=None, orient="top", symbolType="stroke", symbolSize=300, symbolOpacity=1, symbolStrokeWidth=2.2
        )
    return alt.Legend(title=None, orient="top", symbolType=symbol, symbolSize=90)
