"""What was noted of a downtime, and what else happened near it, in words."""

from __future__ import annotations

from analysis.dossier.answer import Dossier
from analysis.dossier.telling.common import MIN_MS, subject
from analysis.history import Downtime
from analysis.period import say
from analysis.result import NOTHING, Result, Table, count, length, signed
from analysis.runnability.telling.wording import plain
from analysis.telling.common import iso


def notes_part(found: Dossier) -> Result:
    """Notes, and other downtimes within six hours."""
    notes = found.around.notes
    tables = [_notes_table(found)] if notes else []
    if found.near:
        tables.append(_near_table(found))
    return Result(
        title="Notes, and other downtimes near it",
        subject=subject(found),
        sentence=f"{count(len(notes), 'note')}; {count(len(found.near), 'other downtime')} within 6 h.",
        tables=tuple(tables),
        values={
            "notes": [
                {k: plain(v) for k, v in n.items() if k != "noted_ms"} | {"noted_at": iso(n["noted_ms"])} for n in notes
            ],
            "near": [
                {
                    "downtime_id": d.downtime_id,
                    "kind": d.kind,
                    "section": d.section,
                    "cause": d.cause,
                    "secondary": d.secondary,
                    "after_min": round((d.started_ms - found.started_ms) / MIN_MS, 2),
                }
                for d in found.near
            ],
        },
    )


def _notes_table(found: Dossier) -> Table:
    zone = found.history.mill.zone
    return Table(
        title="Notes",
        columns=("when", "who", "kind", "says", "sure", "comment", "holds"),
        rows=tuple(
            (
                say(n["noted_ms"], zone),
                n["noted_by"] or NOTHING,
                n["kind"],
                n["cause"] or n["new_kind"] or NOTHING,
                n["certainty"] or NOTHING,
                n["comment"] or "",
                "yes" if n["holds"] else "withdrawn" if n["withdrawn"] else "no",
            )
            for n in found.around.notes
        ),
    )


def _near_table(found: Dossier) -> Table:
    return Table(
        title="Other downtimes that reach into the six hours before or after",
        columns=("min from this loss", "id", "kind", "section", "lost", "cause"),
        rows=tuple(_near_row(found, d) for d in found.near),
        numbers=frozenset({0}),
    )


def _near_row(found: Dossier, d: Downtime) -> tuple[str, ...]:
    return (
        signed(f"{(d.started_ms - found.started_ms) / MIN_MS:+.0f}"),
        d.downtime_id,
        d.kind + (", secondary" if d.secondary else ""),
        d.section or NOTHING,
        length(d.lasts_ms(found.history.horizon_ms)) + ("" if d.ended_ms is not None else " …"),
        d.cause or NOTHING,
    )
