"""From when on before the loss a tag tells breaks from quiet runs, and whether it moves because of the loss. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from analysis.evidence.cells import Frames
from analysis.evidence.effect import Auc, auc, placements
from analysis.evidence.matching import Matching
from analysis.evidence.settings import EvidenceSettings, Statistic
from analysis.risk.rows import Floats, Ints

BIN_MIN = 5
"""Width of the bins in which the lead is looked for. [min]"""
STRONG = 0.85
"""A change with the loss whose AUC lies beyond this, on either side, is what the loss itself does to a tag."""
_BESIDE = (-10, -2)
"""Against which minutes a change with the loss is measured. [min]"""


class Kind(StrEnum):
    """Why a tag looks like one that moves because of breaks."""

    AFTER = "moves with the loss, and not before it"
    CLOCK = "shows only in the last minutes before the loss, and far more with it: its clock may be late"
    ECHO = "still moved from the break before: with the sheet long back it shows nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """How a tag tells breaks from quiet runs, bin by bin.

    bins
        Stretches before the loss. [min]
    minutes
        From so long before the loss on it does so in every bin; None if not even in the last.
    from_the_beginning
        It did in the first bin already: how much earlier is not known.
    """

    bins: tuple[tuple[int, int], ...]
    aucs: tuple[Auc, ...]
    minutes: int | None
    from_the_beginning: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WithLoss:
    """How a tag changes with the loss itself, as AUC of that change against the same minutes of quiet runs.

    lead
        In the minutes just before it that are left out.
    after
        In the minutes after it.
    """

    lead: Auc
    after: Auc

    @property
    def strong(self) -> bool:
        """Whether it moves with the loss."""
        return any(max(a.value, 1 - a.value) >= STRONG and a.shown for a in (self.lead, self.after) if a.breaks)


def lead_of(
    frames: Frames,
    matching: Matching,
    cluster: Ints,
    tag: int,
    statistic: Statistic,
    normal: Floats,
    settings: EvidenceSettings,
    chosen: Ints,
) -> Lead:
    """The lead of a tag, by its unrest if that is what tells, else by its level or its distance from normal.

    chosen
        Numbers of the breaks that count.
    """
    bins = _bins(settings)
    rows = []
    for start, end in bins:
        columns = frames.span(start, end)
        values = _bin_values(frames.mean(tag)[:, columns], frames.variance(tag)[:, columns], statistic, normal)
        rows.append(placements(values, len(matching), matching.controls)[chosen])
    aucs = tuple(auc(row, cluster[chosen], settings.confidence) for row in rows)
    first = _first_lasting(aucs)
    return Lead(bins=bins, aucs=aucs, minutes=None if first is None else -bins[first][0], from_the_beginning=first == 0)


def with_loss(
    frames: Frames, matching: Matching, cluster: Ints, tag: int, settings: EvidenceSettings, chosen: Ints
) -> WithLoss:
    """How a tag changes in the minutes that are left out before the loss, and after it."""
    mean = frames.mean(tag)
    beside = _known_mean(mean[:, frames.span(*_BESIDE)])
    found = []
    for start, end in ((-settings.lead_min, 0), (1, settings.after_min)):
        change = _known_mean(mean[:, frames.span(start, end)]) - beside
        placed = placements(change, len(matching), matching.controls)[chosen]
        found.append(auc(placed, cluster[chosen], settings.confidence))
    return WithLoss(lead=found[0], after=found[1])


def looks_like_a_result(moved: WithLoss, lead: Lead | None, undisturbed: Auc | None, effect: Auc | None) -> Kind | None:
    """Whether a tag behaves like one that moves because of breaks.

    lead, effect
        Of what was shown before the loss; None if nothing was.
    undisturbed
        The same effect among breaks long after the sheet's return; None with too few of them.
    """
    if not moved.strong:
        return None
    if effect is None or lead is None:
        return Kind.AFTER
    if undisturbed is not None and not undisturbed.shown and undisturbed.size < effect.size / 2:
        return Kind.ECHO
    late = lead.minutes is not None and lead.minutes <= -lead.bins[-1][0]
    stronger = max(moved.lead.size, moved.after.size) > 1.5 * effect.size
    return Kind.CLOCK if late and stronger and not any(a.shown for a in lead.aucs[:-2]) else None


def _bins(settings: EvidenceSettings) -> tuple[tuple[int, int], ...]:
    edges = [*range(settings.first_min, -settings.lead_min, BIN_MIN), -settings.lead_min]
    return tuple(pairwise(edges))


def _bin_values(mean: Floats, variance: Floats, statistic: Statistic, normal: Floats) -> Floats:
    level = _known_mean(mean)
    if statistic in (Statistic.SPREAD, Statistic.SWING):
        with np.errstate(invalid="ignore"):
            between = _known_mean((mean - level[:, None]) ** 2)
        return np.sqrt(_known_mean(variance) + between)
    return level if statistic is Statistic.LEVEL else level - normal


def _known_mean(values: Floats) -> Floats:
    some = np.isfinite(values)
    count = some.sum(axis=1)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, np.where(some, values, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _first_lasting(aucs: Sequence[Auc]) -> int | None:
    """The first bin from which on every one is shown, in the direction of the last; None if the last one is not."""
    first = None
    for number in range(len(aucs) - 1, -1, -1):
        same_way = (aucs[number].value > 0.5) == (aucs[-1].value > 0.5)
        if not (aucs[number].shown and same_way):
            break
        first = number
    return first
