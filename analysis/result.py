"""What every command gives: a sentence first, then tables, and the same as plain values; pictures for a page."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from math import floor, log10
from typing import Any

MISSING = "not set"
NOTHING = "–"


Cell = str | float | int | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The same table for programs and spreadsheets: plain values, a unit in each column's name; None: not known."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table for people. Every cell is text; columns of ``numbers`` are set flush right.

    note
        What a reader must know to read it: units, what was left out.
    sheet
        Its values unrounded, for files; without it a file has the numbers as they are shown.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    note: str = ""
    sheet: Sheet | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawing with its text equivalent.

    svg
        One ``<svg>`` element that refers to nothing outside itself.
    text
        What the picture shows, in a sentence or two.
    table
        The numbers it was drawn from.
    """

    title: str
    svg: str
    text: str
    table: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One answer.

    subject
        Of what and when: machine and period.
    sentence
        The answer, which follows the subject.
    """

    title: str
    subject: str
    sentence: str
    tables: tuple[Table, ...] = ()
    values: dict[str, Any] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    """What makes the answer less than it seems, each a sentence."""

    @property
    def headline(self) -> str:
        """The answer as a sentence that stands alone."""
        return f"{self.subject}: {self.sentence}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskSection:
    """What the judgement of the risk model puts into a report.

    headline
        The verdict in one sentence: whether the model beats the plain rules, above all.
    columns, rows
        How it and the rules it must beat scored; every cell is text.
    svg
        One ``<svg>`` of ours, or empty for none.
    text
        What the picture shows, or more about how it was judged.
    """

    headline: str
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    svg: str = ""
    text: str = ""


def number(value: float | None, digits: int = 1, missing: str = NOTHING) -> str:
    """A number for people; a dash, or what else is given, for None. What rounds to nothing has no sign."""
    return missing if value is None else signed(f"{value:,.{digits}f}")


def signed(text: str) -> str:
    """A number as text with a true minus, and none before a zero."""
    return text if not text.startswith("-") else "−" + text[1:] if text.strip("-0.,%") else text[1:]


def significant(value: float | None, digits: int = 3, missing: str = NOTHING) -> str:
    """A number for people to so many digits that say something, without a point from 100 up: 1,250,000; 13.2; 0.04."""
    if value is None:
        return missing
    if not value:
        return "0"
    size = floor(log10(abs(value)))
    return signed(f"{round(value, digits - 1 - size):,.{max(0, min(2, digits - 1 - size))}f}")


def percent(value: float | None, digits: int = 1, missing: str = NOTHING) -> str:
    """A share for people, from a fraction."""
    return missing if value is None else signed(f"{100 * value:.{digits}f}") + " %"


def minutes(ms: int, digits: int = 1) -> str:
    """Milliseconds as minutes for people."""
    return f"{ms / 60_000:,.{digits}f}"


def hours(ms: int, digits: int = 2) -> str:
    """Milliseconds as hours for people."""
    return f"{ms / 3_600_000:,.{digits}f}"


def length(ms: int) -> str:
    """A length of time for people, in the unit that suits it."""
    if not ms:
        return "0 min"
    for unit, size in (("d", 86_400_000), ("h", 3_600_000), ("min", 60_000)):
        if ms >= 2 * size:
            return f"{ms / size:,.1f} {unit}"
    return f"{ms / 1000:,.1f} s"


def natural(label: str | None) -> tuple[bool, list[str | int]]:
    """Sorts C60 before C100, and what has no label last."""
    parts = re.split(r"(\d+)", label or "")
    return label is None, [int(part) if part.isdigit() else part for part in parts]


def sentence_case(text: str) -> str:
    """A sentence with its first letter upright; the rest stays."""
    return text[:1].upper() + text[1:]


def count(number: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
