"""The answer of ``evidence``: from an open store to what is told, and its pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.evidence.ages import Ageing, ageing, renewals
from analysis.evidence.balance import Balanced, balance
from analysis.evidence.cells import wanted
from analysis.evidence.find import Evidence, find
from analysis.evidence.matching import match
from analysis.evidence.reading import Progress, read_cells, read_course, read_tags
from analysis.evidence.settings import EvidenceSettings
from analysis.evidence.strata import washes
from analysis.history import Downtime, History
from analysis.period import Period
from analysis.read import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Which breaks are asked about.

    secondary
        Secondary ones as well. (One of which it cannot be known counts as primary.)
    section, cause
        Only those lost there, or coded so.
    """

    secondary: bool = False
    section: str | None = None
    cause: str | None = None

    def holds(self, downtime: Downtime) -> bool:
        """Whether a downtime is asked about."""
        return (
            downtime.kind == "break"
            and not downtime.start_uncertain
            and (self.secondary or not downtime.secondary)
            and self.section in (None, downtime.section)
            and self.cause in (None, downtime.cause)
        )

    @property
    def alike(self) -> tuple[str, ...]:
        """Dimensions in which all of them are alike."""
        return tuple(name for name in ("section", "cause") if getattr(self, name) is not None)

    @property
    def words(self) -> str:
        """What is asked about, for a sentence, in the plural."""
        kind = "breaks" if self.secondary else "primary breaks"
        kind += f" at {self.section}" if self.section else ""
        return kind + (f" coded {self.cause}" if self.cause else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """What was found, how well breaks and quiet runs are matched, and what age does to the break rate."""

    evidence: Evidence
    balance: tuple[Balanced, ...]
    ages: tuple[Ageing, ...] = ()


def seek(
    store: Store,
    history: History,
    period: Period,
    question: Question,
    settings: EvidenceSettings | None = None,
    progress: Progress | None = None,
) -> Sought:
    """Match, read and test the breaks of a period.

    progress
        Told how much of the samples is read.
    """
    settings = settings or EvidenceSettings()
    machine = history.machine.machine
    course = read_course(store.connection, machine, period, settings, until_ms=history.horizon_ms + 1)
    breaks = [d for d in history.downtimes if period.holds(d.started_ms) and question.holds(d)]
    matching = match(breaks, course, period, settings)
    asked = wanted((matching.at, matching.quiet), course.past, settings)
    cells = read_cells(store.connection, read_tags(store.connection, machine), asked.minutes, progress)
    found = find(matching, asked.frames(cells), course, history, settings, alike=question.alike)
    ages = ageing(
        renewals(course.past.clothing_ms, washes(history.downtimes)),
        np.array([d.started_ms for d in breaks], np.int64),
        course.past.on_reel_ms,
        period,
        settings.confidence,
    )
    return Sought(evidence=found, balance=balance(matching, course, history.mill.zone), ages=ages)
