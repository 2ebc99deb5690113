"""What is planned: shuts, washes, small jobs with the sheet off, and the clothing that wears meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from itertools import count
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.random import Generator

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# Planned maintenance every four to six weeks, felts washed every seven to fourteen days: common practice, no source.
FIRST_SHUT_DAY, SHUT_EVERY_DAYS = 8, 35
FIRST_WASH_DAY, WASH_EVERY_DAYS = 4, 8


class JobKind(StrEnum):
    """What the sheet is taken off for."""

    SHEET_OFF = "sheet-off"
    WASH = "wash"
    SHUT = "shut"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One planned job. ``first_eye``: the eye (from 0) that loses the sheet first; ``lasts_s``: until threading."""

    kind: JobKind
    due_ms: int
    lasts_s: float
    first_eye: int
    what: str


# Small jobs, and the eye behind the place where the sheet is cut for them.
SMALL_JOBS = (
    ("Doctor blade changed at the centre roll", 1),
    ("Size-press rod changed", 3),
    ("Rope put back at the after-dryers", 4),
    ("Calender doctor cleaned", 5),
    ("Wire edges cleaned", 0),
)


def jobs(rng: Generator, start_ms: int) -> Iterator[Job]:
    """All jobs in order of time, without end."""
    for day in count():
        from_ms = start_ms + day * DAY_MS
        shuts_before, into = divmod(day - FIRST_SHUT_DAY, SHUT_EVERY_DAYS)
        if into == 0 and shuts_before >= 0:
            hours = 30.0 if shuts_before % 2 else 12.0
            yield Job(
                kind=JobKind.SHUT, due_ms=from_ms + 7 * HOUR_MS, lasts_s=hours * 3600, first_eye=0, what="Planned shut"
            )
        elif _is_wash_day(day, into):
            seconds = float(rng.uniform(2.0, 3.5)) * 3600
            yield Job(
                kind=JobKind.WASH, due_ms=from_ms + 8 * HOUR_MS, lasts_s=seconds, first_eye=0, what="Felts washed"
            )
        elif day == 1 or rng.random() < 0.3:
            what, eye = SMALL_JOBS[int(rng.integers(len(SMALL_JOBS)))]
            due_ms = from_ms + round(float(rng.uniform(9, 20)) * HOUR_MS)
            seconds = float(rng.uniform(8, 30)) * 60
            yield Job(kind=JobKind.SHEET_OFF, due_ms=due_ms, lasts_s=seconds, first_eye=eye, what=what)


def _is_wash_day(day: int, days_after_shut: int) -> bool:
    near_shut = day > FIRST_SHUT_DAY and (days_after_shut <= 3 or days_after_shut >= SHUT_EVERY_DAYS - 3)
    return not near_shut and day >= FIRST_WASH_DAY and (day - FIRST_WASH_DAY) % WASH_EVERY_DAYS == 0


@dataclass(frozen=True, slots=True)
class Position:
    """A place that wears clothing: how long a piece lives, and how old it is when the simulation starts. [d]"""

    name: str
    life_d: float
    age_d: float


# Forming fabric 60 to 90 d, press felts 30 to 45 d: common practice, supplier figures.
POSITIONS = (
    Position("forming fabric", 75.0, 30.0),
    Position("pick-up felt", 42.0, 15.0),
    Position("last press felt", 42.0, 33.0),
)
WORST = "last press felt"


@dataclass(slots=True)
class Clothing:
    """What is on the machine, and when it was last washed and boiled out. [ms]"""

    start_ms: int
    installed_ms: dict[str, int] = field(init=False)
    washed_ms: int = field(init=False)
    boiled_out_ms: int = field(init=False)

    def __post_init__(self) -> None:
        """Everything of the age it has at the start."""
        self.installed_ms = {p.name: self.start_ms - round(p.age_d * DAY_MS) for p in POSITIONS}
        self.washed_ms = self.start_ms - 4 * DAY_MS
        self.boiled_out_ms = self.start_ms - 27 * DAY_MS

    def wash(self, at_ms: int) -> None:
        """The felts and the photo-eyes are clean."""
        self.washed_ms = at_ms

    def shut(self, at_ms: int) -> list[str]:
        """Wash, boil out, and change what would not last until the next shut. The positions changed."""
        self.washed_ms = self.boiled_out_ms = at_ms
        worn = [
            p.name for p in POSITIONS if (at_ms - self.installed_ms[p.name]) / DAY_MS + SHUT_EVERY_DAYS > 1.2 * p.life_d
        ]
        for name in worn:
            self.installed_ms[name] = at_ms
        return worn
