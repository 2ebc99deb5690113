"""The picture of the replay: the risk through the last judged days, with warnings and breaks."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import altair as alt
import numpy as np

from analysis.drawing.chart import FAINT, INK, RULE, WIDTH, Row, data, draw
from analysis.period import day_start_ms, local
from analysis.risk.replay import Replay
from analysis.risk.warn import Fate

MOST_DAYS = 10
STEP_MIN = 5
HIT, MISS, TRACE = "#14506b", "#9b2c1f", "#5b8aa0"


def risk_svg(replayed: Replay, zone: ZoneInfo, name: str = "risk") -> tuple[str, str]:
    """The picture as one ``<svg>``, and what it shows in a sentence."""
    rows, days = _rows(replayed, zone)
    hits = sum(b.lead_min is not None for b in replayed.breaks)
    false = sum(w.fate is Fate.FALSE for w in replayed.warnings)
    text = (
        f"The last {days} judged days, one line a day: the chance of a break within the horizon (highest of each "
        f"{STEP_MIN} min) and, dashed, the level from which a warning was due. Triangles are warnings, filled if a "
        f"break followed; bars are primary breaks, blue if warned of in time, red and dashed if missed. In all judged "
        f"days {hits} of {len(replayed.breaks)} breaks were warned of, and {false} warnings were false."
    )
    return draw(_chart(rows), name=name, title="Break risk, replayed", text=text), text


def _chart(rows: list[Row]) -> alt.FacetChart:
    base = alt.Chart(data(rows))
    day = alt.Scale(domain=[0, 24], nice=False, clamp=True)
    hour = alt.X("hour:Q", title="hours since midnight, mill time", scale=day)
    percent = alt.Y("risk:Q", title=None, axis=alt.Axis(format="%", tickCount=3, gridColor=RULE))
    area = base.transform_filter("datum.what == 'risk'")
    trace = area.mark_line(color=TRACE, strokeWidth=1.2, interpolate="step-after").encode(
        x=hour, y=percent, detail="part:N"
    )
    level = area.mark_line(color=FAINT, strokeDash=[3, 3], strokeWidth=0.8).encode(x=hour, y="level:Q", detail="part:N")
    paint = alt.Color("kind:N", scale=alt.Scale(domain=["hit", "missed"], range=[HIT, MISS]), legend=None)
    dash = alt.StrokeDash("kind:N", scale=alt.Scale(domain=["hit", "missed"], range=[[1, 0], [4, 2]]), legend=None)
    lost = base.transform_filter("datum.what == 'break'")
    breaks = lost.mark_rule(strokeWidth=2.2).encode(x=hour, color=paint, strokeDash=dash)
    warned = base.transform_filter("datum.what == 'warning'")
    mark = warned.mark_point(shape="triangle-down", size=36, color=INK, opacity=1).encode(
        x=hour,
        y="risk:Q",
        fill=alt.Fill("kind:N", scale=alt.Scale(domain=["followed", "false"], range=[INK, "#ffffff"]), legend=None),
    )
    layers = alt.layer(level, trace, breaks, mark).properties(width=WIDTH - 130, height=46)
    header = alt.Header(title=None, labelAngle=0, labelAlign="left", labelColor=INK)
    faceted: alt.FacetChart = layers.facet(row=alt.Row("day:N", header=header), spacing=6)
    return faceted


def _rows(replayed: Replay, zone: ZoneInfo) -> tuple[list[Row], int]:
    newest = local(int(replayed.at_ms[-1]), zone).date()
    days = [d for d in _dates(replayed, zone) if (newest - d).days < MOST_DAYS]
    rows: list[Row] = []
    for day in days:
        start, name = day_start_ms(day, zone), day.strftime("%m-%d %a")
        end = start + 25 * 3_600_000
        here = [at for at in _steps(replayed, start, end) if local(at[0], zone).date() == day]
        rows += [_trace(name, start, *step) for step in here]
        for b in replayed.breaks:
            if local(b.started_ms, zone).date() == day:
                kind = "missed" if b.lead_min is None else "hit"
                rows.append({"day": name, "what": "break", "hour": _hour(start, b.started_ms), "kind": kind})
        for w in replayed.warnings:
            if local(w.at_ms, zone).date() == day:
                kind = "followed" if w.fate in (Fate.HIT, Fate.LATE) else "false"
                rows.append(
                    {
                        "day": name,
                        "what": "warning",
                        "hour": _hour(start, w.at_ms),
                        "risk": round(w.risk, 4),
                        "kind": kind,
                    }
                )
    return rows, len(days)


def _dates(replayed: Replay, zone: ZoneInfo) -> list[date]:
    hours = np.unique(replayed.at_ms // 3_600_000) * 3_600_000
    return sorted({local(int(h), zone).date() for h in hours})


def _steps(replayed: Replay, start: int, end: int) -> list[tuple[int, float, float, int]]:
    """Highest risk of each step, the level there, and which unbroken part of the trace it belongs to."""
    chosen = np.flatnonzero((replayed.at_ms >= start) & (replayed.at_ms < end))
    if not len(chosen):
        return []
    at_ms, risk, level = replayed.at_ms[chosen], replayed.risk[chosen], replayed.level[chosen]
    step = at_ms // (STEP_MIN * 60_000)
    first = np.concatenate(([0], np.flatnonzero(np.diff(step)) + 1))
    highest = np.maximum.reduceat(risk, first)
    part = np.cumsum(np.diff(step[first], prepend=step[0]) > 1)
    return [(int(at_ms[f]), float(highest[n]), float(level[f]), int(part[n])) for n, f in enumerate(first)]


def _trace(day: str, start: int, at_ms: int, risk: float, level: float, part: int) -> Row:
    shown = None if level >= 1 else round(level, 4)
    return {
        "day": day,
        "what": "risk",
        "hour": _hour(start, at_ms),
        "risk": round(risk, 4),
        "level": shown,
        "part": part,
    }


def _hour(start: int, at_ms: int) -> float:
    return round((at_ms - start) / 3_600_000, 3)
