"""A scenario as values: which causes are planted on which tags, which decoys there are, and what else is measured."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from replay_data.simulator.planted import Planted

START_MS = 1_769_983_200_000
"""2026-02-02 at the mill's midnight: 2026-02-01T22:00:00Z, 20,485 days of 86,400 s since 1970, and 79,200 s. [ms]"""


class Kind(StrEnum):
    """How a planted cause shows."""

    WANDERS = "wanders"
    BUILDS_UP = "builds_up"
    MOVED = "moved"
    SWINGS = "swings"
    FLUTTERS = "flutters"
    AGES = "ages"
    DRIFTS = "drifts"
    HABIT = "habit"


RESTLESS = (Kind.MOVED, Kind.SWINGS, Kind.FLUTTERS)
"""Kinds of which the level says nothing: step, oscillation and spread do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """One planted cause.

    tags, signs
        The instruments that show it, the clearest first, and which way each goes: 1 up, -1 down.
    lead_min
        How long after its tags it acts on the hazard. [min]
    lift
        How many times the section's hazard it makes on average over the run, 1 being none.
    clarity
        How plainly its first tag shows it: 0 not at all, 1 without any wandering of its own.
    crew
        The crew that brings it about; None unless it is a habit.
    """

    name: str
    kind: Kind
    section: str
    tags: tuple[str, ...]
    signs: tuple[int, ...]
    lead_min: int
    lift: float
    clarity: float
    cause: str
    seed: int
    crew: str | None = None

    @property
    def told(self) -> Planted:
        """What the truth says of it."""
        restless = self.kind in RESTLESS
        return Planted(
            name=self.name,
            kind=self.kind.value,
            sections=(self.section,),
            tags=self.tags,
            directions=tuple("restless" if restless else "up" if sign > 0 else "down" for sign in self.signs),
            lead_min=self.lead_min,
            causes=(self.cause,),
            crew=self.crew,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DecoyTag:
    """A tag of ``instruments.DECOYS``, and by what use mill.toml declares it."""

    name: str
    use: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A machine whose causes of breaks are known. Same values, same bytes.

    quiet
        Instruments that have nothing to do with anything.
    days, scan_s
        How long it runs [d], and how often it is scanned: 60 s at most, or the collector sees gaps. [s]
    breaks_per_day
        How often the sheet breaks, turn-ups apart, after a restart has settled. [1/d]
    shares
        Share of each section in that, from couch to reel, without the plants.
    grade_factor
        How many times the usual hazard each grade has, by name: what grade decoys are confounded with.
    restart_factor
        Just after a restart the hazard is 1 + this many times what it will be.
    """

    seed: int
    plants: tuple[Plant, ...]
    decoys: tuple[DecoyTag, ...]
    quiet: tuple[str, ...]
    days: int = 90
    scan_s: int = 30
    start_ms: int = START_MS
    breaks_per_day: float = 2.4
    shares: tuple[float, ...] = (0.08, 0.30, 0.18, 0.16, 0.10, 0.08, 0.10)
    grade_factor: tuple[tuple[str, float], ...] = ()
    restart_factor: float = 2.0

    @property
    def end_ms(self) -> int:
        """When it ends. [ms]"""
        return self.start_ms + self.days * 86_400_000

    @property
    def minutes(self) -> int:
        """How many minutes it runs."""
        return self.days * 1440

    @property
    def tags(self) -> tuple[str, ...]:
        """All instruments: the planted ones, the quiet ones and the decoys, in an order that tells nothing."""
        planted = {tag for plant in self.plants for tag in plant.tags}
        return tuple(sorted({*planted, *self.quiet, *(decoy.name for decoy in self.decoys)}))
