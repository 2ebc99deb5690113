"""One shift in words: its downtimes, those to be coded first, its ledger and its tonnes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.figures.ledger import UNCODED, Class, section_label
from analysis.figures.shift_review import ShiftDowntime, ShiftReview, numbers_by_time
from analysis.history import Downtime, History
from analysis.period import say
from analysis.result import NOTHING, Result, Table, count, length, minutes, number, percent, sentence_case
from analysis.telling.common import about, cautions, iso, named
from analysis.telling.efficiency import ledger_table
from analysis.telling.tonnes import production_table

Suggested = Mapping[str, Sequence[tuple[str, float]]]
SUGGESTED_ONLY = (
    "Causes in brackets are suggestions, not codes: a person who saw the broken end decides. 'breakhorn dossier ID' "
    "says what speaks for them."
)


def tell_shift(history: History, review: ShiftReview, suggested: Suggested | None = None) -> Result:
    """One shift: ledger, downtimes with those to be coded first, tonnes.

    suggested
        Of breaks still to be coded, by their id: the likeliest causes with their probability.
    """
    suggested = suggested or {}
    return Result(
        title=f"{sentence_case(review.period.name or 'period')}, {history.machine.name}",
        subject=named(history, review.period),
        sentence=_shift_said(review),
        tables=(
            downtime_table(history, review.downtimes, suggested),
            ledger_table(review.book),
            production_table(review.made, review.lost, review.book.ms[Class.ON_REEL]),
        ),
        values=about(history, review.period)
        | {
            "ledger_ms": {cls.value.replace(" ", "_"): ms for cls, ms in review.book.ms.items()},
            "time_efficiency": review.efficiency.figure("time efficiency").value,
            "made_t": review.made.tonnes_t,
            "lost_t": review.lost.tonnes_t,
            "to_code": review.to_code,
            "downtimes": [_downtime_values(row, suggested) for row in review.downtimes],
        },
        cautions=cautions(history, review.book) + ((SUGGESTED_ONLY,) if suggested else ()),
    )


def _shift_said(review: ShiftReview) -> str:
    uptime = review.efficiency.figure("time efficiency").value
    breaks = sum(row.began_here and row.downtime.kind == "break" for row in review.downtimes)
    to_code = f"; {count(review.to_code, 'break')} still to be coded" if review.to_code else ""
    return (
        f"time efficiency {percent(uptime, missing='not known')}, "
        f"{count(breaks, 'break')} began, breaks took {length(review.book.ms[Class.BREAK])}; "
        f"{number(review.made.tonnes_t)} t made, {number(review.lost.tonnes_t)} t not made{to_code}."
    )


def downtime_table(history: History, rows: Sequence[ShiftDowntime], suggested: Suggested | None = None) -> Table:
    """Downtimes as a shift saw them, in the order given, numbered in that in which the sheet was lost."""
    numbers = numbers_by_time(rows)
    return Table(
        title="Sheet off the reel",
        columns=("", "began", "kind", "section", "min", "attempts", "lost t", "cause", "sure", "comment"),
        rows=tuple(_downtime_row(numbers[row.downtime.downtime_id], row, history, suggested or {}) for row in rows),
        numbers=frozenset({0, 4, 5, 6}),
        note="To be coded first; numbers go by time. Minutes and tonnes are this shift's. ← began in an earlier one.",
    )


def _downtime_row(n: int, row: ShiftDowntime, history: History, suggested: Suggested) -> tuple[str, ...]:
    d = row.downtime
    tonnes = NOTHING if row.lost.unknown_ms else number(row.lost.tonnes_t)
    return (
        str(n),
        ("" if row.began_here else "← ") + say(d.started_ms, history.mill.zone)[5:],
        d.kind + (", secondary" if d.secondary else ""),
        NOTHING if d.section is None and d.kind != "break" else section_label(d),
        minutes(row.ms) + (" …" if d.ended_ms is None else ""),
        NOTHING if d.attempts is None else str(d.attempts),
        tonnes,
        _cause_said(d, history, suggested) if d.kind == "break" or d.cause else NOTHING,
        d.certainty or "",
        d.comment or "",
    )


def _cause_said(downtime: Downtime, history: History, suggested: Suggested) -> str:
    if downtime.cause is None:
        maybe = ", ".join(f"{code} {percent(chance, 0)}" for code, chance in suggested.get(downtime.downtime_id, ()))
        return f"{UNCODED} ({maybe}?)" if maybe else UNCODED
    return f"{downtime.cause} {history.causes.get(downtime.cause, '')}".strip()


def _downtime_values(row: ShiftDowntime, suggested: Suggested) -> dict[str, Any]:
    d = row.downtime
    return {
        "downtime_id": d.downtime_id,
        "kind": d.kind,
        "started_at": iso(d.started_ms),
        "ended_at": iso(d.ended_ms),
        "section": d.section,
        "location_tied": d.location_tied,
        "secondary": d.secondary,
        "attempts": d.attempts,
        "cause": d.cause,
        "certainty": d.certainty,
        "comment": d.comment,
        "ms_here": row.ms,
        "lost_t_here": None if row.lost.unknown_ms else row.lost.tonnes_t,
        "began_here": row.began_here,
        "to_code": row.to_code,
        "suggested": [
            {"cause": code, "probability": round(chance, 4)} for code, chance in suggested.get(d.downtime_id, ())
        ],
    }
