"""When the crew is warned, and whether the warning was right: the hold-off rules of an advisory."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Breaks, Floats, Ints, Rows, minutes_since
from analysis.risk.settings import MINUTE_MS, RiskSettings


class Fate(StrEnum):
    """What became of a warning."""

    HIT = "hit"
    LATE = "late"
    FALSE = "false"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenWarning:
    """One warning.

    lead_min
        Time to the break that followed within the horizon; None if none did. [min]
    break_number
        Which primary break followed, None if none did.
    """

    row: int
    at_ms: int
    fate: Fate
    lead_min: float | None = None
    break_number: int | None = None


def silent(rows: Rows, grade_changes_ms: Ints, settings: RiskSettings) -> NDArray[np.bool_]:
    """Rows at which no warning is given: soon after a change of grade. Restarts are no rows at all."""
    return minutes_since(grade_changes_ms, rows.at_ms) < settings.quiet_grade_change_min


def warning_rows(
    score: Floats, rows: Rows, quiet: NDArray[np.bool_], level: float, settings: RiskSettings
) -> list[int]:
    """Which rows bring a warning: score at or above the level, not quiet, and long enough after the last one."""
    over = np.flatnonzero((score >= level) & ~quiet)
    times = rows.at_ms[over]
    found: list[int] = []
    number = 0
    while number < len(over):
        found.append(int(over[number]))
        number = int(times.searchsorted(times[number] + settings.repeat_min * MINUTE_MS, side="left"))
    return found


def fates(found: list[int], rows: Rows, breaks: Breaks, settings: RiskSettings) -> list[GivenWarning]:
    """What became of the warnings given at some rows.

    A warning whose horizon was cut short by something else than a primary break is undecided: it was not false, and
    it helped nobody. It is counted and shown by itself.
    """
    return [_fate(row, rows, breaks, settings) for row in found]


def false_count(found: list[int], rows: Rows) -> int:
    """How many of these warnings saw a whole horizon pass without a break."""
    return int((rows.outcome[found] == 0).sum()) if found else 0


def warned_breaks(warnings: list[GivenWarning]) -> set[int]:
    """The primary breaks that were warned of in time."""
    return {w.break_number for w in warnings if w.fate is Fate.HIT and w.break_number is not None}


def shifts_in(from_ms: int, to_ms: int, shift_h: float) -> float:
    """Length of a stretch in shifts."""
    return (to_ms - from_ms) / (shift_h * 60 * MINUTE_MS)


def level_for_budget(
    score: Floats, rows: Rows, quiet: NDArray[np.bool_], shifts: float, settings: RiskSettings
) -> float:
    """The lowest warning level that keeps false warnings within the budget; infinite if none does.

    score, rows, quiet
        Of rows that were foreseen by models that had not seen them.
    shifts
        How many shifts they span.
    """
    levels = _levels(score[~quiet])
    allowed = settings.budget * shifts
    # The lower the level the more false warnings, but for the odd one that a repeat rule moves: halving is near enough,
    # and what it ends on is within the budget.
    good, bad = -1, len(levels)
    while bad - good > 1:
        middle = (good + bad) // 2
        within = false_count(warning_rows(score, rows, quiet, levels[middle], settings), rows) <= allowed
        good, bad = (middle, bad) if within else (good, middle)
    return levels[good] if good >= 0 else float("inf")


def _levels(score: Floats) -> list[float]:
    """Candidate levels from high to low: no score is below the last."""
    if not len(score):
        return []
    tails = np.concatenate(([0.0], np.geomspace(1e-4, 1.0, 250)))
    levels: list[float] = np.unique(np.quantile(score, 1 - tails))[::-1].tolist()
    return levels


def _fate(row: int, rows: Rows, breaks: Breaks, settings: RiskSettings) -> GivenWarning:
    at_ms, outcome = int(rows.at_ms[row]), int(rows.outcome[row])
    if outcome != 1:
        return GivenWarning(row=row, at_ms=at_ms, fate=Fate.FALSE if outcome == 0 else Fate.UNDECIDED)
    number = int(rows.next_break[row])
    lead = (int(breaks.started_ms[number]) - at_ms) / MINUTE_MS
    fate = Fate.HIT if lead >= settings.lead_min else Fate.LATE
    return GivenWarning(row=row, at_ms=at_ms, fate=fate, lead_min=lead, break_number=number)
