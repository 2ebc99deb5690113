"""Which tags had left their usual course just before a break, each against the break's own quiet runs. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.evidence.cells import Frames, Tag
from analysis.evidence.settings import EvidenceSettings, Statistic
from analysis.evidence.signals import STATISTICS, window_statistics
from analysis.risk.rows import Floats, Ints
from analysis.suggest.settings import WINDOW, SuggestSettings

CHANNELS = (Statistic.AWAY, Statistic.SPREAD)
"""What of a tag may depart: its level, against the run's own normal, and its unrest, on a scale of ratios."""
_NORMAL = 1.4826
"""Median distance from the median to standard deviation, for a normal distribution."""
_FOUR_FIFTHS = 2.563
"""Width of the middle four fifths of a normal distribution, in standard deviations."""
MOST = 99.0
LEAST_OF_LEVEL, LEAST_UNREST = 1e-4, 0.05
"""A ten-thousandth of a level, and a twentieth of an unrest, are no movement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One tag out of its usual course before one break.

    row
        Of the tag among those read.
    by
        Robust standard deviations of the quiet runs, with its sign; at most 99.
    middle, spread
        Median and robust standard deviation of the quiet runs, by which other breaks are measured too.
    """

    tag: Tag
    row: int
    statistic: Statistic
    by: float
    middle: float
    spread: float

    @property
    def name(self) -> str:
        """What it is counted under."""
        return self.tag.tag if self.statistic is Statistic.AWAY else f"the unrest of {self.tag.tag}"


def amounts(frames: Frames, settings: EvidenceSettings) -> Floats:
    """How far each tag is from the run's normal, and the logarithm of its unrest: shape (channels, tags, moments)."""
    least = settings.normal_after_h * 60 // settings.normal_every_min
    found = np.full((len(CHANNELS), len(frames.cells.tags), len(frames)), np.nan)
    rows = [STATISTICS.index(channel) for channel in CHANNELS]
    for tag in range(len(frames.cells.tags)):
        own = window_statistics(
            frames.mean(tag),
            frames.variance(tag),
            frames.normal(tag, least),
            (WINDOW,),
            int(frames.offsets[0]),
            settings.least_share,
        )[0]
        found[:, tag] = own[rows]
    with np.errstate(divide="ignore"):
        unrest = np.log(found[1])
    found[1] = np.where(np.isfinite(unrest), unrest, np.nan)
    return found


def least_spread(frames: Frames, channels: Sequence[Statistic]) -> Floats:
    """What counts as moving at all, shape (channels, tags): a tag that never moves would depart by its last digit."""
    level = np.maximum(LEAST_OF_LEVEL * np.abs(frames.cells.origin), 1e-9)
    return np.stack([np.full_like(level, LEAST_UNREST) if c is Statistic.SPREAD else level for c in channels])


def usual_course(of_tags: Floats, quiet: Ints, settings: SuggestSettings, least: Floats) -> tuple[Floats, Floats]:
    """Median and robust standard deviation over quiet runs, each shape (channels, tags); NaN with too few of them.

    least
        The standard deviation is at least this.
    """
    values = of_tags[:, :, quiet]
    enough = np.isfinite(values).sum(axis=2) >= settings.least_quiet
    values = np.where(enough[:, :, None], values, 0.0)
    low, middle, high = np.nanquantile(values, (0.1, 0.5, 0.9), axis=2)
    near = np.nanmedian(np.abs(values - middle[:, :, None]), axis=2)
    # The larger of two robust measures: of a few runs that are mostly alike, the middle half says too little.
    spread = np.maximum(_NORMAL * near, (high - low) / _FOUR_FIFTHS)
    unknown = np.where(enough, 0.0, np.nan)
    return middle + unknown, np.maximum(spread, least) + unknown


def departures(
    frames: Frames, of_tags: Floats, moment: int, quiet: Ints, settings: SuggestSettings
) -> tuple[Departure, ...]:
    """The tags that departed furthest before one moment; each tag once, no more than ``most_tags``."""
    if len(quiet) < settings.least_quiet:
        return ()
    middle, spread = usual_course(of_tags, quiet, settings, least_spread(frames, CHANNELS))
    by = np.clip((of_tags[:, :, moment] - middle) / spread, -MOST, MOST)
    found: dict[int, Departure] = {}
    for flat in np.argsort(-np.abs(np.nan_to_num(by)), axis=None, kind="stable").tolist():
        channel, tag = divmod(flat, by.shape[1])
        if len(found) == settings.most_tags or not abs(float(by[channel, tag])) >= settings.departed:
            break
        # Less unrest than usual is no sign of anything.
        if tag in found or (CHANNELS[channel] is Statistic.SPREAD and by[channel, tag] < 0):
            continue
        found[tag] = Departure(
            tag=frames.cells.tags[tag],
            row=tag,
            statistic=CHANNELS[channel],
            by=float(by[channel, tag]),
            middle=float(middle[channel, tag]),
            spread=float(spread[channel, tag]),
        )
    return tuple(found.values())


def states_of(found: Sequence[Departure], settings: SuggestSettings) -> dict[str, int]:
    """The departures as the model counts them."""
    return {d.name: int(math.copysign(1, d.by)) for d in found if abs(d.by) >= settings.departed}


def same_in(
    found: Sequence[Departure], of_tags: Floats, rows: Sequence[int], moment: int, settings: SuggestSettings
) -> dict[str, int]:
    """Of each departed tag: whether it had departed before another break too, and which way; left out if not known.

    of_tags
        Amounts of the other breaks.
    rows
        Where the tag of each departure stands among those read of them.
    """
    states = {}
    for departure, row in zip(found, rows, strict=True):
        value = of_tags[CHANNELS.index(departure.statistic), row, moment]
        if not np.isfinite(value):
            continue
        by = (value - departure.middle) / departure.spread
        up, down = by >= settings.departed, by <= -settings.departed
        states[departure.name] = 1 if up else -1 if down and departure.statistic is Statistic.AWAY else 0
    return states
