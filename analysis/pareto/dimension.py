"""What downtimes can be ranked by: how each is labelled, and whose time on the reel a label stands for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from analysis.figures.ledger import SPLITS, Class, Ledger, Slice, cause_label, section_label
from analysis.history import Downtime, History
from analysis.period import local
from analysis.result import count

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_HOURS = tuple(f"{hour:02d} h" for hour in range(24))
_QUARTER_MS = 15 * 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class OnReel:
    """A stretch on the reel, in mill time where the dimension asks for it."""

    ms: int
    slice: Slice
    local: datetime | None
    history: History


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """How a downtime, a stretch of one and a stretch on the reel are labelled; None: not known.

    of_slice
        Where the minutes of one downtime may fall under several labels; without it they follow ``of_downtime``.
    of_on_reel
        Where a label has time on the reel of its own; without it the rate is over all of it.
    by_clock
        Whether ``of_on_reel`` looks at mill time.
    all_labels
        Labels that are shown even if nothing ever fell under them, in their own order.
    in_order
        Whether labels stand in their own order rather than in that of their counts.
    """

    of_downtime: Callable[[Downtime, History], str | None]
    of_slice: Callable[[Slice, Downtime, History], str | None] | None = None
    of_on_reel: Callable[[OnReel], str | None] | None = None
    by_clock: bool = False
    all_labels: tuple[str, ...] = ()
    in_order: bool = False

    def label_slice(self, s: Slice, downtime: Downtime, history: History) -> str | None:
        """The label of a stretch of a downtime."""
        return self.of_downtime(downtime, history) if self.of_slice is None else self.of_slice(s, downtime, history)


def _by_rota(split: str, of_downtime: Callable[[Downtime, History], str | None]) -> Dimension:
    return Dimension(
        of_downtime=of_downtime,
        of_slice=lambda s, _, __: SPLITS[split](s),
        of_on_reel=lambda piece: SPLITS[split](piece.slice),
    )


def _by_clock(label: Callable[[datetime], str], all_labels: tuple[str, ...] = ()) -> Dimension:
    return Dimension(
        of_downtime=lambda d, history: label(local(d.started_ms, history.mill.zone)),
        of_on_reel=lambda piece: None if piece.local is None else label(piece.local),
        by_clock=True,
        all_labels=all_labels,
        in_order=True,
    )


def _yes_or_no(value: bool | None, yes: str, no: str) -> str | None:
    return None if value is None else yes if value else no


def _attempts(downtime: Downtime) -> str | None:
    return None if downtime.attempts is None else count(downtime.attempts, "attempt")


DIMENSIONS: dict[str, Dimension] = {
    "section": Dimension(of_downtime=lambda d, _: section_label(d)),
    "cause": Dimension(of_downtime=lambda d, _: cause_label(d)),
    "crew": _by_rota("crew", lambda d, _: d.crew),
    "shift": _by_rota("shift", lambda d, _: d.shift),
    "grade": Dimension(of_downtime=lambda d, _: d.grade, of_on_reel=lambda piece: piece.slice.grade),
    "shade": Dimension(of_downtime=lambda d, _: d.shade, of_on_reel=lambda piece: piece.slice.shade),
    "hour": _by_clock(lambda at: _HOURS[at.hour], _HOURS),
    "weekday": _by_clock(lambda at: _WEEKDAYS[at.weekday()], _WEEKDAYS),
    "month": _by_clock(lambda at: f"{at:%Y-%m}"),
    "turn-up": Dimension(of_downtime=lambda d, _: _yes_or_no(d.at_turn_up, "at a turn-up", "not at a turn-up")),
    "attempts": Dimension(of_downtime=lambda d, _: _attempts(d), in_order=True),
    "secondary": Dimension(of_downtime=lambda d, _: _yes_or_no(d.secondary, "secondary", "primary")),
    "kind": Dimension(of_downtime=lambda d, _: d.kind),
    "machine": Dimension(
        of_downtime=lambda _, history: history.machine.name, of_on_reel=lambda piece: piece.history.machine.name
    ),
}
"""A downtime counts where it begins; for crew and shift, its minutes are split at shift ends."""


def shown(by: str, label: str | None) -> str:
    """A label for people: also of what is not known."""
    return f"{by} not known" if label is None else label


def on_reel(history: History, book: Ledger, *, by_clock: bool) -> Iterator[OnReel]:
    """All time on the reel in pieces that have one label each.

    by_clock
        Cut them at quarters of an hour: clocks change, and zones differ, on quarters only.
    """
    for s in book.of(Class.ON_REEL):
        if not by_clock:
            yield OnReel(ms=s.ms, slice=s, local=None, history=history)
            continue
        at = s.from_ms
        while at < s.to_ms:
            until = min(s.to_ms, (at // _QUARTER_MS + 1) * _QUARTER_MS)
            yield OnReel(ms=until - at, slice=s, local=local(at, history.mill.zone), history=history)
            at = until
