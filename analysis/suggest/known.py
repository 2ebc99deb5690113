"""What suggestions know of a break, apart from its tags. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import NO_CAUSE_SECTION


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One break as the store knows it.

    on_reel_min, grade_change_min, turn_up_min
        Since the sheet's return, the last change of grade, the last turn-up; None where not known. [min]
    flickers, blind
        Of the detector that lost the sheet first, that day and before the loss: changes too short to count, and times
        at which it did not see a sheet that was there.
    cause
        The code that holds, None while the break is uncoded.
    """

    downtime_id: str
    started_ms: int
    section: str | None = None
    grade: str | None = None
    cause: str | None = None
    certainty: str | None = None
    at_turn_up: bool | None = None
    on_reel_min: float | None = None
    grade_change_min: float | None = None
    turn_up_min: float | None = None
    flickers: int = 0
    blind: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A cause of the mill's list; ``section`` is where it is caused."""

    code: str
    name: str
    section: str | None = None

    @property
    def nameable(self) -> bool:
        """Whether it says what happened."""
        return self.section != NO_CAUSE_SECTION


def coded(breaks: Sequence[Known], causes: Sequence[Cause], *, before_ms: int | None = None) -> list[Known]:
    """Breaks with a cause that names something, in order of time; only those lost before a moment, if one is given."""
    silent = {c.code for c in causes if not c.nameable}
    found = [
        b
        for b in breaks
        if b.cause is not None and b.cause not in silent and (before_ms is None or b.started_ms < before_ms)
    ]
    return sorted(found, key=lambda b: (b.started_ms, b.downtime_id))
