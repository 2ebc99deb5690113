"""One downtime from loss to back on the reel, worked out at the moment it begins."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from replay_data.simulator import loss
from replay_data.simulator.geometry import EYES, SECTIONS
from replay_data.simulator.rethread import Attempt, Rethreading
from replay_data.simulator.tracks import Change

if TYPE_CHECKING:
    from numpy.random import Generator

    from replay_data.simulator.upkeep import Job

# Median minutes from loss to the first attempt; with the threading they give lost times of about 20, 22, 25, 16, 14,
# 12 and 8 min: common practice, no source.
CLEARING_MIN = {
    "couch": 13.8,
    "press": 15.8,
    "pre-dryer": 18.7,
    "size press": 11.0,
    "after-dryer": 9.9,
    "calender": 8.2,
    "reel": 5.5,
    "turn-up": 5.8,
}
SPREAD = 0.65
"""Spread of the logarithm of the clearing time; trade range 0.55 to 0.7 for the lost time."""
SHORTEST_CLEARING_S = 80.0
TRIP_CAUSES = (("ME-PWR", 0.4), ("ME-DRV", 0.6))


@dataclass(slots=True, kw_only=True)
class Downtime:
    """A downtime as it truly was.

    section
        Where the sheet was lost; None for a stop.
    first_rise_ms, back_ms
        When threading began, and when the sheet was back on the reel. [ms]
    kept
        How many eyes went on seeing the sheet.
    forced, unseen
        A scenario made it happen; it began in a data gap.
    """

    machine: str
    kind: str
    section: str | None
    cause: str
    started_ms: int
    first_rise_ms: int
    back_ms: int
    kept: int
    crew: str
    secondary: bool = False
    forced: bool = False
    unseen: bool = False
    grade: str = ""
    shade: str = ""
    changes: list[Change] = field(default_factory=list)
    attempts: list[Attempt] = field(default_factory=list)

    @property
    def downtime_id(self) -> str:
        """Machine and start, the second cut off."""
        return f"{self.machine}-{utc_id(self.started_ms)}"


def utc_id(ms: int) -> str:
    """A moment as ``YYYYMMDDTHHMMSSZ``, the second cut off."""
    return datetime.fromtimestamp(ms // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the loss finds: the moment [ms], the speed [m/min], the speed for threading, and the crew with its skill."""

    machine: str
    at_ms: int
    speed_m_min: float
    threading_m_min: float
    crew: str
    skill: float


def broken(rng: Generator, here: Setting, *, where: str, cause: str, least_s: float = SHORTEST_CLEARING_S) -> Downtime:
    """A break. ``where``: a section, or "turn-up"; ``least_s``: clearing takes at least this long."""
    section = "reel" if where == "turn-up" else where
    first = SECTIONS.index(section)
    kept = loss.kept_eyes(rng, where)
    travel = loss.at_speed(here.speed_m_min)
    changes = loss.sheet_lost(rng, at_ms=here.at_ms, first=first, kept=kept, travel=travel)
    clearing_s = max(least_s, 60 * CLEARING_MIN[where] * float(rng.lognormal(0.0, SPREAD)))
    if kept and clearing_s > 300 and rng.random() < 0.25:
        changes += loss.late_knock_off(rng, from_ms=here.at_ms + 60_000, kept=kept, speed_m_min=here.speed_m_min)
        kept = 0
    down = _begun(here, kind="break", section=section, cause=cause, kept=kept, clearing_s=clearing_s)
    return _threaded(rng, here, down, changes)


def planned(rng: Generator, here: Setting, job: Job) -> Downtime:
    """The sheet is taken off for a job."""
    travel = loss.at_speed(here.speed_m_min)
    eye = job.first_eye
    changes = loss.sheet_lost(rng, at_ms=here.at_ms, first=eye, kept=eye, travel=travel)
    section = EYES[eye].section
    down = _begun(here, kind="planned", section=section, cause=job.what, kept=eye, clearing_s=job.lasts_s)
    return _threaded(rng, here, down, changes)


def tripped(rng: Generator, here: Setting, *, stop_s: float) -> Downtime:
    """The drives trip: the machine runs down to a stand in ``stop_s``, and the sheet goes at the press."""
    press = SECTIONS.index("press")
    travel = loss.slowing(here.speed_m_min, stop_s)
    changes = loss.sheet_lost(rng, at_ms=here.at_ms, first=press, kept=0, travel=travel)
    cause = TRIP_CAUSES[0][0] if rng.random() < TRIP_CAUSES[0][1] else TRIP_CAUSES[1][0]
    clearing_s = max(1500.0, 2700.0 * float(rng.lognormal(0.0, 0.5)))
    down = _begun(here, kind="stop", section=None, cause=cause, kept=0, clearing_s=clearing_s)
    return _threaded(rng, here, down, changes)


def _begun(here: Setting, *, kind: str, section: str | None, cause: str, kept: int, clearing_s: float) -> Downtime:
    first_rise_ms = here.at_ms + round(1000 * clearing_s)
    return Downtime(
        machine=here.machine,
        kind=kind,
        section=section,
        cause=cause,
        started_ms=here.at_ms,
        first_rise_ms=first_rise_ms,
        back_ms=first_rise_ms,
        kept=kept,
        crew=here.crew,
    )


def _threaded(rng: Generator, here: Setting, down: Downtime, changes: list[Change]) -> Downtime:
    """The same downtime with the work that ends it."""
    work = Rethreading(rng, down.first_rise_ms, down.kept, here.skill, here.threading_m_min, changes, [])
    work.until_on_reel()
    down.changes, down.attempts, down.back_ms = work.changes, work.attempts, work.now_ms
    return down
