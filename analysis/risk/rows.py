"""Which minutes count and what followed each: the only place that decides what the model is asked."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from analysis.risk.settings import MINUTE_MS, RiskSettings

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One loss of the sheet, as the view ``downtime`` has it; ``secondary`` None where it cannot be known."""

    downtime_id: str
    kind: str
    started_ms: int
    section: str = ""
    secondary: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What is known of a machine besides its tags. Times in ms since 1970-01-01 UTC, in order.

    on_reel_ms
        Stretches with the sheet on the reel, shape (n, 2). A data gap ends one: the sheet was not seen in it.
    from_ms, until_ms
        Where rows begin, and the newest data: nothing is known of what came after.
    """

    on_reel_ms: Ints
    losses: tuple[Loss, ...]
    until_ms: int
    from_ms: int = 0
    turn_ups_ms: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    grade_runs_ms: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    grades: tuple[str, ...] = ()
    """The grade of each grade run."""
    grade_changes_ms: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    clothing_ms: dict[str, Ints] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Breaks:
    """The primary breaks, in order of time; arrays of one length."""

    downtime_id: tuple[str, ...]
    section: tuple[str, ...]
    started_ms: Ints

    def __len__(self) -> int:
        """How many there are."""
        return len(self.downtime_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The minutes that count, in order of time; arrays of one length.

    at_ms
        End of the minute, when it is scored: everything before is known, nothing after. [ms]
    minute
        Number of the minute that has just ended, since 1970. [min]
    since_minute
        First whole minute of this stretch on the reel: trailing windows do not reach behind it. [min]
    group
        Which run between two losses of the sheet: all minutes that lead to one break have one group.
    on_reel_min
        Time since the sheet was seen to come back, or data came back. [min]
    outcome
        1 a primary break begins within the horizon, 0 none does, -1 cannot be known: the horizon was cut short by a
        planned sheet-off, a stop, a secondary break, a data gap or the end of the data.
    next_break
        Which of the primary breaks begins within the horizon, -1 for none.
    """

    at_ms: Ints
    minute: Ints
    since_minute: Ints
    group: Ints
    on_reel_min: Floats
    outcome: NDArray[np.int8]
    next_break: Ints

    def __len__(self) -> int:
        """How many there are."""
        return len(self.at_ms)

    def take(self, chosen: Ints) -> Rows:
        """Only these rows, by number."""
        return Rows(**{column.name: getattr(self, column.name)[chosen] for column in fields(self)})


def primary_breaks(past: Past, settings: RiskSettings) -> Breaks:
    """The breaks to be foreseen: those that no return to the reel had shortly before.

    Where the store cannot say whether a break is secondary (data began or came back during its run), it counts as
    primary if the sheet was seen on the reel for long enough before it.
    """
    asked = (loss for loss in past.losses if loss.kind == "break" and loss.started_ms >= past.from_ms)
    first = [loss for loss in asked if not _secondary(loss, past, settings)]
    return Breaks(
        downtime_id=tuple(loss.downtime_id for loss in first),
        section=tuple(loss.section for loss in first),
        started_ms=np.array([loss.started_ms for loss in first], np.int64),
    )


def rows_of(past: Past, breaks: Breaks, settings: RiskSettings) -> Rows:
    """Every minute that ended with the sheet on the reel, from ``quiet_on_reel_min`` after its return on."""
    at_ms, stretch = _minute_ends(past.on_reel_ms, settings.quiet_on_reel_min)
    asked = at_ms >= past.from_ms
    at_ms, stretch = at_ms[asked], stretch[asked]
    started, ended = past.on_reel_ms[stretch, 0], past.on_reel_ms[stretch, 1]
    lost_ms = np.array([loss.started_ms for loss in past.losses], np.int64)
    outcome, next_break = _outcome(at_ms, ended, lost_ms, breaks, past.until_ms, settings.horizon_ms)
    return Rows(
        at_ms=at_ms,
        minute=at_ms // MINUTE_MS - 1,
        since_minute=-(-started // MINUTE_MS),
        group=np.searchsorted(lost_ms, at_ms, side="left"),
        on_reel_min=(at_ms - started) / MINUTE_MS,
        outcome=outcome,
        next_break=next_break,
    )


def minutes_since(events_ms: Ints, at_ms: Ints) -> Floats:
    """Time since the newest event up to each instant; NaN before the first. [min]"""
    newest = np.searchsorted(events_ms, at_ms, side="right") - 1
    if not len(events_ms):
        return np.full(len(at_ms), np.nan)
    since = (at_ms - events_ms[np.maximum(newest, 0)]) / MINUTE_MS
    return np.where(newest >= 0, since, np.nan)


def count_within(events_ms: Ints, at_ms: Ints, length_ms: int) -> Floats:
    """How many events lie in the stretch of ``length_ms`` that ends at each instant."""
    upto = np.searchsorted(events_ms, at_ms, side="right")
    before = np.searchsorted(events_ms, at_ms - length_ms, side="right")
    return (upto - before).astype(np.float64)


def _secondary(loss: Loss, past: Past, settings: RiskSettings) -> bool:
    if loss.secondary is not None:
        return loss.secondary
    stretch = np.searchsorted(past.on_reel_ms[:, 0], loss.started_ms, side="left") - 1
    if stretch < 0:
        return True
    return bool(loss.started_ms - past.on_reel_ms[stretch, 0] < settings.secondary_within_min * MINUTE_MS)


def _minute_ends(on_reel_ms: Ints, quiet_min: int) -> tuple[Ints, Ints]:
    first = -(-on_reel_ms[:, 0] // MINUTE_MS) + max(quiet_min, 1)
    count = np.maximum(-(-on_reel_ms[:, 1] // MINUTE_MS) - first, 0)
    stretch = np.repeat(np.arange(len(count)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return (first[stretch] + within) * MINUTE_MS, stretch


def _outcome(
    at_ms: Ints, ended: Ints, lost_ms: Ints, breaks: Breaks, until_ms: int, horizon_ms: int
) -> tuple[NDArray[np.int8], Ints]:
    last = at_ms + horizon_ms
    next_loss = _next(lost_ms, at_ms)
    next_primary = _next(breaks.started_ms, at_ms)
    comes = (next_primary <= last) & (next_primary == next_loss)
    seen_through = (np.minimum(ended, until_ms) >= last) & (next_loss > last)
    outcome = np.where(comes, 1, np.where(seen_through, 0, -1)).astype(np.int8)
    number = np.searchsorted(breaks.started_ms, at_ms, side="left")
    return outcome, np.where(comes, number, -1)


def _next(events_ms: Ints, at_ms: Ints) -> Ints:
    never = np.append(events_ms, np.iinfo(np.int64).max)
    return never[np.searchsorted(events_ms, at_ms, side="left")]
