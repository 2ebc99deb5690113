"""Whether a file's units are those of mill.toml: by what stands in brackets behind a name, or in a row below the names.

Pure. A unit that is spelt otherwise is the same unit; one that is not known at all is told as another one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_BRACKETED = re.compile(r"(.*\S)\s*[(\[]\s*([^()\[\]]{1,20}?)\s*[)\]]")
_LEFT_OUT = str.maketrans({" ": None, "·": None, "*": None, "²": "2", "³": "3", "µ": "u", "^": None})
_SPELLINGS = (
    ("m/min", "mpm", "m/minute", "mmin-1"),
    ("m/s", "mps", "ms-1", "m/sec"),
    ("°c", "c", "degc", "celsius", "ºc"),
    ("°f", "f", "degf", "fahrenheit"),
    ("%", "pct", "percent", "prosent", "prozent"),
    ("g/m2", "gsm", "gm-2"),
    ("t/h", "tph", "t/hr", "th-1"),
    ("l/s", "lps"),
    ("rpm", "1/min", "r/min", "min-1"),
)
_OTHERS = (
    "kpa", "pa", "mpa", "mbar", "bar", "kn/m", "n/m", "kg/h", "kg/s", "l/min", "m3/h", "m3/s", "m3", "a", "v", "w",
    "kw", "mw", "hz", "mm", "cm", "m", "um", "s", "min", "h", "ms", "kg", "t", "ph", "ppm", "ms/cm", "us/cm", "g/l",
    "kg/m2", "t/d", "nm", "kj/kg", "mg/l", "k",
)  # fmt: skip
_SAME = {word: words[0] for words in _SPELLINGS for word in words} | {word: word for word in _OTHERS}
_NONE = {"", "-", "--", "–", "bool", "boolean", "text", "string", "0/1", "1", "[]", "()", "none", "n/a"}


def split_name(name: str) -> tuple[str, str | None]:
    """A column's name without a unit in brackets behind it, and that unit."""
    found = _BRACKETED.fullmatch(name)
    return (found[1], found[2]) if found else (name, None)


def _plain(unit: str) -> str:
    bare = unit.strip().strip("[]()").translate(_LEFT_OUT).casefold()
    return _SAME.get(bare, bare)


def is_unit(text: str) -> bool:
    """Whether this is a unit that is known here."""
    return _plain(text) in _SAME.values()


def units_row(rows: Sequence[Sequence[str]]) -> int | None:
    """Which of the rows between names and data holds units: the first with a known one and no long text."""
    for place, row in enumerate(rows):
        if all(len(cell) <= 20 for cell in row) and any(is_unit(cell) for cell in row):
            return place
    return None


def differ(found: str | None, wanted: str | None) -> bool:
    """Whether both are said and are not the same unit."""
    if found is None or wanted is None or found.strip().casefold() in _NONE:
        return False
    return _plain(found) != _plain(wanted)
