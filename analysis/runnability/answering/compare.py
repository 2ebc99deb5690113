"""The answer of ``compare``: before and after a change, watched daily since, and what a trial would need."""

from __future__ import annotations

from contextlib import suppress
from functools import partial

import numpy as np

from analysis.figures.ledger import Class, Ledger, ledger
from analysis.history import History
from analysis.period import NoSuchTime, Period
from analysis.result import Picture
from analysis.runnability.answering.part import Part, part_or_why_not
from analysis.runnability.compare import Comparison, Ratio, compare, exact_ratio, quasi_poisson_ratio
from analysis.runnability.dispersion import LEVEL, dispersion
from analysis.runnability.monitor import Monitor, monitor
from analysis.runnability.observed import Counted, Tally, TooFewEvents
from analysis.runnability.planning import hours_needed, hours_needed_after, hours_needed_by_exact_test
from analysis.runnability.series import OnReelClock, Selection, breaks_of, by_days
from analysis.runnability.telling.compare import (
    Change,
    Plan,
    tell_comparison,
    tell_monitor,
    tell_plan,
)

_MOST_EXACT = 5_000
"""Breaks a side up to which a trial is worked out by the exact test; with more it needs what the formula says."""


def split_at(period: Period, change_ms: int, settle_ms: int) -> Change:
    """The periods before a change and after it, less the time in which it settles.

    Raises
    ------
    NoSuchTime
        If the change does not lie inside, or nothing is left after it settled.
    """
    if not period.from_ms < change_ms < period.to_ms:
        raise NoSuchTime("the change must lie inside the period; move --change, or widen it with --from and --to")
    if change_ms + settle_ms >= period.to_ms:
        raise NoSuchTime("nothing is left after the change has settled; shorten --settle, or wait")
    return Change(
        at_ms=change_ms,
        before=Period(from_ms=period.from_ms, to_ms=change_ms),
        after=Period(from_ms=change_ms + settle_ms, to_ms=period.to_ms),
    )


def answer_compare(
    history: History,
    period: Period,
    change: Change,
    selection: Selection,
    *,
    planned: float,
    power: float,
    mid_p: bool = False,
) -> tuple[Part, ...]:
    """All parts of the answer.

    planned
        The relative change of the rate that a trial is to show (−0.2: a fall by 20 %).

    Raises
    ------
    TooFewEvents
        If the sheet was never on the reel on one side.
    """
    books = ledger(history, change.before), ledger(history, change.after)
    before, after = (_days(history, book, selection) for book in books)
    if not sum(before.hours) or not sum(after.hours):
        side = "before" if not sum(before.hours) else "after"
        raise TooFewEvents(f"the sheet was never on the reel {side} the change; there is no rate to compare")
    found = compare(before, after, mid_p=mid_p)
    others = _other_methods(found, before, after)
    grades = _grade_shares(*books)
    watched = _watched(before, after)
    names = [name for name, hours in zip(after.labels, after.hours, strict=True) if hours > 0]
    return (
        Part(result=tell_comparison(history, period, change, selection.words, found, others, grades)),
        Part(result=tell_monitor(history, period, change, watched, names), draw=partial(_draw_monitor, watched, names)),
        part_or_why_not(
            history,
            period,
            "What a trial needs",
            lambda: _plan_part(history, period, selection, before, planned, power),
        ),
    )


def _days(history: History, book: Ledger, selection: Selection) -> Tally:
    breaks = breaks_of(history, book.period, selection)
    return by_days(book, OnReelClock(book), breaks, history.mill.zone)


def _other_methods(found: Comparison, before: Tally, after: Tally) -> list[Ratio]:
    exact, mid = (exact_ratio(after.total, before.total, mid_p=mid_p) for mid_p in (False, True))
    others = [exact, mid]
    with suppress(TooFewEvents):
        others.append(quasi_poisson_ratio(after, before))
    return [r for r in others if r.method is not found.chosen.method]


def _watched(before: Tally, after: Tally) -> Monitor:
    """One look at the end of each day that ran. The dispersion comes from before, so that looking changes nothing."""
    found = dispersion(before)
    factor = max(1.0, found.index) if found is not None and found.p_value < LEVEL else 1.0
    counts, hours = np.cumsum(after.counts), np.cumsum(after.hours)
    looks = [
        Counted(events=int(n), hours=float(h)) for n, h, ran in zip(counts, hours, after.hours, strict=True) if ran > 0
    ]
    return monitor(before.total, looks, dispersion=factor)


def _plan_part(
    history: History, period: Period, selection: Selection, before: Tally, planned: float, power: float
) -> Part:
    total, found = before.total, dispersion(before)
    if not total.events:
        raise TooFewEvents("without a break before the change there is no rate to plan from")
    clustered = found is not None and found.p_value < LEVEL
    factor = max(1.0, found.index) if found is not None and clustered else 1.0
    each_side = hours_needed(total.rate, planned, power=power, dispersion=factor)
    exact = None
    if not clustered and each_side * total.rate <= _MOST_EXACT:
        exact = hours_needed_by_exact_test(total.rate, planned, power=power)
    plan = Plan(
        rate=total.rate,
        change=planned,
        power=power,
        confidence=0.95,
        dispersion=factor,
        each_side=each_side,
        by_exact_test=exact,
        after=hours_needed_after(total, planned, power=power, dispersion=factor),
    )
    return Part(result=tell_plan(history, period, selection.words, plan))


def _grade_shares(before: Ledger, after: Ledger) -> list[tuple[str, float, float]]:
    """Each grade with its share of the on-reel time before and after."""
    shares = []
    for book in (before, after):
        on_reel = {grade: ms for (cls, grade), ms in book.by("grade").items() if cls is Class.ON_REEL and grade}
        total = sum(on_reel.values()) or 1
        shares.append({grade: ms / total for grade, ms in on_reel.items()})
    return [(grade, shares[0].get(grade, 0.0), shares[1].get(grade, 0.0)) for grade in sorted({*shares[0], *shares[1]})]


def _draw_monitor(found: Monitor, days: list[str]) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import monitor_picture  # noqa: PLC0415 - altair loads only to draw

    return (monitor_picture(found, days, "Watched since the change"),)
