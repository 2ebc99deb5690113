"""Values from the greatest down, with the shares of the total that they add up to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate

_DIGITS = 6
"""Sums of the same losses in another order differ far behind the point; they are equal all the same."""


class Measure(StrEnum):
    """What losses are ranked by; their orders differ."""

    COUNT = "count"
    MINUTES = "minutes"
    TONNES = "tonnes"
    MONEY = "money"


class Sort(StrEnum):
    """Whether a bar names one thing, one thing with a doubt, or the remainder of which nothing is said."""

    KNOWN = "known"
    DOUBTFUL = "doubtful"
    REMAINDER = "remainder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """One line of a ranking: its place, its value, the sum down to it, and both as shares of the total. [%]

    place
        From 1; equal values share a place, and the one after them is as if they had not.
    """

    label: str
    place: int
    value: float
    cumulative: float
    share_pct: float
    cumulative_pct: float


def ranked(values: Mapping[str, float]) -> list[Ranked]:
    """Values from the greatest down with cumulative shares; equal ones in order of their labels."""
    order = sorted(values.items(), key=lambda item: (-item[1], item[0]))
    sums = list(accumulate(value for _, value in order))
    total = sums[-1] if sums and sums[-1] else 1.0
    places: dict[float, int] = {}
    return [
        Ranked(
            label=label,
            place=places.setdefault(round(value, _DIGITS), number),
            value=value,
            cumulative=cumulative,
            share_pct=100 * value / total,
            cumulative_pct=100 * cumulative / total,
        )
        for number, ((label, value), cumulative) in enumerate(zip(order, sums, strict=True), start=1)
    ]
