"""What of the paper on the reel was out of specification, and why: each minute under one reason only."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from analysis.history import Grade, GradeRun, History, LabResult, Stretch
from analysis.paper.clock import Clock, clocks, settled_at
from analysis.period import Period

LAB_TESTS = ("basis weight", "moisture")
"""Laboratory tests, by these names, that are held against the limits of a grade."""


class Why(StrEnum):
    """Why paper was out of specification; of several reasons the first that applies."""

    RESTART = "after a restart"
    GRADE_CHANGE = "after a grade change"
    LIMITS = "out of limits"
    LAB = "failed in the laboratory"


MEANING = {
    Why.RESTART: "from back on the reel until within every limit to stay, or until the sheet was lost again",
    Why.GRADE_CHANGE: "from the change until within the new grade's limits to stay",
    Why.LIMITS: "any other time in which a limit was not kept",
    Why.LAB: "the rest of every reel of which a laboratory result was outside the limits",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """Time on the reel and what was made in it, at reel moisture. [ms], [t]

    unknown_ms
        Part of the time without a good value of speed or basis weight: of it no tonnes are counted. [ms]
    """

    ms: int = 0
    tonnes_t: float = 0.0
    unknown_ms: int = 0

    def plus(self, stretch: Stretch) -> Amount:
        """This and one stretch more; its tonnes are none where they are unknown."""
        return Amount(
            ms=self.ms + stretch.ms,
            tonnes_t=self.tonnes_t + (stretch.tonnes_t or 0.0),
            unknown_ms=self.unknown_ms + (stretch.ms if stretch.tonnes_t is None else 0),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """How the paper of a period was judged. The parts add up to all on-reel time. [ms], [t]

    good, off
        Paper within every limit; paper that was not, by reason.
    unjudged
        Paper of grades without limits, or with no good value of what is limited, or of unknown tonnes.
    clocks
        Of every downtime that touches the period.
    """

    good: Amount = field(default_factory=Amount)
    off: dict[Why, Amount] = field(default_factory=dict)
    unjudged: Amount = field(default_factory=Amount)
    clocks: tuple[Clock, ...] = ()

    @property
    def off_t(self) -> float:
        """All paper out of specification. [t]"""
        return sum(amount.tonnes_t for amount in self.off.values())

    @property
    def judged_t(self) -> float:
        """All paper that could be judged. [t]"""
        return self.good.tonnes_t + self.off_t

    @property
    def quality(self) -> float | None:
        """Tonnes within limits over tonnes judged; None where none were. [-]"""
        return self.good.tonnes_t / self.judged_t if self.judged_t else None


def specification(
    history: History, stretches: Sequence[Stretch], period: Period, lab: Iterable[LabResult] = ()
) -> Specification:
    """Judge the paper of a period.

    stretches
        On-reel time of the period in order of time, without overlap (``read.Store.stretches``).
    lab
        Results of samples taken in it; only ``LAB_TESTS`` are looked at.
    """
    found = clocks(history, stretches, period)
    failed = failed_reels(history, lab)
    why = _Reasons(history, stretches, found)
    good, unjudged, off = Amount(), Amount(), defaultdict[Why, Amount](Amount)
    for s in stretches:
        reason = why(s)
        if s.tonnes_t is None:
            unjudged = unjudged.plus(s)
        elif reason is not None:
            off[reason] = off[reason].plus(s)
        elif s.reel is not None and s.reel in failed:
            off[Why.LAB] = off[Why.LAB].plus(s)
        elif s.in_spec is None:
            unjudged = unjudged.plus(s)
        else:
            good = good.plus(s)
    return Specification(good=good, off=dict(off), unjudged=unjudged, clocks=found)


class _Reasons:
    """Says why a stretch is out of specification, or None; asked in order of time."""

    def __init__(self, history: History, stretches: Sequence[Stretch], found: Sequence[Clock]) -> None:
        self._restarts = _Spans(_restart_spans(found))
        self._changes = _Spans(_change_spans(history, stretches, found))

    def __call__(self, s: Stretch) -> Why | None:
        if self._restarts.holds(s.started_ms):
            return Why.RESTART
        if s.in_spec is not None and self._changes.holds(s.started_ms):
            return Why.GRADE_CHANGE
        return Why.LIMITS if s.in_spec is False else None


class _Spans:
    """Stretches of time in order, asked at instants in ascending order. [ms]"""

    def __init__(self, spans: Iterable[tuple[int, int]]) -> None:
        self._spans, self._at = sorted(spans), 0

    def holds(self, at_ms: int) -> bool:
        while self._at < len(self._spans) and self._spans[self._at][1] <= at_ms:
            self._at += 1
        return self._at < len(self._spans) and self._spans[self._at][0] <= at_ms


def _restart_spans(found: Iterable[Clock]) -> Iterator[tuple[int, int]]:
    for clock in found:
        if clock.back_ms is not None and clock.until_ms is not None and clock.off_spec_t is not None:
            yield clock.back_ms, clock.until_ms if clock.in_spec_ms is None else clock.in_spec_ms


def _change_spans(history: History, stretches: Sequence[Stretch], found: Sequence[Clock]) -> Iterator[tuple[int, int]]:
    """From every change of grade on the reel to the paper within the new limits; a loss or another change ends it."""
    settled_ms = round(history.machine.settled_s * 1000)
    losses = sorted(clock.downtime.started_ms for clock in found)
    stretches = sorted(stretches, key=lambda s: s.started_ms)
    starts = [s.started_ms for s in stretches]
    runs = sorted(history.grade_runs, key=lambda run: run.started_ms)
    for before, run in pairwise(runs):
        if before.grade == run.grade:
            continue
        next_loss = bisect_right(losses, run.started_ms)
        until_ms = min([_end(run), *losses[next_loss : next_loss + 1]])
        after = stretches[bisect_left(starts, run.started_ms) : bisect_left(starts, until_ms)]
        settled = settled_at(after, lambda s: s.in_spec, settled_ms)
        yield run.started_ms, until_ms if settled is None else settled


def _end(run: GradeRun) -> int:
    return 1 << 62 if run.ended_ms is None else run.ended_ms


def failed_reels(history: History, lab: Iterable[LabResult]) -> frozenset[str]:
    """Reels of which a laboratory result is outside the limits of the grade that was being made."""
    grades = {grade.grade: grade for grade in history.grades}
    runs = sorted(history.grade_runs, key=lambda r: r.started_ms)
    starts = [r.started_ms for r in runs]
    failed = set()
    for result in lab:
        number = bisect_right(starts, result.sampled_ms) - 1
        run = runs[number] if number >= 0 and result.sampled_ms < _end(runs[number]) else None
        grade = grades.get(run.grade or "") if run else None
        if grade and result.reel and outside(grade, result.test, result.value):
            failed.add(result.reel)
    return frozenset(failed)


def outside(grade: Grade, test: str, value: float) -> bool:
    """Whether a value of "basis weight" [g/m2] or "moisture" [%] breaks a limit of the grade; of other tests, never."""
    match test.strip().lower():
        case "basis weight" if grade.basis_weight_within_pct is not None and grade.basis_weight_g_m2 is not None:
            return abs(value - grade.basis_weight_g_m2) > grade.basis_weight_g_m2 * grade.basis_weight_within_pct / 100
        case "moisture" if grade.moisture_low_pct is not None and grade.moisture_high_pct is not None:
            return not grade.moisture_low_pct <= value <= grade.moisture_high_pct
        case _:
            return False
