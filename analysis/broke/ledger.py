"""The broke ledger: what each break made, what came back and was dosed, and what each tower holds. Oven-dry tonnes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from analysis.broke.made import NO_PIT
from analysis.history import BrokeTower, Downtime, History


@dataclass(frozen=True, slots=True, kw_only=True)
class Moisture:
    """Moisture of the paper on the reel and where it was taken from. [%]"""

    pct: float
    taken_from: str

    @property
    def dry(self) -> float:
        """Oven-dry share of the paper. [-]"""
        return 1 - self.pct / 100


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeStep:
    """What flowed in the period of one downtime (None: on the reel), grade and shade. [ms], [t o.d.], [m3]

    bridged_ms
        That part of it without data, in which the newest values were taken to hold.
    full_ms
        With the tower at its brim.
    fallen_t, fallen_reel_t
        Sheet that fell into the pits, oven-dry and at reel moisture: speed x trim x basis weight before the loss, less
        what a size press still to come would have added.
    furnish_t
        Fibre and filler drawn for the sheet.
    dosed_t, returned_m3, spilled_m3
        Of one tower; None where it has no tag for it.
    """

    downtime_id: str | None
    grade: str | None
    shade: str | None
    ms: int
    bridged_ms: int
    full_ms: int
    fallen_reel_t: float | None
    fallen_t: float | None
    furnish_t: float | None
    dosed_t: float | None
    returned_m3: float | None
    spilled_m3: float | None


def summed(steps: Iterable[BrokeStep]) -> tuple[BrokeStep, ...]:
    """Steps of parts of time as those of the whole, one for each downtime, grade and shade; None counts nothing."""
    found: dict[tuple[str | None, str | None, str | None], BrokeStep] = {}
    for step in steps:
        key = step.downtime_id, step.grade, step.shade
        found[key] = _sum_of(found[key], step) if key in found else step
    # On the reel first; then by name, what has none last.
    return tuple(
        found[key] for key in sorted(found, key=lambda k: (k[0] or "", *((x is None, x or "") for x in k[1:])))
    )


def _sum_of(one: BrokeStep, other: BrokeStep) -> BrokeStep:
    sums: dict[str, Any] = {}
    for name in _ADDED:
        known = [value for value in (getattr(one, name), getattr(other, name)) if value is not None]
        sums[name] = sum(known) if known else None
    return replace(one, **sums)


_ADDED = tuple(f.name for f in fields(BrokeStep) if f.name not in ("downtime_id", "grade", "shade"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The first and last good level of a tower in a period, with their times. [ms], [%]"""

    first_ms: int | None
    first_pct: float | None
    last_ms: int | None
    last_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flows:
    """All that the ledger of a period is made of.

    moisture
        None where nothing tells of it: then there is no oven-dry broke.
    steps, levels
        By tower; the fallen sheet is the same in the steps of each.
    plain
        The steps without any tower.
    """

    moisture: Moisture | None
    plain: tuple[BrokeStep, ...] = ()
    steps: Mapping[str, tuple[BrokeStep, ...]] | None = None
    levels: Mapping[str, Levels] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fallen:
    """Broke of one downtime, or of a pit, grade and shade. [t o.d.], [t at reel moisture], [m3 at its consistency]

    volume_m3
        None where the pit's consistency is not set.
    """

    pit: str
    grade: str | None
    shade: str | None
    downtimes: int
    oven_dry_t: float
    reel_t: float
    volume_m3: float | None
    downtime: Downtime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerBalance:
    """What went into and out of a tower in a period, oven-dry. [t]

    returned_t, dosed_t, spilled_t
        None where no tag tells of it; the balance then takes it for nothing, and it stands in what is unexplained.
    start_t, end_t
        Held, by its level; None where the level, volume or consistency is not known.
    full_ms, bridged_ms
        Time at its brim; time without data, through which the newest values were taken to hold. [ms]
    """

    tower: str
    shades: tuple[str, ...]
    full_t: float | None
    start_t: float | None
    made_t: float
    returned_t: float | None
    dosed_t: float | None
    spilled_t: float | None
    end_t: float | None
    full_ms: int
    bridged_ms: int

    @property
    def unexplained_t(self) -> float | None:
        """Held at start + made + returned - dosed - spilled - held at end; None without both levels. [t]"""
        if self.start_t is None or self.end_t is None:
            return None
        put_in = self.start_t + self.made_t + (self.returned_t or 0.0)
        return put_in - (self.dosed_t or 0.0) - (self.spilled_t or 0.0) - self.end_t

    @property
    def unexplained_share(self) -> float | None:
        """What is unexplained over all that was put in, what it held at first included. [-]"""
        if self.unexplained_t is None or self.start_t is None:
            return None
        put_in = self.start_t + self.made_t + (self.returned_t or 0.0)
        return self.unexplained_t / put_in if put_in else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokeLedger:
    """The broke of one machine and period.

    by_downtime
        What each downtime made, in order of loss.
    towers
        The balance of each.
    homeless_t
        Made of a shade that no tower may hold. [t o.d.]
    furnish_t
        Fibre and filler drawn for the sheet, broke included. [t o.d.]
    """

    moisture: Moisture
    by_downtime: tuple[Fallen, ...]
    towers: tuple[TowerBalance, ...]
    homeless_t: float
    furnish_t: float

    @property
    def oven_dry_t(self) -> float:
        """All that fell into the pits. [t o.d.]"""
        return sum(one.oven_dry_t for one in self.by_downtime)

    @property
    def by_pit(self) -> tuple[Fallen, ...]:
        """The same by pit, grade and shade, the most first."""
        groups = defaultdict[tuple[str, str | None, str | None], list[Fallen]](list)
        for one in self.by_downtime:
            groups[one.pit, one.grade, one.shade].append(one)
        return tuple(sorted(map(_together, groups.values()), key=lambda f: (-f.oven_dry_t, f.pit, f.grade or "")))


def broke_ledger(history: History, flows: Flows) -> BrokeLedger | None:
    """The broke ledger of a period; None where nothing tells of the moisture, without which nothing is oven-dry."""
    if flows.moisture is None:
        return None
    steps, levels = flows.steps or {}, flows.levels or {}
    towers = [t for t in history.broke_towers if t.tower in steps]
    return BrokeLedger(
        moisture=flows.moisture,
        by_downtime=tuple(_by_downtime(history, flows.plain)),
        towers=tuple(_balance(t, steps[t.tower], levels.get(t.tower), towers) for t in towers),
        homeless_t=sum(s.fallen_t or 0.0 for s in flows.plain if tower_of(s.shade, towers) is None),
        furnish_t=sum(s.furnish_t or 0.0 for s in flows.plain),
    )


def tower_of(shade: str | None, towers: Sequence[BrokeTower]) -> BrokeTower | None:
    """The tower that takes the broke of a shade: the first that names it, else the first that names none."""
    for tower in towers:
        if shade in tower.shades:
            return tower
    return next((tower for tower in towers if not tower.shades), None)


def _by_downtime(history: History, steps: Iterable[BrokeStep]) -> Iterable[Fallen]:
    downtimes = {d.downtime_id: d for d in history.downtimes}
    pits = {p.section: p for p in history.broke_pits}
    groups = defaultdict[str, list[BrokeStep]](list)
    for step in steps:
        if step.downtime_id is not None and step.fallen_t:
            groups[step.downtime_id].append(step)
    for downtime_id, group in groups.items():
        d = downtimes.get(downtime_id)
        pit = pits.get((d.section if d else None) or "")
        oven_dry_t = sum(s.fallen_t or 0.0 for s in group)
        most = max(group, key=lambda s: s.fallen_t or 0.0)
        yield Fallen(
            pit=pit.pit if pit else NO_PIT,
            grade=most.grade,
            shade=most.shade,
            downtimes=1,
            oven_dry_t=oven_dry_t,
            reel_t=sum(s.fallen_reel_t or 0.0 for s in group),
            volume_m3=volume_m3(oven_dry_t, pit.consistency_pct if pit else None),
            downtime=d,
        )


def volume_m3(oven_dry_t: float, consistency_pct: float | None) -> float | None:
    """Volume of so much fibre at a consistency, a cubic metre of stock weighing a tonne; None without one. [m3]"""
    return oven_dry_t / (consistency_pct / 100) if consistency_pct else None


def _together(group: Sequence[Fallen]) -> Fallen:
    volumes = [one.volume_m3 for one in group if one.volume_m3 is not None]
    return Fallen(
        pit=group[0].pit,
        grade=group[0].grade,
        shade=group[0].shade,
        downtimes=len(group),
        oven_dry_t=sum(one.oven_dry_t for one in group),
        reel_t=sum(one.reel_t for one in group),
        volume_m3=sum(volumes) if len(volumes) == len(group) else None,
    )


def _balance(
    tower: BrokeTower, steps: Sequence[BrokeStep], levels: Levels | None, towers: Sequence[BrokeTower]
) -> TowerBalance:
    share = None if tower.consistency_pct is None else tower.consistency_pct / 100
    own = [s for s in steps if tower_of(s.shade, towers) == tower]

    def held(pct: float | None) -> float | None:
        return None if pct is None or tower.full_t is None else tower.full_t * pct / 100

    def tonnes(flows_m3: Iterable[float | None]) -> float | None:
        volume = _known_sum(flows_m3)
        return None if volume is None or share is None else share * volume

    return TowerBalance(
        tower=tower.tower,
        shades=tower.shades,
        full_t=tower.full_t,
        start_t=held(levels.first_pct if levels else None),
        made_t=sum(s.fallen_t or 0.0 for s in own),
        returned_t=tonnes(s.returned_m3 for s in own),
        dosed_t=_known_sum(s.dosed_t for s in steps),
        spilled_t=tonnes(s.spilled_m3 for s in steps),
        end_t=held(levels.last_pct if levels else None),
        full_ms=sum(s.full_ms for s in steps),
        bridged_ms=sum(s.bridged_ms for s in steps),
    )


def _known_sum(values: Iterable[float | None]) -> float | None:
    """Sum of what is known; None where nothing is, as of a tag that was never heard."""
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def all_together(towers: Sequence[TowerBalance]) -> TowerBalance:
    """The balance of several towers as one; what is not known of one of them is not known of all."""

    def total(values: Iterable[float | None]) -> float | None:
        known = list(values)
        return None if None in known else sum(value or 0.0 for value in known)

    return TowerBalance(
        tower="all towers",
        shades=tuple(sorted({shade for t in towers for shade in t.shades})),
        full_t=total(t.full_t for t in towers),
        start_t=total(t.start_t for t in towers),
        made_t=sum(t.made_t for t in towers),
        returned_t=total(t.returned_t for t in towers),
        dosed_t=total(t.dosed_t for t in towers),
        spilled_t=total(t.spilled_t for t in towers),
        end_t=total(t.end_t for t in towers),
        full_ms=sum(t.full_ms for t in towers),
        bridged_ms=max((t.bridged_ms for t in towers), default=0),
    )
