"""Pictures of one break: its clock, how the detectors fell, its most unusual tags; each with words and numbers."""

from __future__ import annotations

import altair as alt
import numpy as np

from analysis.dossier.answer import Dossier
from analysis.dossier.falls import Verdict, seen_spans
from analysis.dossier.telling.detectors import falls_said
from analysis.dossier.unusual import Unusual, course, tag_band
from analysis.drawing.chart import BAR, FAINT, INK, WIDTH, Chart, Row, data, draw, grid, names, plain_id
from analysis.evidence.settings import Statistic
from analysis.result import NOTHING, Picture, Table, sentence_case
from analysis.runnability.telling.wording import amount, listed

OWN, QUIET = "#9b2c1f", "#5b8aa0"
"""Apart in lightness as well as in hue, and the quiet one dashed over a band: apart in grey, and for everyone."""
MOST_TAGS = 6
BEFORE_MIN, AFTER_MIN = 2.0, 4.0
BEFORE_S, AFTER_S, MOST_S = 5.0, 6.0, 60.0
MIN_MS = 60_000


def pictures(found: Dossier) -> tuple[tuple[Picture, ...], ...]:
    """Those of the clock, of the detectors and of the tags."""
    clock, fell, tags = how_many(found)
    return (
        (clock_picture(found),) if clock else (),
        (falls_picture(found),) if fell else (),
        (tags_picture(found),) if tags else (),
    )


def how_many(found: Dossier) -> tuple[int, int, int]:
    """How many pictures of the clock, of the detectors and of the tags there are to draw."""
    fell = bool(found.sheet.falls.of(Verdict.FIRST))
    return int(bool(found.sheet.changes)), int(fell), int(bool(found.beside.process))


def clock_picture(found: Dossier) -> Picture:
    """Where the sheet was seen, from just before the loss to just after the return, a lane a detector."""
    start = found.started_ms
    until_ms = min(found.sheet.until_ms, _end_ms(found) + round(AFTER_MIN * MIN_MS))
    lanes = _lanes(found)
    rows: list[Row] = [
        {"lane": lanes[d.tag], "from": (a - start) / MIN_MS, "to": (b - start) / MIN_MS}
        for d in found.sheet.detectors
        if d.tag in found.sheet.changes
        for a, b in seen_spans(found.sheet.changes[d.tag], start - round(BEFORE_MIN * MIN_MS), until_ms)
    ]
    marks = _marks(found)
    scale = alt.Scale(domain=[-BEFORE_MIN, max((until_ms - start) / MIN_MS, 1.0)], nice=False)
    x = alt.X("from:Q", title="minutes after the loss", axis=grid(), scale=scale)
    y = alt.Y("lane:N", sort=list(lanes.values()), title=None, axis=names(160), scale=alt.Scale(paddingInner=0.45))
    bars = alt.Chart(data(rows)).mark_bar(color=BAR).encode(x=x, x2="to:Q", y=y)
    at = alt.X("at:Q", scale=scale)
    rules = alt.Chart(data(marks)).mark_rule(color=INK, strokeDash=[4, 3]).encode(x=at)
    words = alt.Chart(data(marks)).mark_text(color=INK, fontSize=11, align="left", dx=3, baseline="bottom")
    labels = words.encode(x=at, y=alt.Y("height:Q", scale=None, axis=None), text="said:N")
    layers = alt.layer(bars, rules, labels).resolve_scale(y="independent")
    chart = layers.properties(width=WIDTH - 130, height=26 * max(len(lanes), 1) + 34)
    said = "; ".join(f"{m['said']} at {m['at']:.1f} min" for m in marks)
    text = f"One lane a detector, from wet end to reel; a bar while it sees the sheet. {said}."
    table = Table(
        title="When each detector saw the sheet [min after the loss]",
        columns=("detector", "from", "to"),
        rows=tuple((r["lane"], amount(r["from"]), amount(r["to"])) for r in rows),
        numbers=frozenset({1, 2}),
    )
    return _picture(found, chart, "The clock of the break", text, table)


def falls_picture(found: Dossier) -> Picture:
    """The seconds after the loss: when each detector lost the sheet, and when the tail should have passed it."""
    lanes = _lanes(found)
    fallen = [f for f in found.sheet.falls.falls if f.detector.tag in lanes]
    latest = max([f.seen_s for f in fallen if f.seen_s is not None] + [f.expected_s or 0.0 for f in fallen])
    end = min(latest + AFTER_S, MOST_S)
    rows: list[Row] = [
        {
            "lane": lanes[f.detector.tag],
            "from": -BEFORE_S,
            "to": end if f.seen_s is None else min(f.seen_s, end),
            "seen": f.seen_s,
            "expected": f.expected_s,
            "verdict": f.verdict.value,
        }
        for f in fallen
        if f.verdict is not Verdict.NOT_SEEN
    ]
    scale = alt.Scale(domain=[-BEFORE_S, end], nice=False)
    y = alt.Y("lane:N", sort=list(lanes.values()), title=None, axis=names(160), scale=alt.Scale(paddingInner=0.5))
    x = alt.X("from:Q", title="seconds after the loss", axis=grid(), scale=scale)
    bars = alt.Chart(data(rows)).mark_bar(color=BAR).encode(x=x, x2="to:Q", y=y)
    due = alt.Chart(data([r for r in rows if r["expected"] is not None and r["expected"] <= end]))
    expected = due.mark_point(shape="diamond", size=120, stroke=INK, fill="white", opacity=1, strokeWidth=1.4).encode(
        x=alt.X("expected:Q", scale=scale), y=y
    )
    words = alt.Chart(data(rows)).mark_text(align="left", dx=9, fontSize=11, color=INK)
    labels = words.encode(x=alt.X("to:Q", scale=scale), y=y, text="verdict:N")
    chart = alt.layer(bars, expected, labels).properties(width=WIDTH - 260, height={"step": 27})
    said = sentence_case(falls_said(found.sheet.falls, found.case["kind"]))
    text = (
        "One lane a detector, from wet end to reel: the bar ends where it lost the sheet, the diamond is when a tail "
        f"torn at the first one passes at machine speed. {said}"
    )
    table = Table(
        title="Seconds after the loss",
        columns=("detector", "seen", "expected", "what it says"),
        rows=tuple((r["lane"], amount(r["seen"], 1), amount(r["expected"], 1), r["verdict"]) for r in rows),
        numbers=frozenset({1, 2}),
    )
    return _picture(found, chart, "How the detectors lost the sheet", text, table)


def tags_picture(found: Dossier) -> Picture:
    """The most unusual tags minute by minute over the quiet band."""
    shown = found.beside.process[:MOST_TAGS]
    rows = [row for one in shown for row in _tag_rows(found, one)]
    x = alt.X("minute:Q", title="minutes from the loss", axis=grid(), scale=alt.Scale(domain=[-60, 0], nice=False))
    scale = alt.Scale(zero=False)
    base = alt.Chart(data(rows))
    area = base.mark_area(fill=QUIET, opacity=0.25).encode(
        x=x, y=alt.Y("low:Q", title=None, axis=grid(), scale=scale), y2="high:Q"
    )
    middle = base.mark_line(color=QUIET, strokeDash=[6, 3], strokeWidth=1.4).encode(
        x=x, y=alt.Y("median:Q", scale=scale)
    )
    own = base.mark_line(color=OWN, strokeWidth=2.0).encode(x=x, y=alt.Y("own:Q", scale=scale))
    end = alt.datum(-found.beside.settings.lead_min, type="quantitative")
    lead = base.mark_rule(color=FAINT, strokeDash=[2, 3]).encode(x=end)
    layers = alt.layer(area, middle, own, lead)
    header = alt.Header(title=None, labelColor=INK, labelFontSize=11, labelAnchor="start", labelLimit=340)
    sized = layers.properties(width=(WIDTH - 130) // 2, height=110)
    chart = sized.facet(
        facet=alt.Facet("what:N", header=header, sort=[_named(u) for u in shown]), columns=2, spacing=18
    ).resolve_scale(y="independent")
    text = (
        f"The {len(shown)} most unusual tags in the hour before the loss (solid), over median (dashed) and middle four "
        f"fifths (band) of {found.beside.quiet} quiet runs; the dotted line is where looking ends. "
        f"{listed([_out_said(u) for u in shown])}."
    )
    table = Table(
        title="By minute",
        columns=("tag", "minute", "before the break", "quiet median", "from", "to"),
        rows=tuple(
            (r["what"], str(r["minute"]), *(amount(r[k], 3) for k in ("own", "median", "low", "high"))) for r in rows
        ),
        numbers=frozenset(range(1, 6)),
    )
    return _picture(found, chart, "The most unusual tags", text, table)


def _tag_rows(found: Dossier, one: Unusual) -> list[Row]:
    frames, matching = found.beside.frames, found.beside.matching
    if frames is None or matching is None:
        return []
    settings = found.beside.settings
    quiet = np.arange(1, len(frames))
    shown = Statistic.AWAY if one.statistic is Statistic.AWAY else Statistic.LEVEL
    edges = tag_band(frames, one.row, quiet, shown, settings)
    own = course(frames, one.row, 0, shown, settings)
    return [
        {
            "what": _named(one),
            "minute": int(minute),
            "own": _plain(own[n]),
            "median": _plain(edges.median[n]),
            "low": _plain(edges.low[n]),
            "high": _plain(edges.high[n]),
        }
        for n, minute in enumerate(frames.offsets.tolist())
        if minute <= 0
    ]


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _named(one: Unusual) -> str:
    how = ", less the run's normal" if one.statistic is Statistic.AWAY else ""
    unit = f" [{one.tag.unit}]" if one.tag.unit else ""
    return f"{one.tag.tag}{how}{unit}"


def _out_said(one: Unusual) -> str:
    if not one.out:
        return f"{one.tag.tag} as usual"
    way = "restless" if one.statistic is Statistic.SPREAD else "high" if one.by > 0 else "low"
    since = "" if one.left_min is None else f" from {one.left_min} min on"
    return f"{one.tag.tag} {way}{since}"


def _lanes(found: Dossier) -> dict[str, str]:
    """The name of each detector's lane: its section, or its tag where several stand in one section."""
    sections = [d.section for d in found.sheet.detectors]
    return {
        d.tag: d.section if sections.count(d.section) == 1 else d.tag
        for d in found.sheet.detectors
        if d.tag in found.sheet.changes
    }


def _end_ms(found: Dossier) -> int:
    back = found.clock.back_ms
    return found.history.horizon_ms if back is None else back


def _marks(found: Dossier) -> list[Row]:
    """What is written above the lanes, on two levels so that neighbours do not run into each other."""
    clock, start = found.clock, found.started_ms
    at: list[tuple[str, int | None]] = [("lost", start)]
    at += [(f"try {a.attempt}" + (" held" if a.outcome == "held" else ""), a.started_ms) for a in clock.attempts]
    at.append(("on the reel", clock.back_ms))
    known = [(said, ms) for said, ms in at if ms is not None]
    return [
        {"said": said, "at": (ms - start) / MIN_MS, "height": (-4 if n % 2 else -18)}
        for n, (said, ms) in enumerate(known)
    ]


def _picture(found: Dossier, chart: Chart, title: str, text: str, table: Table) -> Picture:
    name = plain_id(f"{found.case['downtime_id']} {title}")
    return Picture(title=title, svg=draw(chart, name=name, title=title, text=text), text=text or NOTHING, table=table)
