"""How long it takes to bring the sheet back: intervals of the mean and of the median of skew lengths of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import bdtr

from analysis.compound import Floats
from analysis.rates import CONFIDENCE

FEWEST_FOR_A_MEAN = 5
"""Fewer lengths say too little of their own spread."""
_DRAWS = 2_000
_CHUNK = 200
_SEED = 19_930_601


def mean_interval(lengths: Sequence[float], confidence: float = CONFIDENCE) -> tuple[float, float] | None:
    """Two-sided interval of the mean by bootstrap-t, in the unit of the lengths; None for fewer than five.

    The lengths are drawn again, with replacement; how far each drawn mean lies from the seen one, in units of its own
    standard error, takes the place of Student's t. Lengths of restoring are skew, so t itself keeps only 90 % for ten
    of them; this keeps 93 to 95 % (METHODS.md, section 12). The same lengths always give the same interval.
    Source: B. Efron & R. Tibshirani, An Introduction to the Bootstrap (1993), 12.5.
    """
    if len(lengths) < FEWEST_FOR_A_MEAN:
        return None
    seen = np.sort(np.asarray(lengths, dtype=np.float64))
    mean, error = float(seen.mean()), _standard_error(seen[None, :])[0]
    if not error:
        return mean, mean
    random = np.random.default_rng(_SEED)
    found = []
    for _ in range(_DRAWS // _CHUNK):
        drawn = seen[random.integers(0, len(seen), (_CHUNK, len(seen)))]
        errors = _standard_error(drawn)
        varied = errors > 0
        found.append((drawn.mean(axis=1)[varied] - mean) / errors[varied])
    tail = (1 - confidence) / 2
    low, high = np.quantile(np.concatenate(found), [tail, 1 - tail])
    return max(0.0, mean - float(high) * error), mean - float(low) * error


def _standard_error(rows: Floats) -> Floats:
    error: Floats = rows.std(axis=1, ddof=1) / np.sqrt(rows.shape[1])
    return error


def median_interval(lengths: Sequence[float], confidence: float = CONFIDENCE) -> tuple[float, float] | None:
    """Two-sided interval of the median between two of the lengths, whatever their distribution; None for too few.

    Between the r-th shortest and the r-th longest, r the greatest rank of which a binomial with n lengths and 1/2
    says that the median lies outside at most in (1 - confidence) of all cases. At 95 % that takes six lengths.
    Source: W. R. Thompson, Annals of Mathematical Statistics 7 (1936) 122-128.
    """
    count = len(lengths)
    below = bdtr(np.arange(count // 2 + 1), count, 0.5)
    rank = int((below <= (1 - confidence) / 2).sum())
    if not rank:
        return None
    order = sorted(lengths)
    return order[rank - 1], order[-rank]
