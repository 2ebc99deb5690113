"""Patterns in a control chart that are unlikely by chance, and what each may mean: questions to ask, not alarms."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from analysis.runnability.observed import Floats

Flags = NDArray[np.bool_]


class Rule(StrEnum):
    """A pattern over points standardised to centre 0 and sigma 1."""

    BEYOND_LIMIT = "one point beyond the limit"
    TWO_OF_THREE = "two of three points beyond two sigma, on one side"
    FOUR_OF_FIVE = "four of five points beyond one sigma, on one side"
    EIGHT_ON_ONE_SIDE = "eight points in a row on one side of the centre"
    NINE_ON_ONE_SIDE = "nine points in a row on one side of the centre"
    SIX_STEADY = "six points in a row steadily rising or falling"
    FOURTEEN_ALTERNATING = "fourteen points in a row alternating up and down"
    FIFTEEN_CLOSE = "fifteen points in a row within one sigma"
    EIGHT_FAR = "eight points in a row beyond one sigma, on both sides"


WESTERN_ELECTRIC = (Rule.BEYOND_LIMIT, Rule.TWO_OF_THREE, Rule.FOUR_OF_FIVE, Rule.EIGHT_ON_ONE_SIDE)
"""Western Electric, Statistical Quality Control Handbook (1956). Used by default."""
NELSON = (
    Rule.BEYOND_LIMIT,
    Rule.NINE_ON_ONE_SIDE,
    Rule.SIX_STEADY,
    Rule.FOURTEEN_ALTERNATING,
    Rule.TWO_OF_THREE,
    Rule.FOUR_OF_FIVE,
    Rule.FIFTEEN_CLOSE,
    Rule.EIGHT_FAR,
)
"""L. S. Nelson, J. Quality Technology 16 (1984) 237-239."""
POINTS_PER_FALSE_SIGNAL = 91.75
"""Mean points to the first signal of the four default rules on a chart where nothing has changed:
C. W. Champ & W. H. Woodall, Technometrics 29 (1987) 393-399."""

MEANING = {
    Rule.BEYOND_LIMIT: "something out of the ordinary happened at this point",
    Rule.TWO_OF_THREE: "the level may have shifted clearly",
    Rule.FOUR_OF_FIVE: "the level may have shifted a little",
    Rule.EIGHT_ON_ONE_SIDE: "the level has lain on one side for long: a lasting shift",
    Rule.NINE_ON_ONE_SIDE: "the level has lain on one side for long: a lasting shift",
    Rule.SIX_STEADY: "the level may be drifting, as with wear",
    Rule.FOURTEEN_ALTERNATING: "two sources seem to take turns, as two shifts or two recipes do",
    Rule.FIFTEEN_CLOSE: "points lie closer than chance lets them: unlike sources are mixed, or the limits are old",
    Rule.EIGHT_FAR: "points avoid the centre: two different levels are mixed",
}


_SIDELESS = (Rule.FOURTEEN_ALTERNATING, Rule.FIFTEEN_CLOSE, Rule.EIGHT_FAR, Rule.SIX_STEADY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A pattern that was completed at a point.

    point
        Number of the point, from 0.
    side
        1 above the centre, −1 below, 0 where the pattern has no side.
    """

    point: int
    rule: Rule
    side: int

    @property
    def meaning(self) -> str:
        """What it may mean, in a mill's words."""
        return MEANING[self.rule]


def find_signals(z: Floats, rules: Iterable[Rule] = WESTERN_ELECTRIC, *, limit: float = 3.0) -> tuple[Signal, ...]:
    """All points that complete a pattern, in order of points. A point exactly on a limit does not signal.

    z
        Standardised points; NaN is a point of which nothing is known: it breaks every row.
    limit
        Distance of the control limit from the centre, in sigma.
    """
    found = []
    for rule in rules:
        flagged = np.abs(z) > limit if rule is Rule.BEYOND_LIMIT else _PATTERNS[rule](z)
        sides = np.zeros(z.size) if rule in _SIDELESS else np.sign(z)
        found += [Signal(point=int(i), rule=rule, side=int(sides[i])) for i in np.flatnonzero(flagged)]
    return tuple(sorted(found, key=lambda signal: signal.point))


def _row(inside: Flags, length: int) -> Flags:
    """Points that are the last of at least so many in a row."""
    run = 0
    flags = np.zeros(inside.size, dtype=bool)
    for i, yes in enumerate(inside):
        run = run + 1 if yes else 0
        flags[i] = run >= length
    return flags


def _on_one_side(length: int) -> Callable[[Floats], Flags]:
    return lambda z: _row(z > 0, length) | _row(z < 0, length)


def _some_beyond(wanted: int, of: int, sigma: float) -> Callable[[Floats], Flags]:
    """Points beyond that make it ``wanted`` of the last ``of`` on their side."""

    def flags(z: Floats) -> Flags:
        result = np.zeros(z.size, dtype=bool)
        for beyond in (z > sigma, z < -sigma):
            recent = np.convolve(beyond.astype(np.float64), np.ones(of))[: z.size]
            result |= beyond & (recent >= wanted - 0.5)
        result[: of - 1] = False  # the pattern needs its full length
        return result

    return flags


def _steady(z: Floats) -> Flags:
    steps = np.diff(z, prepend=np.nan)
    return _row(steps > 0, 5) | _row(steps < 0, 5)


def _alternating(z: Floats) -> Flags:
    steps = np.diff(z, prepend=np.nan)
    turns = steps * np.concatenate([[np.nan], steps[:-1]]) < 0
    return _row(turns, 12)


def _far_on_both_sides(z: Floats) -> Flags:
    flags = _row(np.abs(z) > 1, 8)
    for i in np.flatnonzero(flags):
        last = z[i - 7 : i + 1]
        flags[i] = bool((last > 0).any() and (last < 0).any())
    return flags


_PATTERNS: dict[Rule, Callable[[Floats], Flags]] = {
    Rule.TWO_OF_THREE: _some_beyond(2, 3, 2.0),
    Rule.FOUR_OF_FIVE: _some_beyond(4, 5, 1.0),
    Rule.EIGHT_ON_ONE_SIDE: _on_one_side(8),
    Rule.NINE_ON_ONE_SIDE: _on_one_side(9),
    Rule.SIX_STEADY: _steady,
    Rule.FOURTEEN_ALTERNATING: _alternating,
    Rule.FIFTEEN_CLOSE: lambda z: _row(np.abs(z) < 1, 15),
    Rule.EIGHT_FAR: _far_on_both_sides,
}
