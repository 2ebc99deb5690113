"""Tonnes made, lost and turned into broke, in words."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from analysis.figures.ledger import Class, Ledger
from analysis.figures.tonnes import MS_PER_H, Lost, Made, Output, output
from analysis.history import History
from analysis.result import NOTHING, Result, Table, hours, length, natural, number
from analysis.telling.common import about, named


def tell_production(history: History, book: Ledger) -> Result:
    """What was made and what was lost in a period, in all and by grade."""
    found = output(history, book)
    return Result(
        title=f"Tonnes, {history.machine.name}",
        subject=named(history, book.period),
        sentence=(
            f"{number(found.made.tonnes_t)} t made on the reel, "
            f"{number(found.lost.tonnes_t)} t not made while the sheet was off it."
        ),
        tables=production_tables(found, book),
        values=about(history, book.period) | production_values(found),
    )


def production_tables(found: Output, book: Ledger) -> tuple[Table, Table]:
    """Made and lost in all, and made by grade."""
    return production_table(found.made, found.lost, book.ms[Class.ON_REEL]), _grade_table(found.by_grade)


def production_values(found: Output) -> dict[str, Any]:
    """The same for programs, and reel by reel: each adds up to what was made. [t], [ms], [m]"""
    return {
        "made": _plain(found.made),
        "lost": asdict(found.lost),
        "by_grade": {key or "": _plain(m) for key, m in found.by_grade.items()},
        "by_reel": {key or "": _plain(m) for key, m in found.by_reel.items()},
    }


def _plain(m: Made) -> dict[str, Any]:
    """For programs; ``asdict`` copies what needs no copy, for each of a year's reels."""
    return {
        "tonnes_t": m.tonnes_t,
        "on_reel_ms": m.on_reel_ms,
        "unknown_ms": m.unknown_ms,
        "length_m": m.length_m,
    }


def _grade_table(grades: dict[str | None, Made]) -> Table:
    rows = (
        (
            grade or "grade not known",
            number(m.tonnes_t),
            hours(m.on_reel_ms),
            number(m.length_m / 1000, 0),
            _rate_said(m),
        )
        for grade, m in sorted(grades.items(), key=lambda item: natural(item[0]))
    )
    return Table(
        title="Made, by grade",
        columns=("grade", "t", "h on reel", "km", "t/h"),
        rows=tuple(rows),
        numbers=frozenset({1, 2, 3, 4}),
    )


def _rate_said(found: Made) -> str:
    known_ms = found.on_reel_ms - found.unknown_ms
    return number(found.tonnes_t / known_ms * MS_PER_H, 2) if known_ms else NOTHING


def production_table(found: Made, lost: Lost, on_reel_ms: int) -> Table:
    """What was made and what was lost; ``on_reel_ms`` is what the ledger has, of which tonnes may still be missing."""
    return Table(
        title="Tonnes",
        columns=("", "t", "of time", "meaning"),
        rows=(
            (
                "made on the reel",
                number(found.tonnes_t),
                length(found.on_reel_ms - found.unknown_ms),
                "speed × trim × basis weight over on-reel time, at reel moisture",
            ),
            (
                "not made",
                number(lost.tonnes_t),
                length(lost.ms - lost.unknown_ms),
                "time off the reel × rate over the last 30 on-reel minutes of the grade run",
            ),
        ),
        numbers=frozenset({1, 2}),
        note=_unknown_said(found, lost, on_reel_ms),
    )


def _unknown_said(found: Made, lost: Lost, on_reel_ms: int) -> str:
    parts = ["Of an hour that lies only partly in the period, as large a part of its tonnes counts."]
    if found.unknown_ms:
        parts.append(f"Basis weight unknown for {length(found.unknown_ms)} on the reel.")
    if on_reel_ms - found.on_reel_ms > 1000:
        parts.append(
            f"No tonnes are known yet of {length(on_reel_ms - found.on_reel_ms)} on the reel: an hour is closed late."
        )
    if lost.unknown_ms:
        parts.append(f"No rate is known for {length(lost.unknown_ms)} off the reel.")
    return " ".join(parts)
