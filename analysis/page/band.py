"""The band: what a machine did over a shift as one strip of paper, torn where the sheet was lost. Drawn as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from analysis.figures.ledger import Ledger
from analysis.period import Period, local

STATES = ("on_reel", "threading", "down", "stopped", "stock_off", "no_data")
_HATCHED = ("threading", "stopped", "stock_off", "no_data")
_ROWS = 3
"""Rows of numbers above the strip, so that those of neighbours do not meet."""
_APART_PCT = 3.2
"""Numbers nearer than this would touch. [% of the width]"""
_ROW, _STRIP, _FOOT = 32, 76, 34
"""Heights: of a row of numbers, of the strip, of the hours below it. [px]"""
_MOST_HOURS = 7
"""Hours that are written; more would touch on a tablet. Every second one is spared on a telephone."""
_WRITTEN_FROM_PCT = 9.0
"""A stretch this wide has room for its length in writing."""
_WRITTEN_ON_TELEPHONE_FROM_PCT = 28.0
"""Seven signs of 21 px are 85 px wide; the strip of a telephone is 336."""
_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Time of one state. [ms since 1970]"""

    state: str
    from_ms: int
    to_ms: int
    downtime_id: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A numbered moment above the strip."""

    number: int
    at_ms: int
    open: bool


def stretches(book: Ledger) -> list[Stretch]:
    """The states of a ledger, neighbours of one state and downtime joined; they add up to its period.

    A loss that people added is one, though the detectors saw the sheet on the reel.
    """
    found: list[Stretch] = []
    for s in book.slices:
        downtime_id = s.downtime.downtime_id if s.downtime else None
        state = "down" if s.downtime and s.state == "on_reel" else s.state
        last = found[-1] if found else None
        if last and (last.state, last.downtime_id) == (state, downtime_id):
            found[-1] = Stretch(state=state, from_ms=last.from_ms, to_ms=s.to_ms, downtime_id=downtime_id)
        else:
            found.append(Stretch(state=state, from_ms=s.from_ms, to_ms=s.to_ms, downtime_id=downtime_id))
    return found


def band(
    rows: Sequence[Stretch], marks: Sequence[Mark], whole: Period, zone: ZoneInfo, *, title: str, said: str, unit: str
) -> Markup:
    """The strip as one ``<svg>``: widths are shares, so that it fits any screen and its writing is never squeezed.

    whole
        From edge to edge; what is not known yet stays empty.
    said
        What it shows, for those who do not see it; the table beside it has the rest.
    unit
        Of the minutes that are written into wide stretches.
    """
    placed = _in_rows(marks, whole)
    top = _ROW * (1 + max((row for _, __, row in placed), default=0)) + 6
    parts = [
        f'<svg class="band" width="100%" height="{top + _STRIP + _FOOT}" role="img" '
        f'aria-labelledby="band-title band-said"><title id="band-title">{escape(title)}</title>'
        f'<desc id="band-said">{escape(said)}</desc><defs>{"".join(_hatch(state) for state in _HATCHED)}</defs>',
        f'<rect class="track" x="0" y="{top}" width="100%" height="{_STRIP}"/>',
        *(_stretch(row, whole, unit, top) for row in rows),
        *_hours(whole, zone, top),
        *(_mark(mark, left, row, top) for mark, left, row in placed),
        "</svg>",
    ]
    return Markup("".join(parts))


def _share(ms: int, whole: Period) -> float:
    return round(100 * ms / whole.length_ms, 3)


def _stretch(row: Stretch, whole: Period, unit: str, top: int) -> str:
    left, width = _share(row.from_ms - whole.from_ms, whole), _share(row.to_ms - row.from_ms, whole)
    # The tail is a strip of the sheet's width only.
    inset = _STRIP // 4 if row.state == "threading" else 0
    drawn = (
        f'<rect class="state {escape(row.state)}" x="{left}%" y="{top + inset}" width="{width}%" '
        f'height="{_STRIP - 2 * inset}"/>'
    )
    if row.state == "on_reel" and width >= _WRITTEN_FROM_PCT:
        minutes = round((row.to_ms - row.from_ms) / 60_000)
        spare = " spare" if width < _WRITTEN_ON_TELEPHONE_FROM_PCT else ""
        drawn += (
            f'<text class="length{spare}" x="{left + width / 2:.3f}%" y="{top + _STRIP // 2 + 7}">'
            f"{minutes} {escape(unit)}</text>"
        )
    return drawn


def _hours(whole: Period, zone: ZoneInfo, top: int) -> list[str]:
    """A tick at each full hour of mill time, written where there is room."""
    ticks = []
    when = local(whole.from_ms, zone).replace(minute=0, second=0, microsecond=0)
    at_ms = round(when.timestamp() * 1000)
    every = max(1, -(-whole.length_ms // _HOUR_MS // (_MOST_HOURS - 1)))
    for number in range(round(whole.length_ms / _HOUR_MS) + 2):
        tick_ms = at_ms + number * _HOUR_MS
        if not whole.from_ms <= tick_ms <= whole.to_ms:
            continue
        left = _share(tick_ms - whole.from_ms, whole)
        ticks.append(f'<line class="tick" x1="{left}%" x2="{left}%" y1="{top + _STRIP}" y2="{top + _STRIP + 9}"/>')
        if number % every == 0:
            anchor = "start" if left < 2 else "end" if left > 98 else "middle"
            spare = " spare" if number // every % 2 else ""
            sort, written = f"hour {anchor}{spare}", f"{local(tick_ms, zone):%H:%M}"
            ticks.append(f'<text class="{sort}" x="{left}%" y="{top + _STRIP + 30}">{written}</text>')
    return ticks


def _in_rows(marks: Sequence[Mark], whole: Period) -> list[tuple[Mark, float, int]]:
    """Each mark with its place from the left and its row, from the strip up."""
    placed: list[tuple[Mark, float, int]] = []
    ends = [-100.0] * _ROWS
    for mark in sorted(marks, key=lambda m: m.at_ms):
        left = min(max(_share(mark.at_ms - whole.from_ms, whole), 1.2), 98.8)
        row = next((n for n, end in enumerate(ends) if left - end >= _APART_PCT), _ROWS - 1)
        ends[row] = left
        placed.append((mark, left, row))
    return placed


def _mark(mark: Mark, left: float, row: int, top: int) -> str:
    middle, sort = top - 20 - row * _ROW, "open" if mark.open else "done"
    return (
        f'<line class="stem" x1="{left}%" x2="{left}%" y1="{middle}" y2="{top}"/>'
        f'<circle class="mark {sort}" cx="{left}%" cy="{middle}" r="14"/>'
        f'<text class="number {sort}" x="{left}%" y="{middle + 6}">{mark.number}</text>'
    )


def _hatch(state: str) -> str:
    turned = {"threading": 45, "stopped": 0, "stock_off": 90, "no_data": 135}[state]
    return (
        f'<pattern id="hatch-{state}" width="9" height="9" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({turned})"><rect class="ground {state}" width="9" height="9"/>'
        f'<rect class="stroke {state}" width="3.5" height="9"/></pattern>'
    )
