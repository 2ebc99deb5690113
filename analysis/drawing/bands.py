"""The pictures: time ledger, days, one period at a glance, each with its text equivalent and its numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from zoneinfo import ZoneInfo

import altair as alt

from analysis.drawing.chart import INK, RULE, WIDTH, Chart, Row, class_fill, data, draw, lookup
from analysis.figures.ledger import Class, Ledger, by_day, section_label
from analysis.figures.tonnes import MS_PER_H
from analysis.history import Downtime
from analysis.period import day_start_ms, local, say
from analysis.result import Picture, Table, minutes, percent, sentence_case

MOST_DAYS = 92
"""A picture shows so many of the newest days."""


def ledger_bar(book: Ledger, table: Table, name: str = "share") -> Picture:
    """The shares of a time ledger as one band; ``table`` is the ledger in numbers, which is shown anyway."""
    rows: list[Row] = []
    left = 0.0
    for cls, ms in book.ms.items():
        share = 100 * ms / book.period.length_ms
        said = f"{cls.value} {share:.1f} %"
        rows.append({"class": cls.value, "from": left, "to": left + share, "middle": left + share / 2, "said": said})
        left += share
    seen = [row for row in rows if row["to"] > row["from"]]
    band = _bands(seen, name, alt.Y("row:N", axis=None), height=34, x_axis=None)
    wide = [row for row in rows if row["to"] - row["from"] >= 8]
    words = alt.Chart(data(wide)).mark_text(color=INK, fontSize=12, fontWeight=600, dy=30)
    shares = ", ".join(f"{r['class']} {r['to'] - r['from']:.2f} %" for r in rows)
    chart = band + words.encode(x="middle:Q", text="said:N")
    svg = draw(chart, name=name, title="Shares of the time ledger", text=shares)
    return Picture(title="Where the time went", svg=svg, text=f"One band, 100 % wide: {shares}.", table=table)


def day_bands(book: Ledger, zone: ZoneInfo, name: str = "days") -> Picture:
    """Every mill day as one band of 24 hours (23 or 25 where clocks change), with its share on the reel."""
    width = WIDTH - 100
    days = by_day(book, zone)[-MOST_DAYS:]
    order = [day.period.name for day in days]
    names = {day.period.name: local(day.period.from_ms, zone).strftime("%a %d %b") for day in days}
    axis = alt.Axis(title=None, labelExpr=lookup(names), domain=False, ticks=False, labelFontSize=10)
    y = alt.Y("row:N", sort=order, axis=axis, scale=alt.Scale(paddingInner=0.18))
    hours = alt.Axis(title="hours since midnight, mill time", values=list(range(0, 26, 3)), grid=True, gridColor=RULE)
    rows = [row for day in days for row in _day_rows(day, zone)]
    band = _bands(rows, name, y, height={"step": 13}, x_axis=hours, width=width)
    shares = [{"row": d.period.name, "said": percent(on_reel_share(d), missing="no data")} for d in days]
    words = alt.Chart(data(shares)).mark_text(align="left", fontSize=10, color=INK)
    chart = band + words.encode(x=alt.value(width + 6), y=y, text="said:N")
    text = "Each band is a mill day from midnight; at its end, the share on the reel of the time with data."
    svg = draw(chart, name=name, title="Day by day", text=f"{text} {sentence_case(days_said(book, zone))}")
    return Picture(title="Day by day", svg=svg, text=text, table=_day_table(days))


def timeline(book: Ledger, zone: ZoneInfo, marks: Mapping[str, str], name: str = "line") -> Picture:
    """One period as one band on mill time; ``marks`` says what to write above each downtime, by its id."""
    start, stretches = book.period.from_ms, book.stretches()
    rows = [{"class": c.value, "from": (a - start) / MS_PER_H, "to": (b - start) / MS_PER_H} for a, b, c in stretches]
    ticks = _hour_ticks(book, zone)
    axis = alt.Axis(title="mill time", values=list(ticks), labelExpr=lookup(ticks), grid=False, labelFontSize=11)
    scale = alt.Scale(domain=[0, book.period.length_ms / MS_PER_H], nice=False)
    band = _bands(rows, name, alt.Y("row:N", axis=None), height=46, x_axis=axis, x_scale=scale)
    downtimes = _downtimes(book)
    labels = [
        {"at": (max(d.started_ms, start) - start) / MS_PER_H, "said": marks[d.downtime_id]}
        for d in downtimes
        if d.downtime_id in marks
    ]
    words = alt.Chart(data(labels)).mark_text(align="left", dy=-32, fontSize=11, color=INK)
    chart = band + words.encode(x="at:Q", text="said:N") if labels else band
    lost = ", ".join(f"{say(d.started_ms, zone)[11:]} {_what(d)}" for d in downtimes)
    text = f"One band from {say(start, zone)} to {say(book.period.to_ms, zone)}. Sheet lost: {lost or 'never'}."
    table = Table(
        title="Stretches of the period",
        columns=("from", "to", "class", "min"),
        rows=tuple((say(a, zone), say(b, zone), c.value, minutes(b - a, 2)) for a, b, c in stretches),
        numbers=frozenset({3}),
    )
    svg = draw(chart, name=name, title="The period at a glance", text=text)
    return Picture(title="The period at a glance", svg=svg, text=text, table=table)


def days_said(book: Ledger, zone: ZoneInfo) -> str:
    """Worst and best day of those with data for at least half of them."""
    known = [
        (share, day.period.name)
        for day in by_day(book, zone)
        if (share := on_reel_share(day)) is not None and day.period.length_ms - day.ms[Class.NO_DATA] >= 12 * MS_PER_H
    ]
    if not known:
        return "no day has data for as much as half of it."
    (worst, bad_day), (best, good_day) = min(known), max(known)
    return f"the best day was {good_day} with {percent(best)} on the reel, the worst {bad_day} with {percent(worst)}."


def on_reel_share(book: Ledger) -> float | None:
    """On-reel time over time with data; None without any. [-]"""
    seen_ms = book.period.length_ms - book.ms[Class.NO_DATA]
    return book.ms[Class.ON_REEL] / seen_ms if seen_ms else None


def _bands(
    rows: Sequence[Row],
    name: str,
    y: alt.Y,
    *,
    height: int | dict[str, int],
    x_axis: alt.Axis | None,
    x_scale: alt.Scale | None = None,
    width: int = WIDTH,
) -> Chart:
    x = alt.X("from:Q", axis=x_axis, scale=x_scale or alt.Scale(nice=False))
    bars = alt.Chart(data(rows)).mark_bar(stroke="#7d8a90", strokeWidth=0.25)
    sized: alt.Chart = bars.properties(width=width, height=height)
    return sized.encode(x=x, x2="to:Q", y=y, fill=class_fill(name, rows))


def _day_rows(day: Ledger, zone: ZoneInfo) -> list[Row]:
    midnight = day_start_ms(local(day.period.from_ms, zone).date(), zone)
    return [
        {"row": day.period.name, "class": c.value, "from": (a - midnight) / MS_PER_H, "to": (b - midnight) / MS_PER_H}
        for a, b, c in day.stretches()
    ]


def _day_table(days: Sequence[Ledger]) -> Table:
    rows = (
        (d.period.name, percent(on_reel_share(d), missing="no data"), *(minutes(ms) for ms in d.ms.values()))
        for d in days
    )
    return Table(
        title="Share on the reel of the time with data, and minutes of each class, day by day",
        columns=("day", "on reel", *(f"{c.value} [min]" for c in Class)),
        rows=tuple(rows),
        numbers=frozenset(range(1, 2 + len(Class))),
    )


def _downtimes(book: Ledger) -> list[Downtime]:
    found = {s.downtime.downtime_id: s.downtime for s in book.slices if s.downtime is not None}
    return list(found.values())


def _what(downtime: Downtime) -> str:
    if downtime.section is None and downtime.kind != "break":
        return downtime.kind
    return f"{downtime.kind} {section_label(downtime)}"


def _hour_ticks(book: Ledger, zone: ZoneInfo) -> dict[float, str]:
    first = -(-book.period.from_ms // MS_PER_H) * MS_PER_H
    step = max(1, round(book.period.length_ms / MS_PER_H / 12)) * MS_PER_H
    hours = range(first, book.period.to_ms + 1, step)
    return {(h - book.period.from_ms) / MS_PER_H: local(h, zone).strftime("%H:%M") for h in hours}
