"""How the sheet goes: the tail runs out downstream at machine speed, then crew or interlock cut upstream."""

from __future__ import annotations

from typing import TYPE_CHECKING

from replay_data.simulator.geometry import EYES, transport_s
from replay_data.simulator.tracks import Change

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator

    Travel = Callable[[float], float]
    """Seconds that the sheet takes for some metres of path, from the loss on."""

# Up to which eye the sheet is kept when it breaks at the section, with weights: trade practice of partial breaks,
# common practice, no source. 0: everything down from the couch.
KEPT: dict[str, tuple[tuple[int, float], ...]] = {
    "couch": ((0, 1.0),),
    "press": ((1, 0.45), (0, 0.55)),
    "pre-dryer": ((2, 0.5), (1, 0.25), (0, 0.25)),
    "size press": ((3, 0.6), (1, 0.3), (0, 0.1)),
    "after-dryer": ((3, 0.5), (4, 0.2), (1, 0.3)),
    "calender": ((3, 0.5), (4, 0.3), (1, 0.2)),
    "reel": ((3, 0.4), (4, 0.2), (5, 0.1), (1, 0.3)),
    "turn-up": ((5, 0.4), (6, 0.3), (3, 0.3)),
}


def kept_eyes(rng: Generator, where: str) -> int:
    """How many eyes, from the wet end, go on seeing the sheet."""
    options = KEPT[where]
    return options[int(rng.choice(len(options), p=[weight for _, weight in options]))][0]


def at_speed(speed_m_min: float) -> Travel:
    """Travel at a steady speed."""
    return lambda metres: transport_s(0.0, metres, speed_m_min)


def slowing(speed_m_min: float, stop_s: float) -> Travel:
    """Travel while the machine runs down to a stand in ``stop_s``: the root of v t - v t² / 2 stop = metres.

    What lies too far away never arrives; the eye's interlock calls the sheet lost when the machine stands.
    """
    v = speed_m_min / 60

    def travel(metres: float) -> float:
        inside = 1 - 2 * metres / (v * stop_s)
        return stop_s * (1 - inside**0.5) if inside > 0 else stop_s + 1.0

    return travel


def sheet_lost(rng: Generator, *, at_ms: int, first: int, kept: int, travel: Travel) -> list[Change]:
    """The falls of the eyes when eye number ``first`` (from 0) loses the sheet at ``at_ms``.

    The trailing end passes the eyes downstream in order. With ``kept`` < ``first`` the sheet is cut ahead of eye
    ``kept`` one to ten seconds later, and those in between lose it as its end passes them (common practice).
    """
    falls = [
        Change(at_ms + _ms(travel(EYES[eye].position_m - EYES[first].position_m)), EYES[eye].tag, False)
        for eye in range(first, len(EYES))
    ]
    cut_ms = at_ms + _ms(float(rng.uniform(1.0, 10.0)))
    if kept < first:
        for eye in range(kept, first):
            metres = EYES[eye].position_m - EYES[kept].cut_m
            falls.append(Change(cut_ms + _ms(travel(metres)), EYES[eye].tag, False))
    return falls


def late_knock_off(rng: Generator, *, from_ms: int, kept: int, speed_m_min: float) -> list[Change]:
    """The sheet that was kept is taken off at the couch after all, to clear the dryers."""
    at_ms = from_ms + _ms(float(rng.uniform(35.0, 60.0)))
    travel = at_speed(speed_m_min)
    return [
        Change(at_ms + _ms(travel(EYES[eye].position_m - EYES[0].cut_m)), EYES[eye].tag, False) for eye in range(kept)
    ]


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
