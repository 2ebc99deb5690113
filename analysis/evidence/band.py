"""The quiet band of a tag: what it is, minute by minute, where no break follows. Pure.

What a dossier of one break holds its tags against, and what the pictures of aligned traces show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.evidence.cells import Frames
from analysis.risk.rows import Floats, Ints

LOW, HIGH = 0.1, 0.9
"""The band holds the middle four fifths."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Median and band of some frames of one tag, minute by minute, in its unit; NaN where none is known.

    offsets
        Minutes relative to that of the loss. [min]
    """

    offsets: Ints
    median: Floats
    low: Floats
    high: Floats
    frames: int


def band(frames: Frames, tag: int, moments: Ints, *, away: Floats | None = None) -> Band:
    """The band of a tag over some moments of the frames (breaks, or their quiet runs).

    away
        Of each moment of the frames, what is subtracted first, such as the run's own normal: bands of machines that run
        several grades say little otherwise.
    """
    values = frames.mean(tag)
    if away is not None:
        values = values - away[:, None]
    chosen = values[moments]
    known = np.isfinite(chosen).any(axis=0) if len(moments) else np.zeros(chosen.shape[1], bool)
    found = np.full((3, chosen.shape[1]), np.nan)
    if known.any():
        found[:, known] = np.nanquantile(chosen[:, known], (LOW, 0.5, HIGH), axis=0)
    return Band(offsets=frames.offsets, low=found[0], median=found[1], high=found[2], frames=len(moments))


def unusual(frames: Frames, tag: int, moment: int, quiet: Ints, start: int, end: int) -> float:
    """Where a tag's level in a stretch before one moment lies among quiet runs, 0 to 1; 0.5 in their middle.

    start, end
        Of the stretch, relative to the loss. [min]

    Mid-rank: the share of the quiet runs below, ties half. NaN where it is not known.
    """
    columns = frames.span(start, end)
    values = frames.mean(tag)[:, columns]
    with np.errstate(invalid="ignore"):
        count = np.isfinite(values).sum(axis=1)
        level = np.where(count > 0, np.nansum(values, axis=1) / np.maximum(count, 1), np.nan)
    others = level[quiet][np.isfinite(level[quiet])]
    if not len(others) or not np.isfinite(level[moment]):
        return float("nan")
    return float(((others < level[moment]).sum() + 0.5 * (others == level[moment]).sum()) / len(others))
