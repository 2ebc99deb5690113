"""Rounded parts that still add up to the rounded whole, as a sum on a sheet of paper must. Pure."""

from __future__ import annotations

from collections.abc import Sequence


def in_whole_units(parts: Sequence[int], unit: int) -> list[int]:
    """Each part in whole units, so that they add up to their sum rounded; by the largest remainder.

    parts
        Not negative, all in the same smaller unit.
    unit
        How many of the smaller unit make one: 60,000 for minutes of milliseconds.

    Each differs from the part itself by less than one unit, and a part of 0 stays 0.
    """
    whole = (sum(parts) + unit // 2) // unit
    units = [part // unit for part in parts]
    left = whole - sum(units)
    # The largest remainders are rounded up; of equal ones the first.
    by_remainder = sorted(range(len(parts)), key=lambda place: -(parts[place] % unit))
    for place in by_remainder[:left]:
        units[place] += 1
    return units
