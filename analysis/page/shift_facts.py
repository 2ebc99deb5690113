"""What the shift view shows of one shift, put together from the figures that commands give too."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from analysis.history import Attempt, Downtime, History, Machine, ShiftSpan
from analysis.ledger import Class
from analysis.page.site import Site
from analysis.period import NothingThen, Period, day_start_ms, local, until_horizon
from analysis.plan import Plan, plan
from analysis.read import Store
from analysis.rounding import in_whole_units
from analysis.shift_review import ShiftDowntime, ShiftReview, numbers_by_time, shift_review

DAY_SHIFT = "day"
"""Name of a whole mill day, where the mill has no rota."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftFacts:
    """One shift of one machine.

    span
        The whole shift; ``review.period`` ends at the newest data if it still runs.
    numbers
        Of the downtimes in order of time, by their id.
    """

    span: ShiftSpan
    history: History
    review: ShiftReview
    plan: Plan
    numbers: dict[str, int]

    @property
    def runs(self) -> bool:
        """Whether the shift has not ended yet, as far as data go."""
        return self.review.period.to_ms < self.span.ended_ms

    @property
    def minutes(self) -> list[tuple[Class, int]]:
        """The ledger in whole minutes that add up to the shift's, without classes that took no time."""
        parts = [(cls, ms) for cls, ms in self.review.book.ms.items() if ms]
        return list(zip([cls for cls, _ in parts], in_whole_units([ms for _, ms in parts], 60_000), strict=True))

    def attempts(self, downtime: Downtime) -> list[Attempt]:
        """The attempts of one downtime."""
        return [a for a in self.history.attempts if a.downtime_id == downtime.downtime_id]

    def row(self, downtime_id: str) -> ShiftDowntime | None:
        """One downtime as the shift saw it; None for one of another shift."""
        return next((r for r in self.review.downtimes if r.downtime.downtime_id == downtime_id), None)


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


def shift_facts(site: Site, machine: Machine, span: ShiftSpan) -> ShiftFacts:
    """One shift, worked out once a published file."""
    return site.reader.answer(("shift", machine.machine, span), lambda store: _facts(store, machine, span))


def _facts(store: Store, machine: Machine, span: ShiftSpan) -> ShiftFacts:
    period = until_horizon(Period(from_ms=span.started_ms, to_ms=span.ended_ms), machine.last_ms or 0)
    history = store.history(machine, period)
    review = shift_review(history, period)
    return ShiftFacts(
        span=span,
        history=history,
        review=review,
        plan=plan(history, review.book),
        numbers=numbers_by_time(review.downtimes),
    )


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
