"""What may be learnt from when a minute is judged: only what was over long before it, and no part of the same run."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.risk.rows import Breaks, Ints, Rows
from analysis.risk.settings import RiskSettings


class TooFewBreaks(Exception):
    """There are not yet enough primary breaks to judge a model; the message says how many it takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One step forward in time. Row numbers; ``train`` lies before ``test`` by at least horizon and longest window."""

    train: Ints
    test: Ints
    from_ms: int
    to_ms: int


def forward_blocks(rows: Rows, breaks: Breaks, settings: RiskSettings) -> list[Block]:
    """Blocks in order of time, the first of them the warm-up: each is foreseen by what came before it.

    Blocks begin at a loss of the sheet, so that no run is cut in two, and hold about as many breaks each.

    Raises
    ------
    TooFewBreaks
        For fewer than ``least_breaks`` primary breaks.
    """
    if len(breaks) < settings.least_breaks:
        raise TooFewBreaks(
            f"{len(breaks)} primary breaks are too few to judge a model; it takes {settings.least_breaks}"
        )
    cuts = _cuts(rows, breaks, settings)
    return [_block(rows, start, end, settings.purge_ms) for start, end in pairwise(cuts)]


def learnable(rows: Rows, before_ms: int, purge_ms: int) -> Ints:
    """Rows with a known outcome whose horizon ended, purged, before an instant."""
    return np.flatnonzero((rows.at_ms <= before_ms - purge_ms) & (rows.outcome >= 0))


def _cuts(rows: Rows, breaks: Breaks, settings: RiskSettings) -> list[int]:
    count = len(breaks)
    first = round(count * settings.first_share)
    judged = round(count * (settings.first_share + settings.warm_up_share))
    inner = np.linspace(judged, count, settings.blocks + 1).round().astype(int)[:-1]
    numbers = sorted({first, *inner.tolist()})
    return [int(breaks.started_ms[n]) for n in numbers] + [int(rows.at_ms[-1]) + 1]


def _block(rows: Rows, start: int, end: int, purge_ms: int) -> Block:
    test = np.flatnonzero((rows.at_ms >= start) & (rows.at_ms < end))
    before = int(rows.at_ms[test[0]]) if len(test) else start
    return Block(train=learnable(rows, before, purge_ms), test=test, from_ms=start, to_ms=end)
