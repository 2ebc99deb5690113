"""Downtimes gathered under the labels of a dimension: how many began, and what each took of the period."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from analysis.broke.made import broke_in
from analysis.figures.compound import Redrawn, redrawn
from analysis.figures.ledger import Class, Ledger, Slice
from analysis.figures.tonnes import MS_PER_H, Lost, lost, money_of
from analysis.history import Downtime, History
from analysis.pareto.dimension import DIMENSIONS, on_reel, shown

ALL_KINDS = frozenset({"break", "stop", "planned", "unknown"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which downtimes are ranked.

    kinds
        Breaks, unless more is asked for.
    within
        Dimension and label, as shown: only downtimes, and where the dimension has any, time on the reel of these.
    """

    kinds: frozenset[str] = frozenset({"break"})
    within: tuple[tuple[str, str], ...] = ()

    def takes(self, downtime: Downtime, history: History) -> bool:
        """Whether it counts a downtime."""
        return downtime.kind in self.kinds and all(
            shown(by, DIMENSIONS[by].of_downtime(downtime, history)) == label for by, label in self.within
        )

    def takes_slice(self, s: Slice, downtime: Downtime, history: History) -> bool:
        """Whether it takes a stretch of a downtime: a shift's part of a break that another shift began, too."""
        return downtime.kind in self.kinds and all(
            shown(by, DIMENSIONS[by].label_slice(s, downtime, history)) == label for by, label in self.within
        )


BREAKS = Selection()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one downtime took of the period under one label. [t], [currency]; None: unknown, or not set.

    led_by
        The downtime itself or, of a secondary break, the one that it follows from.
    """

    led_by: str
    lost: Lost
    broke_t: float | None
    money: float | None


@dataclass(kw_only=True)
class Tally:
    """What is under one label.

    count
        Downtimes that began in the period.
    parts
        What each downtime took of the period, by id; also of those that began before.
    """

    label: str | None
    by: str
    count: int = 0
    on_reel_ms: int = 0
    parts: dict[str, Part] = field(default_factory=dict)

    @property
    def lost(self) -> Lost:
        """All that was lost."""
        return sum((part.lost for part in self.parts.values()), Lost())

    @property
    def broke_t(self) -> float | None:
        """All broke made; None where it is not known of any, 0 where there was no downtime. [t]"""
        known = [part.broke_t for part in self.parts.values() if part.broke_t is not None]
        return sum(known) if known or not self.parts else None

    @cached_property
    def drawn(self) -> Redrawn | None:
        """Minutes, tonnes and money as they might have come out, unknown ones left out; None without any.

        A break and the secondary ones after it come or stay away together.
        """
        if not self.parts:
            return None
        sizes = defaultdict[str, tuple[float, float, float]](lambda: (0.0, 0.0, 0.0))
        for part in self.parts.values():
            minutes, tonnes_t, money = sizes[part.led_by]
            more = part.lost.ms / 60_000, part.lost.tonnes_t, part.money or 0.0
            sizes[part.led_by] = (minutes + more[0], tonnes_t + more[1], money + more[2])
        return redrawn(list(sizes.values()), f"{self.by} {self.label}")


Source = tuple[History, Ledger]


def tallies(
    sources: Sequence[Source],
    by: str,
    selection: Selection,
    *,
    secondary: bool | None = None,
    on_reel: Mapping[str | None, int] | None = None,
) -> dict[str | None, Tally]:
    """Downtimes gathered by one dimension, over one machine or several.

    secondary
        Only breaks that are, or are not, secondary; one of which that cannot be known counts as primary. None: all.
    on_reel
        What ``on_reel_ms`` gave, where it is known already. [ms]
    """
    found: dict[str | None, Tally] = {}

    def under(label: str | None) -> Tally:
        return found.setdefault(label, Tally(label=label, by=by))

    for name in DIMENSIONS[by].all_labels:
        under(name)
    for history, book in sources:
        for d in _chosen(history, book, selection, secondary):
            under(DIMENSIONS[by].of_downtime(d, history)).count += 1
        leaders = _leaders(history)
        for (label, downtime_id), (d, ms) in _stretches(history, book, by, selection, secondary).items():
            under(label).parts[downtime_id] = _part(history, d, ms, leaders[downtime_id])
    _add_on_reel(found, by, on_reel_ms(sources, by, selection) if on_reel is None else on_reel)
    return found


def chosen(history: History, book: Ledger, selection: Selection) -> list[Downtime]:
    """The downtimes themselves that began in the period, longest first."""
    found = _chosen(history, book, selection, None)
    return sorted(found, key=lambda d: (-d.lasts_ms(history.horizon_ms), d.downtime_id))


def _chosen(history: History, book: Ledger, selection: Selection, secondary: bool | None) -> Iterator[Downtime]:
    for d in history.downtimes:
        fits = secondary is None or bool(d.secondary) is secondary
        if fits and book.period.holds(d.started_ms) and selection.takes(d, history):
            yield d


def _stretches(
    history: History, book: Ledger, by: str, selection: Selection, secondary: bool | None
) -> dict[tuple[str | None, str], tuple[Downtime, int]]:
    """Time of every downtime under every label it touches. [ms]"""
    total = defaultdict[tuple[str | None, str], int](int)
    seen: dict[str, Downtime] = {}
    dimension = DIMENSIONS[by]
    for s in book.slices:
        d = s.downtime
        if d is None or s.cls is Class.NO_DATA or not (secondary is None or bool(d.secondary) is secondary):
            continue
        if selection.takes_slice(s, d, history):
            total[dimension.label_slice(s, d, history), d.downtime_id] += s.ms
            seen[d.downtime_id] = d
    return {key: (seen[key[1]], ms) for key, ms in total.items()}


def _leaders(history: History) -> dict[str, str]:
    """The downtime that each follows from: of a secondary break that of the one before it, else itself."""
    found: dict[str, str] = {}
    before: str | None = None
    for d in sorted(history.downtimes, key=lambda d: (d.started_ms, d.downtime_id)):
        before = before if d.secondary and before else d.downtime_id
        found[d.downtime_id] = before
    return found


def _part(history: History, downtime: Downtime, ms: int, led_by: str) -> Part:
    cost = lost(downtime, ms)
    broke_t = broke_in(downtime, ms, history.horizon_ms)
    known_t = None if cost.unknown_ms else cost.tonnes_t
    return Part(led_by=led_by, lost=cost, broke_t=broke_t, money=money_of(history, lost_t=known_t, broke_t=broke_t))


def _add_on_reel(found: dict[str | None, Tally], by: str, ms: Mapping[str | None, int]) -> None:
    """Give every label its time on the reel, also to labels under which nothing fell."""
    own = DIMENSIONS[by].of_on_reel
    for label, tally in found.items():
        tally.on_reel_ms = ms.get(label, 0) if own else ms.get(None, 0)
    if own:
        for label in ms.keys() - found.keys() - {None}:
            found[label] = Tally(label=label, by=by, on_reel_ms=ms[label])


def on_reel_ms(sources: Sequence[Source], by: str, selection: Selection) -> Mapping[str | None, int]:
    """Time on the reel of every label; all of it under None where labels have none of their own. [ms]"""
    own = DIMENSIONS[by].of_on_reel
    narrow = [(of, within, label) for within, label in selection.within if (of := DIMENSIONS[within].of_on_reel)]
    if own is None and not narrow:
        return {None: sum(book.ms[Class.ON_REEL] for _, book in sources)}
    by_clock = any(DIMENSIONS[asked].by_clock for asked in (by, *(within for _, within, _ in narrow)))
    total = defaultdict[str | None, int](int)
    for history, book in sources:
        for piece in on_reel(history, book, by_clock=by_clock):
            if all(shown(within, of(piece)) == label for of, within, label in narrow):
                total[own(piece) if own else None] += piece.ms
    return total


def hours(ms: int) -> float:
    """Milliseconds as hours. [h]"""
    return ms / MS_PER_H
