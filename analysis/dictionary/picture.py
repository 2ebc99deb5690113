"""The entity picture: views as boxes with what identifies their rows, and a line for each key between two of them."""

from __future__ import annotations

from html import escape

from analysis.dictionary.catalogue import Dictionary
from analysis.dictionary.keys import OF_MACHINE, Key

_PLACES = (
    ("orphan_note", "", "shift", ""),
    ("note", "", "", "grade_order"),
    ("threading_attempt", "downtime", "grade", "grade_run"),
    ("sheet_break", "", "", "production"),
    ("downtime_alias", "", "cause", "reel"),
    ("sample", "", "sheet_detector", "machine_state"),
    ("numbered_sample", "tag", "signal", "clothing"),
    ("sample_text", "", "detector_fault", "lab"),
    ("message_count", "machine", "broke_tower", "rebuild"),
    ("mill", "published", "configuration", "broke_pit"),
    ("collector_run", "rejected_message", "", ""),
)
"""Rows of the picture; every view has its place, a test sees to it."""
_IDENTITY = {
    "downtime": "downtime_id",
    "note": "note_id",
    "tag": "tag_id; machine, tag",
    "shift": "shift_date, shift",
    "cause": "code",
    "grade": "grade",
    "machine": "machine",
}
_WIDTH, _HEIGHT, _ACROSS, _DOWN, _EDGE = 176, 44, 250, 66, 16
_INK, _LINE, _GROUND = "#1f2933", "#52606d", "#f5f7fa"


def placed() -> dict[str, tuple[int, int]]:
    """Left upper corner of each view's box."""
    return {
        view: (_EDGE + column * _ACROSS, _EDGE + row * _DOWN)
        for row, views in enumerate(_PLACES)
        for column, view in enumerate(views)
        if view
    }


def entity_picture(known: Dictionary) -> str:
    """The picture as one ``<svg>``; keys to the machine are a dot in the box, since nearly every view has one."""
    places = placed()
    lines = [_line(key, places) for key in known.keys if key.view not in OF_MACHINE or key.target != "machine"]
    boxes = [_box(view.name, *places[view.name]) for view in known.views if view.name in places]
    width, height = 2 * _EDGE + 3 * _ACROSS + _WIDTH, 2 * _EDGE + len(_PLACES) * _DOWN + 8
    note = (
        f'<text x="{_EDGE}" y="{height - 12}" font-size="12" fill="{_LINE}">● belongs to a machine. '
        "A line runs to the view that a key names; dashed: some rows have no partner.</text>"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-labelledby="entity-title entity-text" font-family="sans-serif">'
        f'<title id="entity-title">Views of the published store and their keys</title>'
        f'<desc id="entity-text">{escape(" ".join(told(key) for key in known.keys))}</desc>'
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>{"".join(lines)}{"".join(boxes)}{note}</svg>\n'
    )


def told(key: Key) -> str:
    """A key as a sentence."""
    own, other = ", ".join(key.columns), ", ".join(key.target_columns)
    rest = "" if key.always else f", or none: {key.why}"
    return f"{key.view}({own}) names one row of {key.target}({other}){rest}."


def _box(name: str, x: int, y: int) -> str:
    dot = (
        f'<text x="{x + _WIDTH - 20}" y="{y + 18}" font-size="13" fill="{_LINE}">●</text>' if name in OF_MACHINE else ""
    )
    identity = _IDENTITY.get(name, "")
    below = f'<text x="{x + 10}" y="{y + 36}" font-size="11" fill="{_LINE}">{identity}</text>' if identity else ""
    return (
        f'<rect x="{x}" y="{y}" width="{_WIDTH}" height="{_HEIGHT}" rx="4" fill="{_GROUND}" stroke="{_INK}"/>'
        f'<text x="{x + 10}" y="{y + (19 if identity else 27)}" font-size="14" fill="{_INK}">{name}</text>{dot}{below}'
    )


def _line(key: Key, places: dict[str, tuple[int, int]]) -> str:
    (x, y), (to_x, to_y) = places[key.view], places[key.target]
    dash = "" if key.always else ' stroke-dasharray="5 4"'
    if x == to_x:
        start, end = (y, to_y + _HEIGHT) if y > to_y else (y + _HEIGHT, to_y)
        path = f"M{x + _WIDTH // 2} {start} V{end}"
    else:
        start, end = (x + _WIDTH, to_x) if x < to_x else (x, to_x + _WIDTH)
        middle = (start + end) // 2
        path = f"M{start} {y + _HEIGHT // 2} H{middle} V{to_y + _HEIGHT // 2} H{end}"
        side = -1 if end > start else 1
        path += f" m{6 * side} -4 l{-6 * side} 4 l{6 * side} 4"
    return f'<path d="{path}" fill="none" stroke="{_LINE}"{dash}><title>{escape(told(key))}</title></path>'
