"""Which tag features are worth a place in the model, told from the rows it may learn from and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Floats, Ints
from analysis.risk.windows import GRADE_NORMAL, Feature

LEAST_T = 3.0
"""A feature is taken for more than a level only if breaks differ from the rest by three times their uncertainty: it is
one of hundreds."""
ALIKE = 0.85
"""Of two features correlated more than this only the stronger is taken."""
POOL = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """How a feature differs before breaks.

    number
        Column of the feature.
    area
        Chance that a minute before a break has the higher value than any minute (0.5: no difference).
    strength
        |t| over breaks, one value a break, of the higher of two differences: in level, and in distance from the middle.
    """

    number: int
    area: float
    strength: float


def screen(values: NDArray[np.float32], outcome: NDArray[np.int8], break_number: Ints) -> list[Screened]:
    """All features, the strongest first. Each break counts once, however many minutes lie before it."""
    before = outcome == 1
    inverse = np.unique(break_number[before], return_inverse=True)[1]
    if not len(inverse) or inverse.max() < 1:
        return []
    size = np.bincount(inverse)
    found = [_screened(n, values[:, n], before, inverse, size) for n in range(values.shape[1])]
    return sorted((f for f in found if f is not None), key=lambda f: -f.strength)


def pick(
    screened: list[Screened], values: NDArray[np.float32], features: tuple[Feature, ...], most: int
) -> tuple[list[int], list[int]]:
    """Columns of the model, and those among them that may follow a curve.

    Every fact of the past; the present level of every tag and its distance from what its grade was like before, since
    many weak causes add up and the penalty keeps idle ones small; and no more than ``most`` other features that differ
    before breaks beyond luck. Levels stay straight lines.
    """
    present = {s.number for s in screened}
    shortest = min((f.window_min for f in features if f.stat == "mean"), default=0)
    past = [n for n, f in enumerate(features) if f.tag is None and n in present]
    level = [n for n, f in enumerate(features) if f.stat == "mean" and f.window_min == shortest and n in present]
    normal = [n for n, f in enumerate(features) if f.stat == GRADE_NORMAL and n in present]
    strong = [s.number for s in screened if features[s.number].tag is not None and s.strength >= LEAST_T]
    extra = [n for n in _unlike(values, strong[:POOL], most) if n not in {*level, *normal}]
    return past + level + normal + extra, past + normal + extra


def _unlike(values: NDArray[np.float32], pool: list[int], most: int) -> list[int]:
    if not pool:
        return []
    columns = np.nan_to_num(values[:, pool].astype(np.float64))
    alike = np.abs(np.corrcoef(_ranks(columns), rowvar=False).reshape(len(pool), len(pool)))
    taken: list[int] = []
    for n in range(len(pool)):
        if len(taken) < most and all(alike[n, m] < ALIKE for m in taken):
            taken.append(n)
    return [pool[n] for n in taken]


def _screened(
    number: int, column: NDArray[np.float32], before: NDArray[np.bool_], inverse: Ints, size: Ints
) -> Screened | None:
    good = ~np.isnan(column)
    if not good.any() or column[good].min() == column[good].max():
        return None
    rank = _ranks(np.where(good, column, np.median(column[good]))[:, None])[:, 0]
    level = np.bincount(inverse, rank[before]) / size - rank.mean()
    bend = (rank - 0.5) ** 2
    middle = np.bincount(inverse, bend[before]) / size - bend.mean()
    strength = max(_strength(level), _strength(middle))
    return Screened(number=number, area=float(0.5 + level.mean()), strength=strength)


def _strength(per_break: Floats) -> float:
    error = per_break.std(ddof=1) / np.sqrt(len(per_break))
    return float(abs(per_break.mean()) / error) if error > 0 else 0.0


def _ranks(columns: NDArray[np.floating]) -> Floats:
    """Ranks of each column from 0 to 1; ties in the order of the rows would lean on time, so they share one."""
    count = len(columns)
    out = np.empty(columns.shape)
    for n in range(columns.shape[1]):
        order = np.argsort(columns[:, n])
        rising = columns[order, n]
        first = np.concatenate(([0], np.flatnonzero(np.diff(rising)) + 1))
        length = np.diff(np.append(first, count))
        out[order, n] = np.repeat((first + (length - 1) / 2) / max(count - 1, 1), length)
    return out
