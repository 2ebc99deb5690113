"""Which downtimes have room on one page: what waits for a code first, then the longest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

T = TypeVar("T")


def fitting(
    rows: Sequence[T], room: int, *, lines: Callable[[T], int], first: Callable[[T], tuple[bool, int]]
) -> tuple[list[T], list[T]]:
    """Rows that fit and rows that do not, each in the order given.

    If not all fit, one line is kept for what says so. Rows are taken in the order of ``first`` until one has no room;
    none that comes after it is put in its place, so that a reader knows that everything left out weighs less.

    room
        Lines that there are.
    first
        Whether a row comes before others, and its weight; the greatest first.
    """
    if sum(map(lines, rows)) <= room:
        return list(rows), []
    order = sorted(range(len(rows)), key=lambda n: first(rows[n]), reverse=True)
    left, taken = room - 1, set[int]()
    for n in order:
        left -= lines(rows[n])
        if left < 0:
            break
        taken.add(n)
    return [row for n, row in enumerate(rows) if n in taken], [row for n, row in enumerate(rows) if n not in taken]
