"""What a period should have made by the grades' plan. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.figures.ledger import Ledger
from analysis.history import History

MS_PER_D = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Planned tonnes of a period.

    tonnes_t
        Of the time for which there is a plan. [t]
    unplanned_ms
        Time of which the grade is unknown or has no plan. [ms]
    """

    tonnes_t: float
    unplanned_ms: int

    @property
    def known(self) -> bool:
        """Whether all the period has a plan: only then may what was made be held against it."""
        return not self.unplanned_ms


def plan(history: History, book: Ledger) -> Plan:
    """Sum over the period of time × the plan of the grade on the machine then, ``plan_t_d`` / 24 h.

    A plan in tonnes a day allows for its usual downtime, so every minute counts, also those off the reel.
    """
    planned = {grade.grade: grade.plan_t_d for grade in history.grades}
    tonnes, unplanned_ms = 0.0, 0
    for s in book.slices:
        of_day = None if s.grade is None else planned.get(s.grade)
        if of_day is None:
            unplanned_ms += s.ms
        else:
            tonnes += of_day * s.ms / MS_PER_D
    return Plan(tonnes_t=tonnes, unplanned_ms=unplanned_ms)
