"""What each tag was in each minute that is looked at, and the frames of minutes about each moment. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.evidence.course import Moments
from analysis.evidence.settings import MINUTE_MS, EvidenceSettings
from analysis.risk.rows import Floats, Ints, Past

UNKNOWN = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One tag that is looked at."""

    tag: str
    tag_id: int
    unit: str = ""
    section: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Tags by minutes, only of the minutes that were asked for.

    minutes
        Since 1970, rising, each once. [min]
    origin
        Of each tag: ``mean`` is kept relative to it, so that single precision is enough.
    mean, variance
        Of the samples of a minute, shape (tags, minutes); NaN where there is none.
    """

    tags: tuple[Tag, ...]
    minutes: Ints
    origin: Floats
    mean: NDArray[np.float32]
    variance: NDArray[np.float32]

    def number(self, tag: str) -> int:
        """Which tag it is; KeyError for one that was not read."""
        for number, one in enumerate(self.tags):
            if one.tag == tag:
                return number
        raise KeyError(tag)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frames:
    """The minutes about each of some moments.

    offsets
        Minutes relative to the minute that holds the moment: minute −3 ends two to three minutes before it.
    place
        Where each stands among the cells, shape (moments, offsets); -1 for a minute that does not count, because the
        sheet was not yet back.
    normal_place
        The same for the minutes of the run's own normal.
    """

    cells: Cells
    at_ms: Ints
    offsets: Ints
    place: Ints
    normal_place: Ints

    def __len__(self) -> int:
        """How many moments there are."""
        return len(self.at_ms)

    def mean(self, tag: int) -> Floats:
        """A tag minute by minute, shape (moments, offsets), in its unit; NaN where not known."""
        found: Floats = self._values(self.cells.mean[tag], self.place) + self.cells.origin[tag]
        return found

    def variance(self, tag: int) -> Floats:
        """Variance within each minute, same shape, in its unit squared."""
        return self._values(self.cells.variance[tag], self.place)

    def normal(self, tag: int, least: int) -> Floats:
        """The median of the grade run before each frame; NaN with fewer than ``least`` known minutes."""
        values = np.sort(self._values(self.cells.mean[tag], self.normal_place), axis=1)
        count = np.isfinite(values).sum(axis=1)
        rows = np.arange(len(values))
        low, high = np.maximum(count - 1, 0) // 2, count // 2
        middle = (values[rows, low] + values[rows, np.minimum(high, values.shape[1] - 1)]) / 2
        found: Floats = np.where(count >= max(least, 1), middle, np.nan) + self.cells.origin[tag]
        return found

    def span(self, start: int, end: int) -> slice:
        """The columns of a stretch of minutes. [min]"""
        first = int(self.offsets[0])
        return slice(start - first, end - first)

    def _values(self, row: NDArray[np.float32], place: Ints) -> Floats:
        values = row[place].astype(np.float64)
        values[place < 0] = np.nan
        return values


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which minutes must be read for some moments. [min since 1970]

    frame, normal
        Of each moment, shape (moments, …); ``UNKNOWN`` for one that does not count.
    """

    at_ms: Ints
    offsets: Ints
    frame: Ints
    normal: Ints

    @property
    def minutes(self) -> Ints:
        """All of them, rising, each once."""
        found = np.unique(np.concatenate((self.frame.ravel(), self.normal.ravel())))
        known: Ints = found[found != UNKNOWN]
        return known

    def frames(self, cells: Cells) -> Frames:
        """The frames, once the cells are read."""
        return Frames(
            cells=cells,
            at_ms=self.at_ms,
            offsets=self.offsets,
            place=_places(cells.minutes, self.frame),
            normal_place=_places(cells.minutes, self.normal),
        )


def wanted(moments: Sequence[Moments], past: Past, settings: EvidenceSettings) -> Wanted:
    """The minutes of the windows of some moments, and those that make their runs' own normal.

    Minutes before the sheet's return are left out: a window must not reach behind it.
    """
    at_ms = np.concatenate([m.at_ms for m in moments])
    back = np.concatenate([m.on_reel_min for m in moments])
    offsets = np.array(settings.offsets, np.int64)
    here = at_ms // MINUTE_MS
    frame = here[:, None] + offsets
    # A return not known is none that could cut the frame.
    returned_ms = at_ms - np.nan_to_num(back, nan=1e6).clip(0, 1e6) * MINUTE_MS
    frame = np.where(frame * MINUTE_MS < returned_ms[:, None], UNKNOWN, frame)
    run = np.concatenate([m.grade_run for m in moments])
    return Wanted(at_ms=at_ms, offsets=offsets, frame=frame, normal=_normal_minutes(here, run, past, settings))


def _normal_minutes(here: Ints, run: Ints, past: Past, settings: EvidenceSettings) -> Ints:
    """Every so many minutes back through the grade run, from before the first window on, with the sheet on the reel.

    They lie on a grid of the clock, so that neighbouring moments share them.
    """
    every = settings.normal_every_min
    first = (here + settings.first_min) // every * every
    minutes = first[:, None] - every * np.arange(1, settings.normal_h * 60 // every + 1)
    began = np.where(run >= 0, np.append(past.grade_runs_ms, 0)[run], 0)
    starts, ends = past.on_reel_ms[:, 0], past.on_reel_ms[:, 1]
    settled_ms = settings.restart_edges_min[0] * MINUTE_MS
    stretch = np.searchsorted(starts, minutes * MINUTE_MS, side="right") - 1
    good = (stretch >= 0) & (minutes * MINUTE_MS >= began[:, None])
    good &= minutes * MINUTE_MS >= np.append(starts, UNKNOWN - settled_ms)[stretch] + settled_ms
    good &= (minutes + 1) * MINUTE_MS <= np.append(ends, 0)[stretch]
    return np.where(good, minutes, UNKNOWN)


def _places(minutes: Ints, asked: Ints) -> Ints:
    place = np.searchsorted(minutes, asked)
    there = np.append(minutes, -1)[place] == asked
    return np.where(there, place, -1)
