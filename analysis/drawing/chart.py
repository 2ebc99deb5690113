"""The look of every picture, and how a chart becomes one self-contained, described ``<svg>``."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import altair as alt
import vl_convert

from analysis.figures.ledger import Class
from analysis.pareto import Sort

INK = "#22313a"
FAINT = "#7f8c92"
RULE = "#dfe5e6"
BAR = "#5b8aa0"
WIDTH = 800
"""Of a picture, so that it fills a page of the report. [px]"""

FILL = {
    Class.ON_REEL: "#d5e5de",
    Class.BREAK: "#9b2c1f",
    Class.STOP: "#44525c",
    Class.PLANNED: "#4d83b0",
    Class.UNKNOWN: "#c2a05f",
    Class.NO_DATA: "#ffffff",
}
"""One colour a class, apart in lightness too, so that they stay apart in grey and for every kind of colour vision."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hatch:
    """Strokes over a ground, at an angle. [degree]"""

    ground: str
    stroke: str
    angle: int


_CLASS_HATCHES: dict[Class, Hatch] = {
    Class.STOP: Hatch(ground=FILL[Class.STOP], stroke="#aab6bd", angle=90),
    Class.PLANNED: Hatch(ground=FILL[Class.PLANNED], stroke="#dbe8f2", angle=45),
    Class.UNKNOWN: Hatch(ground=FILL[Class.UNKNOWN], stroke="#5f4a17", angle=135),
    Class.NO_DATA: Hatch(ground=FILL[Class.NO_DATA], stroke="#7f8c92", angle=45),
}
_SORT_HATCHES: dict[Sort, Hatch] = {
    Sort.DOUBTFUL: Hatch(ground=BAR, stroke="#dce8ed", angle=45),
    Sort.REMAINDER: Hatch(ground="#7f8c92", stroke="#ffffff", angle=135),
}

Row = dict[str, Any]
Chart = alt.Chart | alt.LayerChart | alt.FacetChart | alt.HConcatChart | alt.VConcatChart


def grid() -> alt.Axis:
    """An axis of numbers."""
    return alt.Axis(grid=True, gridColor=RULE, labelAngle=0)


def names(most_px: int) -> alt.Axis:
    """An axis of names, cut where they are longer. [px]"""
    return alt.Axis(domain=False, ticks=False, labelFontSize=11, labelLimit=most_px)


def data(rows: Sequence[Row]) -> alt.InlineData:
    """Rows for a chart to draw."""
    return alt.InlineData(values=list(rows))


def class_fill(name: str, rows: Sequence[Row]) -> alt.Fill:
    """Fill by class of the time ledger in the picture of that name, with a legend of the classes that occur above."""
    seen = {row["class"] for row in rows}
    paints = [f"url(#{_id(name, c)})" if c in _CLASS_HATCHES else FILL[c] for c in Class]
    legend = alt.Legend(
        title=None,
        orient="top",
        symbolType="square",
        symbolSize=130,
        symbolStrokeWidth=0.6,
        values=[c.value for c in Class if c.value in seen],
    )
    return alt.Fill("class:N", scale=alt.Scale(domain=[c.value for c in Class], range=paints), legend=legend)


def sort_fill(name: str) -> alt.Fill:
    """Fill by sort of bar in the picture of that name."""
    paints = [f"url(#{_id(name, s)})" if s in _SORT_HATCHES else BAR for s in Sort]
    return alt.Fill("sort:N", scale=alt.Scale(domain=[s.value for s in Sort], range=paints), legend=None)


def lookup(names: Mapping[float, str] | Mapping[str, str]) -> str:
    """The label expression that shows each axis value under a name of ours."""
    # JavaScript, where the expression is evaluated, writes 2.0 as 2.
    quoted = (f"{str(key).removesuffix('.0')!r}:{value!r}" for key, value in names.items())
    return f"({{{','.join(quoted)}}})[datum.value]"


def draw(chart: Chart, *, name: str, title: str, text: str) -> str:
    """The chart as one ``<svg>``: hatches defined inside it, titled and described for those who cannot see it.

    name
        Of the picture, unique in a page: ids inside the picture begin with it.
    """
    styled = (
        chart.configure(font="sans-serif", background="transparent")
        .configure_view(stroke=None)
        .configure_axis(labelColor=INK, titleColor=INK, domainColor=FAINT, tickColor=FAINT, titleFontWeight="normal")
        .configure_legend(labelColor=INK, labelFontSize=11)
    )
    drawn: str = vl_convert.vegalite_to_svg(styled.to_dict())
    # Every picture numbers its clip paths and gradients from 0; in one page they would meet.
    drawn = re.sub(r'(id="|url\(#)((?:clip|gradient)_?\d+)', rf"\g<1>{name}-\g<2>", drawn)
    hatches = [(_id(name, c), h) for c, h in _CLASS_HATCHES.items()] + [
        (_id(name, s), h) for s, h in _SORT_HATCHES.items()
    ]
    defined = "".join(_pattern(key, hatch) for key, hatch in hatches if f"url(#{key})" in drawn)
    head, _, body = drawn.partition(">")
    return f'{head} role="img"><title>{escape(title)}</title><desc>{escape(text)}</desc><defs>{defined}</defs>{body}'


def plain_id(text: str) -> str:
    """Any text as the beginning of an id."""
    return "p" + re.sub(r"[^A-Za-z0-9]+", "-", text)


def _id(name: str, of: Class | Sort) -> str:
    return f"{name}-{of.value.replace(' ', '-')}"


def _pattern(key: str, hatch: Hatch) -> str:
    return (
        f'<pattern id="{key}" width="5" height="5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({hatch.angle})"><rect width="5" height="5" fill="{hatch.ground}"/>'
        f'<rect width="1.6" height="5" fill="{hatch.stroke}"/></pattern>'
    )
