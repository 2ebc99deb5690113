"""Which tags were unusual before one break, against its own quiet runs, and since when. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.evidence.band import Band, band
from analysis.evidence.cells import Frames, Tag
from analysis.evidence.settings import EvidenceSettings, Statistic
from analysis.evidence.signals import STATISTICS, window_statistics
from analysis.risk.rows import Floats, Ints
from analysis.suggest.departed import MOST, least_spread, usual_course
from analysis.suggest.settings import WINDOW, SuggestSettings

LOOKED_AT = (Statistic.LEVEL, Statistic.AWAY, Statistic.SPREAD)
BACK_MIN = 2
"""A tag may come back into its band for so many minutes at a time and still count as out of it. [min]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unusual:
    """One tag, by that in which it was most unusual in the last window before the loss.

    level, middle, low, high
        What it was, and median and middle four fifths of the quiet runs, in its unit.
    by
        Robust standard deviations of the quiet runs from their median, with its sign.
    beyond
        How many of the quiet runs lay as far out, on the same side; ``quiet`` how many are known.
    left_min
        Minutes before the loss from which on it stayed outside the quiet band; None for unrest, or if it did not. [min]
    outermost
        Whether its level lay beyond that of every quiet run.
    out
        Whether it counts as out of its usual course.
    """

    tag: Tag
    row: int
    statistic: Statistic
    level: float
    middle: float
    low: float
    high: float
    by: float
    beyond: int
    quiet: int
    left_min: int | None
    outermost: bool
    out: bool


def unusual_tags(
    frames: Frames, moment: int, quiet: Ints, rows: Sequence[int], evidence: EvidenceSettings, settings: SuggestSettings
) -> tuple[Unusual, ...]:
    """Some of the tags, the most unusual first; those not known before the break or the quiet runs are left out."""
    if len(quiet) < settings.least_quiet:
        return ()
    least = evidence.normal_after_h * 60 // evidence.normal_every_min
    found = [_unusual(frames, moment, quiet, row, evidence, settings, least) for row in rows]
    return tuple(sorted((u for u in found if u is not None), key=lambda u: (-abs(u.by), u.tag.tag)))


def expected_beyond(tags: int, quiet: int) -> float:
    """How many tags lie beyond all quiet runs, on either side, if the break is like any of them: 2 / (quiet + 1) each.

    By symmetry every one of quiet + 1 values is as likely to be the largest. (Exact for one statistic a tag.)
    """
    return tags * 2 / (quiet + 1)


def tag_band(frames: Frames, row: int, quiet: Ints, statistic: Statistic, evidence: EvidenceSettings) -> Band:
    """The quiet band of a tag minute by minute, as it is shown: its level, or its distance from the run's normal."""
    return band(frames, row, quiet, away=_away(frames, row, statistic, evidence))


def course(frames: Frames, row: int, moment: int, statistic: Statistic, evidence: EvidenceSettings) -> Floats:
    """What the tag itself did before the break, minute by minute, as it is shown."""
    away = _away(frames, row, statistic, evidence)
    values: Floats = frames.mean(row)[moment]
    return values if away is None else values - away[moment]


def _away(frames: Frames, row: int, statistic: Statistic, evidence: EvidenceSettings) -> Floats | None:
    if statistic is not Statistic.AWAY:
        return None
    return frames.normal(row, evidence.normal_after_h * 60 // evidence.normal_every_min)


def _unusual(
    frames: Frames,
    moment: int,
    quiet: Ints,
    row: int,
    evidence: EvidenceSettings,
    settings: SuggestSettings,
    least: int,
) -> Unusual | None:
    values = _values(frames, row, evidence, least)
    middle, spread = usual_course(
        _scaled(values)[:, None, :], quiet, settings, least_spread(frames, LOOKED_AT)[:, [row]]
    )
    by = np.clip((_scaled(values)[:, moment] - middle[:, 0]) / spread[:, 0], -MOST, MOST)
    # Less unrest than usual is no sign of anything.
    by[2] = max(by[2], 0.0) if np.isfinite(by[2]) else by[2]
    if not np.isfinite(by).any():
        return None
    which = int(np.nanargmax(np.abs(by)))
    own, others = values[which, moment], values[which, quiet]
    others = others[np.isfinite(others)]
    low, mid, high = np.quantile(others, (0.1, 0.5, 0.9))
    statistic = LOOKED_AT[which]
    out = abs(float(by[which])) >= settings.departed
    return Unusual(
        tag=frames.cells.tags[row],
        row=row,
        statistic=statistic,
        level=float(own),
        middle=float(mid),
        low=float(low),
        high=float(high),
        by=float(by[which]),
        beyond=int((others >= own).sum() if by[which] > 0 else (others <= own).sum()),
        quiet=len(others),
        left_min=_left(frames, row, moment, quiet, statistic, evidence, up=by[which] > 0) if out else None,
        outermost=_outermost(values[0, moment], values[0, quiet]),
        out=out,
    )


def _outermost(level: float, others: Floats) -> bool:
    known = others[np.isfinite(others)]
    return bool(len(known)) and not known.min() <= level <= known.max()


def _values(frames: Frames, row: int, evidence: EvidenceSettings, least: int) -> Floats:
    """The statistics looked at, shape (statistics, moments)."""
    all_of = window_statistics(
        frames.mean(row),
        frames.variance(row),
        frames.normal(row, least),
        (WINDOW,),
        int(frames.offsets[0]),
        evidence.least_share,
    )[0]
    found: Floats = all_of[[STATISTICS.index(s) for s in LOOKED_AT]]
    return found


def _scaled(values: Floats) -> Floats:
    """Unrest on a scale of ratios, as it is compared."""
    with np.errstate(divide="ignore"):
        unrest = np.log(values[2])
    return np.stack((values[0], values[1], np.where(np.isfinite(unrest), unrest, np.nan)))


def _left(
    frames: Frames,
    row: int,
    moment: int,
    quiet: Ints,
    statistic: Statistic,
    evidence: EvidenceSettings,
    *,
    up: bool,
) -> int | None:
    """From how many minutes before the loss it stayed outside the band, up to the lead."""
    if statistic is Statistic.SPREAD:
        return None
    edges = tag_band(frames, row, quiet, statistic, evidence)
    own = course(frames, row, moment, statistic, evidence)
    left, back = None, 0
    for column in range(int(np.searchsorted(frames.offsets, -evidence.lead_min)) - 1, -1, -1):
        if not np.isfinite(own[column]):
            break
        outside = own[column] > edges.high[column] if up else own[column] < edges.low[column]
        back = 0 if outside else back + 1
        if back > BACK_MIN:
            break
        if outside:
            left = -int(frames.offsets[column])
    return left
