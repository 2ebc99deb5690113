"""What the shift view shows of one shift, put together from the figures that commands give too."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from analysis.figures.ledger import Class
from analysis.figures.plan import Plan, plan
from analysis.figures.rounding import in_whole_units
from analysis.figures.shift_review import ShiftReview, numbers_by_time, shift_review
from analysis.history import History, Machine, ShiftSpan
from analysis.page.site import Site
from analysis.period import NothingThen, Period, day_start_ms, local, until_horizon
from analysis.read import Store
from analysis.suggest.answer import Breaks, Suggestion, breaks_of, plainly
from analysis.suggest.known import Cause, coded
from analysis.suggest.model import Learner

_TENTH_MS = 6_000
DAY_SHIFT = "day"
"""Name of a whole mill day, where the mill has no rota."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """What is known of a machine's causes over all its data.

    usual
        Of each section with coded breaks: its causes, the most used first. Of the section None: of all sections.
    shares
        Of each section with coded breaks: the share of its most used cause. [-]
    causes
        The mill's list; those that name nothing at its end, the most used of them first.
    """

    breaks: Breaks
    usual: Mapping[str | None, Sequence[str]]
    causes: Sequence[Cause]
    shares: Mapping[str | None, float] = field(default_factory=dict)

    def of(self, section: str | None) -> Sequence[str]:
        """The causes that a section mostly has; of one with neither coded breaks nor causes, those of the mill."""
        listed = any(cause.section == section and cause.nameable for cause in self.causes)
        return self.usual.get(section, () if listed else self.usual[None])

    def least_to_lead(self, section: str | None) -> float:
        """How likely a suggestion must be to stand before a section's own causes. [-]"""
        if (share := self.shares.get(section)) is not None:
            return share
        listed = sum(cause.section == section and cause.nameable for cause in self.causes)
        return 1 / listed if listed else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftFacts:
    """One shift of one machine.

    span
        The whole shift; ``review.period`` ends at the newest data if it still runs.
    numbers
        Of the downtimes in order of time, by their id.
    suggestions
        Of breaks that had no cause when the store was published, by their id.
    """

    span: ShiftSpan
    history: History
    review: ShiftReview
    plan: Plan
    numbers: Mapping[str, int]
    suggestions: Mapping[str, Suggestion]

    @property
    def runs(self) -> bool:
        """Whether the shift has not ended yet, as far as data go."""
        return self.review.period.to_ms < self.span.ended_ms

    @property
    def minutes(self) -> list[tuple[Class, float]]:
        """The ledger as on the loss sheet: tenths that add up, without classes that took no time. [min]"""
        parts = [(cls, ms) for cls, ms in self.review.book.ms.items() if ms]
        tenths = in_whole_units([ms for _, ms in parts], _TENTH_MS)
        return [(cls, tenth / 10) for (cls, _), tenth in zip(parts, tenths, strict=True)]


def spans(site: Site, machine: Machine) -> tuple[ShiftSpan, ...]:
    """Every shift of which a machine has data, oldest first; mill days, where the mill has no rota.

    Raises
    ------
    NothingThen
        For a machine without data.
    """
    if machine.first_ms is None or machine.last_ms is None:
        raise NothingThen(f"nothing has been heard of {machine.name} yet")
    whole = Period(from_ms=machine.first_ms, to_ms=machine.last_ms + 1)
    found = site.reader.answer(("shifts", whole), lambda store: store.shifts(whole))
    zone = site.mill().zone
    return found or tuple(_days(local(whole.from_ms, zone).date(), local(machine.last_ms, zone).date(), zone))


def newest_ended(found: tuple[ShiftSpan, ...], machine: Machine) -> ShiftSpan:
    """The last shift that has ended, else the one that runs: at handover, what happened last night."""
    ended = [span for span in found if machine.last_ms is not None and span.ended_ms <= machine.last_ms]
    return ended[-1] if ended else found[-1]


def crews(found: tuple[ShiftSpan, ...]) -> list[str]:
    """The crews of some shifts."""
    return sorted({one.crew for one in found if one.crew})


def span_of(site: Site, machine: Machine, at_ms: int) -> ShiftSpan | None:
    """The shift in which a moment lies; None where there is none."""
    return next((span for span in spans(site, machine) if span.started_ms <= at_ms < span.ended_ms), None)


def shift_facts(site: Site, machine: Machine, span: ShiftSpan) -> ShiftFacts:
    """One shift, worked out once a published file."""
    return site.reader.answer(("shift", machine.machine, span), lambda store: _facts(site, store, machine, span))


def habits(site: Site, machine: str) -> Habits:
    """The habits of a machine, worked out once a published file."""
    return site.reader.answer(("habits", machine), lambda store: _habits(breaks_of(store, machine)))


def _facts(site: Site, store: Store, machine: Machine, span: ShiftSpan) -> ShiftFacts:
    period = until_horizon(Period(from_ms=span.started_ms, to_ms=span.ended_ms), machine.last_ms or 0)
    history = store.history(machine, period, received=False)
    review = shift_review(history, period)
    waiting = [row.downtime.downtime_id for row in review.downtimes if row.to_code]
    return ShiftFacts(
        span=span,
        history=history,
        review=review,
        plan=plan(history, review.book),
        numbers=numbers_by_time(review.downtimes),
        suggestions=_suggestions(habits(site, machine.machine).breaks, waiting) if waiting else {},
    )


def _habits(breaks: Breaks) -> Habits:
    learner = Learner(settings=breaks.settings, codes=breaks.codes)
    sections: set[str | None] = set()
    for one in coded(breaks.all, breaks.causes):
        learner.add(one)
        sections.add(one.section)
    usual: dict[str | None, Sequence[str]] = {section: tuple(learner.usual(section)) for section in sections}
    shares = {section: share for section in sections if (share := learner.usual_share(section)) is not None}
    used = Counter(one.cause for one in breaks.all)
    causes = sorted(breaks.causes, key=lambda cause: (not cause.nameable, 0 if cause.nameable else -used[cause.code]))
    return Habits(breaks=breaks, usual=usual | {None: tuple(learner.usual(""))}, causes=causes, shares=shares)


def _suggestions(breaks: Breaks, waiting: Sequence[str]) -> dict[str, Suggestion]:
    known = [one for downtime_id in waiting if (one := breaks.find(downtime_id)) is not None]
    return {found.known.downtime_id: found for found in plainly(breaks, known)}


def _days(first: date, last: date, zone: ZoneInfo) -> Iterator[ShiftSpan]:
    day = first
    while day <= last:
        following = day + timedelta(days=1)
        yield ShiftSpan(
            shift_date=day,
            shift=DAY_SHIFT,
            crew="",
            started_ms=day_start_ms(day, zone),
            ended_ms=day_start_ms(following, zone),
        )
        day = following
