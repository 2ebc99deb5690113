"""From samples, as the archive keeps them, to what each tag was in each minute that is wanted. Pure.

A year of two hundred tags each ten seconds is 600 million samples, of which a third may be wanted. They come sorted by
tag and time but for those that are stored last, so what belongs to one minute stands together: adding it up is one pass
over each chunk while it is in the processor's cache, and no table of minutes has to be searched.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Floats, Ints

MINUTE_US = 60_000_000
MARK_SHIFT, MARK_MASK = 24, (1 << 18) - 1
"""A mark stands for 2^24 µs, and they go round after 51 days: a slice of time must be shorter."""

Chunk = tuple[NDArray[np.int32], Ints, Floats]
"""Tag, source time [µs since 1970] and value of some samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Samples of one tag and minute that stand together, one after the other.

    tag, minute
        Which they are of. [-], [min since 1970]
    count, mean, variance
        Of the samples, in the tag's unit and its square.
    """

    tag: NDArray[np.int32]
    minute: Ints
    count: Ints
    mean: Floats
    variance: Floats

    def take(self, chosen: Ints | NDArray[np.bool_]) -> Runs:
        """Only these."""
        return Runs(**{one.name: getattr(self, one.name)[chosen] for one in fields(self)})


def marks(minutes: Ints) -> str:
    """The bits of every stretch that touches one of some minutes, as DuckDB reads them. [min since 1970]"""
    first, last = minutes * MINUTE_US >> MARK_SHIFT, ((minutes + 1) * MINUTE_US - 1) >> MARK_SHIFT
    found = np.full(MARK_MASK + 1, ord("0"), np.uint8)
    for step in range((MINUTE_US >> MARK_SHIFT) + 2):
        found[np.minimum(first + step, last) & MARK_MASK] = ord("1")
    return found.tobytes().decode("ascii")


def add_up(chunks: Iterable[Chunk], row_of: Ints, minutes: Ints) -> tuple[Floats, Floats]:
    """Mean and variance of each tag in each of some minutes, shape (tags, minutes); NaN without a sample.

    row_of
        By a tag's number, which row it is; -1 for one that is not wanted.
    minutes
        Rising, each once, within 51 days. [min since 1970]
    """
    base, span = int(minutes[0]), int(minutes[-1] - minutes[0]) + 1
    column_of = np.full(span, -1, np.int64)
    column_of[minutes - base] = np.arange(len(minutes))
    shape = (int(row_of.max()) + 1, len(minutes))
    count, mean, variance = np.zeros(shape), np.full(shape, np.nan), np.full(shape, np.nan)
    for chunk in chunks:
        runs = runs_of(*_in_order(*chunk))
        row, column = row_of[runs.tag], column_of[runs.minute - base]
        wanted = (row >= 0) & (column >= 0)
        cell = (row * len(minutes) + column)[wanted]
        _put(runs.take(wanted), cell, count.reshape(-1), mean.reshape(-1), variance.reshape(-1))
    return mean, variance


def runs_of(tag: NDArray[np.int32], at_us: Ints, value: Floats) -> Runs:
    """The runs of some samples that are sorted by tag and time."""
    minute = at_us // MINUTE_US
    new = (minute[1:] != minute[:-1]) | (tag[1:] != tag[:-1])
    start = np.concatenate((np.zeros(min(len(tag), 1), np.int64), np.flatnonzero(new) + 1))
    count = np.diff(start, append=len(tag))
    first = value[start]
    if not len(start):
        return Runs(tag=tag, minute=minute, count=count, mean=first, variance=first)
    # About its first value, so that no digit is lost where a tag is large beside its unrest.
    with np.errstate(invalid="ignore", over="ignore"):
        apart = value - np.repeat(first, count)
        mean = np.add.reduceat(apart, start) / count
        np.square(apart, out=apart)
        variance = np.maximum(np.add.reduceat(apart, start) / count - mean**2, 0.0)
    return Runs(tag=tag[start], minute=minute[start], count=count, mean=first + mean, variance=variance)


def _in_order(tag: NDArray[np.int32], at_us: Ints, value: Floats) -> Chunk:
    """Sorted by tag and time, as nearly all chunks are: not what was stored lately, nor where two days meet."""
    if ((tag[1:] > tag[:-1]) | ((tag[1:] == tag[:-1]) & (at_us[1:] >= at_us[:-1]))).all():
        return tag, at_us, value
    order = np.lexsort((at_us, tag))
    return tag[order], at_us[order], value[order]


def _put(runs: Runs, cell: Ints, count: Floats, mean: Floats, variance: Floats) -> None:
    """Put runs where they belong, each cell at most once; pooled with what an earlier chunk said of it."""
    before = count[cell]
    again = before > 0
    if again.any():
        there, some = cell[again], runs.take(again)
        total = before[again] + some.count
        share = some.count / total
        apart = some.mean - mean[there]
        runs.variance[again] = variance[there] + share * (some.variance - variance[there] + (1 - share) * apart**2)
        runs.mean[again] = mean[there] + share * apart
    count[cell], mean[cell], variance[cell] = before + runs.count, runs.mean, runs.variance
