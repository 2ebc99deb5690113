"""What the plan asks of a period, grade by grade, to hold against what was made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import Grade
from analysis.ledger import Ledger

MS_PER_DAY = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """What was to be made.

    tonnes_t
        Of the time for which there is a plan. [t]
    unknown_ms
        Time for which there is none: its grade has no plan, or is not known. [ms]
    """

    tonnes_t: float
    unknown_ms: int


def planned(book: Ledger, grades: Sequence[Grade]) -> Planned | None:
    """The plan of the period of a ledger, its grades' planned tonnes a day x time; None without any plan.

    A plan is one for the calendar: it counts all time of a grade run, on the reel or not, and time without data too.
    So the plan of a day made of one grade is what mill.toml says of that grade, whatever happened. [t/d] x [ms] → [t]
    """
    per_day = {g.grade: g.plan_t_d for g in grades if g.plan_t_d is not None}
    if not per_day:
        return None
    known = [(per_day[s.grade], s.ms) for s in book.slices if s.grade in per_day]
    return Planned(
        tonnes_t=sum(t_d * ms for t_d, ms in known) / MS_PER_DAY,
        unknown_ms=book.period.length_ms - sum(ms for _, ms in known),
    )
