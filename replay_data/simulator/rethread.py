"""How the sheet comes back: section by section, with attempts that fail and pauses in which it is held."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from replay_data.simulator.geometry import EYES, REEL, SECTIONS
from replay_data.simulator.loss import at_speed
from replay_data.simulator.tracks import Change

if TYPE_CHECKING:
    from numpy.random import Generator

# Seconds from full width at the eye before to full width at this one (demo).
LEG_S = (0.0, 25.0, 55.0, 40.0, 35.0, 25.0, 40.0)
FIRST_SUCCESS = 0.70
"""Share of attempts that succeed: common practice, no source."""
HOLD_CHANCE = 0.05
HELD_AFTER_S = 300.0
"""A sheet that stands still for this long counts as held: design 3, rule 7."""
MOST_ATTEMPTS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One advance of the sheet. ``reached``: the section it had got to; ``outcome``: failed, held or success."""

    started_ms: int
    ended_ms: int
    reached: str
    outcome: str


@dataclass(slots=True)
class Rethreading:
    """The work of one crew on one downtime, from ``now_ms`` on, with ``seeing`` eyes that still see the sheet.

    changes, attempts
        What came of it. After ``until_on_reel`` the sheet is on the reel since ``now_ms``.
    """

    rng: Generator
    now_ms: int
    seeing: int
    skill: float
    speed_m_min: float
    changes: list[Change]
    attempts: list[Attempt]

    def until_on_reel(self) -> None:
        """Try until the sheet is on the reel."""
        while not self._attempt(last=len(self.attempts) >= MOST_ATTEMPTS - 1):
            pass

    def _attempt(self, *, last: bool) -> bool:
        """One attempt; true when the sheet is on the reel to stay."""
        started_ms = self.now_ms
        if last or self.rng.random() < success_chance(self.seeing, self.skill):
            goal, outcome = REEL + 1, "success"
            if not last and self.seeing < REEL and self.rng.random() < HOLD_CHANCE:
                goal, outcome = int(self.rng.integers(self.seeing + 1, REEL + 1)), "held"
        else:
            goal, outcome = int(self.rng.integers(self.seeing + 1, REEL + 2)), "failed"
        self._advance(goal)
        ended_ms = self._end(goal, outcome)
        self.attempts.append(
            Attempt(started_ms=started_ms, ended_ms=ended_ms, reached=SECTIONS[goal - 1], outcome=outcome)
        )
        return outcome == "success"

    def _advance(self, goal: int) -> None:
        """The eyes up to number ``goal`` see the sheet, one after the other."""
        for eye in range(self.seeing, goal):
            if eye > self.seeing:
                self._wait(min(200.0, LEG_S[eye] * float(self.rng.lognormal(0.0, 0.25))))
            self.changes.append(Change(self.now_ms, EYES[eye].tag, True))
        self.seeing = goal

    def _end(self, goal: int, outcome: str) -> int:
        """What follows the last rise: nothing, a stand-still, or the loss of the tail and a pause. Its end [ms]."""
        if outcome == "success":
            return self.now_ms
        if outcome == "held":
            ended_ms = self.now_ms + round(HELD_AFTER_S * 1000)
            self._wait(float(self.rng.uniform(HELD_AFTER_S + 20.0, 900.0)))
            return ended_ms
        # On the reel for less than the 30 s that confirm it; elsewhere while the next section is threaded.
        self._wait(float(self.rng.uniform(4.0, 26.0) if goal == REEL + 1 else self.rng.uniform(4.0, 40.0)))
        ended_ms = self.now_ms
        self._lose(goal)
        self._wait(max(45.0, float(self.rng.lognormal(4.9, 0.5))))
        return ended_ms

    def _lose(self, goal: int) -> None:
        """The tail breaks at the last eye or one further up, and runs out downstream."""
        first = goal - 1 if self.rng.random() < 0.5 else int(self.rng.integers(0, goal))
        travel = at_speed(self.speed_m_min)
        for eye in range(first, goal):
            run_out_ms = round(1000 * travel(EYES[eye].position_m - EYES[first].position_m))
            self.changes.append(Change(self.now_ms + run_out_ms, EYES[eye].tag, False))
        self.seeing = first

    def _wait(self, seconds: float) -> None:
        self.now_ms += round(seconds * 1000)


def success_chance(seeing: int, skill: float) -> float:
    """Chance that an attempt succeeds: less from the wet end, more when only the dry end is to be threaded.

    About 70 % on average: common practice, no source.
    """
    return min(0.95, FIRST_SUCCESS + skill + 0.03 * (seeing - 1))
