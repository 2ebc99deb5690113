"""The loss table: available time in the rows of a published guideline, beside which it can be held."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from analysis.figures.ledger import Class, Ledger, Slice
from analysis.figures.tonnes import MS_PER_H
from analysis.history import Downtime, History


class Loss(StrEnum):
    """A row of the table, in its order."""

    BREAKS = "breaks"
    SCHEDULED = "scheduled"
    UNSCHEDULED = "unscheduled"
    PROCESS = "process"
    GRADE_CHANGE = "grade change"
    OTHER = "other"
    NOT_KNOWN = "not known"


MEANING = {
    Loss.BREAKS: "unplanned losses of the sheet, whatever their cause, also during a grade change",
    Loss.SCHEDULED: "sheet taken off on purpose, up to the cut-off",
    Loss.UNSCHEDULED: "stops, unless their cause says otherwise",
    Loss.PROCESS: "stops and sheet-offs of causes that mill.toml calls process",
    Loss.GRADE_CHANGE: "likewise grade change; off-specification paper at a change is a loss of quality, not of time",
    Loss.OTHER: "likewise other departments",
    Loss.NOT_KNOWN: "the loss was not seen, or nothing says why the sheet was off",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Guideline:
    """What the guideline asks of one row; share of available time. ``said``: in its own words. [%]"""

    said: str
    most_pct: float


GUIDELINE_SOURCE = "TAPPI TIP 0404-47, as cited by D. Reese; the guideline itself was not seen"
GUIDELINE: Mapping[Loss, Guideline] = {
    Loss.BREAKS: Guideline(said="< 3.0 %", most_pct=3.0),
    Loss.SCHEDULED: Guideline(said="1.5 %", most_pct=1.5),
    Loss.UNSCHEDULED: Guideline(said="< 1.0 %", most_pct=1.0),
    Loss.PROCESS: Guideline(said="1.0 %", most_pct=1.0),
    Loss.GRADE_CHANGE: Guideline(said="0 to 4 %", most_pct=4.0),
    Loss.OTHER: Guideline(said="< 0.5 %", most_pct=0.5),
}
GUIDELINE_TOTAL = Guideline(said="< 7.0 %", most_pct=7.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LossTable:
    """Available time: on the reel, and the losses. They add up to ``available_ms``, exactly. [ms]

    left_out_ms
        Planned downtime longer than the cut-off, which is in neither.
    """

    available_ms: int
    on_reel_ms: int
    lost_ms: Mapping[Loss, int]
    left_out_ms: int

    @property
    def total_ms(self) -> int:
        """All losses. [ms]"""
        return sum(self.lost_ms.values())

    def pct(self, ms: int) -> float | None:
        """Share of available time; None without any. [%]"""
        return 100 * ms / self.available_ms if self.available_ms else None


def loss_of(downtime: Downtime, losses: Mapping[str, str]) -> Loss:
    """The row of a downtime.

    losses
        Code of a cause to the row that mill.toml gives its stops and sheet-offs.
    """
    match downtime.kind:
        case "break":
            return Loss.BREAKS
        case "stop" | "planned":
            told = losses.get(downtime.cause or "")
            usual = Loss.UNSCHEDULED if downtime.kind == "stop" else Loss.SCHEDULED
            return Loss(told) if told else usual
        case _:
            return Loss.NOT_KNOWN


def loss_table(history: History, book: Ledger) -> LossTable:
    """The loss table of the period of a ledger. Time without data is in no row."""
    lost, left_out, on_reel = dict.fromkeys(Loss, 0), 0, 0
    for s in book.slices:
        if s.cls is Class.ON_REEL:
            on_reel += s.ms
        elif s.cls is Class.NO_DATA:
            continue
        elif _left_out(s, history):
            left_out += s.ms
        else:
            lost[loss_of(s.downtime, history.losses) if s.downtime else Loss.NOT_KNOWN] += s.ms
    return LossTable(available_ms=on_reel + sum(lost.values()), on_reel_ms=on_reel, lost_ms=lost, left_out_ms=left_out)


def _left_out(s: Slice, history: History) -> bool:
    d = s.downtime
    longest_ms = history.mill.planned_cutoff_h * MS_PER_H
    return d is not None and d.kind == "planned" and d.lasts_ms(history.horizon_ms) > longest_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """A downtime and the secondary breaks that followed it, as one event.

    ms
        What the first, and what all of it, took of the period. [ms]
    """

    first: Downtime
    secondary: tuple[Downtime, ...]
    first_ms: int
    ms: int


def clusters(history: History, book: Ledger) -> tuple[Cluster, ...]:
    """Every downtime of a period with the secondary breaks it led to, in order of time.

    A break that is secondary belongs to the newest downtime before it that is not: the break, stop or sheet-off after
    which the machine had not settled. One whose first is not in the history stands for itself. Their time adds up to
    that of the ledger's downtimes, exactly.
    """
    inside = book.by_downtime
    groups = defaultdict[str, list[Downtime]](list)
    first: Downtime | None = None
    for d in sorted(history.downtimes, key=lambda d: (d.started_ms, d.downtime_id)):
        if not (d.kind == "break" and d.secondary) or first is None:
            first = d
        groups[first.downtime_id].append(d)
    found = (_cluster(group, inside) for group in groups.values())
    return tuple(cluster for cluster in found if cluster.ms)


def _cluster(group: list[Downtime], inside: Mapping[str, int]) -> Cluster:
    first, *rest = group
    return Cluster(
        first=first,
        secondary=tuple(rest),
        first_ms=inside.get(first.downtime_id, 0),
        ms=sum(inside.get(d.downtime_id, 0) for d in group),
    )
