"""Which losses were asked for: a period in whole days and what to rank by, from the address of the view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from analysis.history import Machine
from analysis.pareto import DIMENSIONS
from analysis.period import NothingThen, Period, local, period_of, until_horizon

RANKED_BY = tuple(by for by in DIMENSIONS if by != "machine")
FIRST_BY = "section"
SPANS = {"week": 7, "month": 30, "quarter": 91, "year": 365}
"""Periods that are one touch away, up to the newest data. [days]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LossesAsked:
    """A period of a machine, and a dimension of the Pareto.

    from_day, to_day
        First and last mill day.
    span
        Its key among ``SPANS``, where it is one.
    """

    from_day: date
    to_day: date
    by: str
    period: Period
    span: str = ""


def losses_asked(query: Mapping[str, str], machine: Machine, zone: ZoneInfo) -> LossesAsked:
    """What an address asks for; the last week by section, where it says nothing.

    Raises
    ------
    NoSuchTime
        For what is no day.
    NothingThen
        For a period without data, and for a dimension that is none.
    """
    if machine.first_ms is None or machine.last_ms is None:
        raise NothingThen(f"nothing has been heard of {machine.name} yet")
    by = query.get("by") or FIRST_BY
    if by not in RANKED_BY:
        raise NothingThen(f"losses are ranked by {', '.join(RANKED_BY)}, not by {by[:40]!r}")
    newest = local(machine.last_ms, zone).date()
    span = query.get("span", "")
    if not span and not query.get("from") and not query.get("to"):
        span = "week"
    if span:
        if span not in SPANS:
            raise NothingThen(f"there is no period {span[:40]!r}; there is {', '.join(SPANS)}")
        first = local(machine.first_ms, zone).date()
        written = (max(first, newest - timedelta(days=SPANS[span] - 1)).isoformat(), newest.isoformat())
    else:
        written = (query.get("from") or newest.isoformat(), query.get("to") or newest.isoformat())
    whole = period_of(*written, zone, first_ms=machine.first_ms, now_ms=machine.last_ms)
    return LossesAsked(
        from_day=local(whole.from_ms, zone).date(),
        to_day=local(whole.to_ms - 1, zone).date(),
        by=by,
        period=until_horizon(whole, machine.last_ms),
        span=span,
    )
