"""The broke that was made while the sheet was not on the reel, by pit, grade and shade."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from analysis.figures.ledger import Ledger
from analysis.history import BrokePit, Downtime, History

NO_PIT = "pit not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeMade:
    """Broke of one pit, grade and shade. ``tonnes_t`` is at reel moisture; ``unknown`` downtimes have no figure. [t]"""

    pit: str
    grade: str | None
    shade: str | None
    tonnes_t: float
    downtimes: int
    unknown: int


def broke_made(history: History, book: Ledger) -> list[BrokeMade]:
    """Broke made in the period of a ledger, the most first.

    A downtime's broke is shared out by time where the period shows only part of it. The pit is the one that takes the
    sheet of the section where it was lost.
    """
    pits = _pit_of(history.broke_pits)
    inside = book.by_downtime
    groups = defaultdict[tuple[str, str | None, str | None], list[Downtime]](list)
    for d in history.downtimes:
        if inside.get(d.downtime_id):
            groups[pits.get(d.section or "", NO_PIT), d.grade, d.shade].append(d)
    made = (_made(key, group, inside, history.horizon_ms) for key, group in groups.items())
    return sorted(made, key=lambda b: (-b.tonnes_t, b.pit, b.grade or "", b.shade or ""))


def broke_in(downtime: Downtime, ms: int, horizon_ms: int) -> float | None:
    """Broke of so much time of a downtime, shared out by time; None where it is unknown. [t]"""
    lasts_ms = downtime.lasts_ms(horizon_ms)
    if downtime.broke_t is None or not lasts_ms:
        return None
    return downtime.broke_t * ms / lasts_ms


def _pit_of(pits: Iterable[BrokePit]) -> dict[str, str]:
    return {p.section: p.pit for p in pits}


def _made(
    key: tuple[str, str | None, str | None], group: list[Downtime], inside: Mapping[str, int], horizon_ms: int
) -> BrokeMade:
    pit, grade, shade = key
    tonnes = [broke_in(d, inside[d.downtime_id], horizon_ms) for d in group]
    known = [t for t in tonnes if t is not None]
    return BrokeMade(
        pit=pit, grade=grade, shade=shade, tonnes_t=sum(known), downtimes=len(group), unknown=len(tonnes) - len(known)
    )
