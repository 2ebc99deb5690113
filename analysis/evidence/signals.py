"""What a tag did in a window: its level, unrest, slope, step and swing, one number each. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.evidence.settings import Statistic, Window
from analysis.risk.rows import Floats

STATISTICS = tuple(Statistic)
SLOWEST_TURNS = 2
"""A swing turns at least so often within a window: anything slower is a slope or a bow."""

Mask = NDArray[np.bool_]


def statistics(mean: Floats, variance: Floats, normal: Floats, least_share: float) -> Floats:
    """All statistics of one window, shape (statistics, moments), in the order of ``STATISTICS``.

    mean, variance
        Of each minute, shape (moments, minutes); NaN where not known.
    normal
        Of the run, one a moment.
    least_share
        A moment with less of its minutes known has no statistics (NaN).

    With x the minutes' means and t their times about their middle:

    level
        The mean of x.
    away from the run's normal
        Level less the normal.
    slope
        Least-squares slope of x. [a minute]
    spread
        Root of the mean variance within the minutes plus the variance of x about its line: unrest at every pace,
        without what slope already says.
    step
        The largest difference between the means of so many minutes after and before one moment of the window (a quarter
        of it each, at least two minutes), with its sign.
    swing
        Amplitude of the strongest regular swing of x about its line: the largest amplitude among its Fourier components
        of at least two turns in the window.
    """
    known = np.isfinite(mean)
    count = known.sum(axis=1)
    enough = count >= max(3, least_share * mean.shape[1])
    n = np.maximum(count, 1)
    level = np.where(known, mean, 0.0).sum(axis=1) / n
    apart = np.where(known, mean - level[:, None], 0.0)
    slope, line = _line(apart, known, n)
    rest = np.where(known, apart - line, 0.0)
    within = np.where(known, variance, 0.0).sum(axis=1) / n
    spread = np.sqrt(np.maximum(within, 0.0) + (rest**2).sum(axis=1) / n)
    found = {
        Statistic.LEVEL: level,
        Statistic.AWAY: level - normal,
        Statistic.SPREAD: spread,
        Statistic.SLOPE: slope,
        Statistic.STEP: _step(np.where(known, apart, line)),
        Statistic.SWING: _swing(rest, n),
    }
    return np.where(enough, np.stack([found[s] for s in STATISTICS]), np.nan)


def window_statistics(
    mean: Floats, variance: Floats, normal: Floats, windows: Sequence[Window], first: int, least_share: float
) -> Floats:
    """The statistics of all windows of a tag, shape (windows, statistics, moments).

    first
        The minute of the first column of ``mean``, relative to the moment. [min]
    """
    parts = [slice(w.start - first, w.end - first) for w in windows]
    return np.stack([statistics(mean[:, p], variance[:, p], normal, least_share) for p in parts])


def _line(apart: Floats, known: Mask, count: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Least-squares slope of each moment's deviations from their mean, and its line over all minutes."""
    time = np.arange(apart.shape[1], dtype=np.float64)
    middle = (known * time).sum(axis=1) / count
    about = np.where(known, time - middle[:, None], 0.0)
    slope = (about * apart).sum(axis=1) / np.maximum((about**2).sum(axis=1), 1e-12)
    return slope, slope[:, None] * (time - middle[:, None])


def _step(values: Floats) -> Floats:
    length = values.shape[1]
    side = max(2, length // 4)
    total = np.concatenate((np.zeros((len(values), 1)), np.cumsum(values, axis=1)), axis=1)
    sums = total[:, side:] - total[:, :-side]
    change = (sums[:, side:] - sums[:, :-side]) / side
    if not change.shape[1]:
        return np.full(len(values), np.nan)
    largest = np.abs(change).argmax(axis=1)
    step: Floats = change[np.arange(len(values)), largest]
    return step


def _swing(rest: Floats, count: NDArray[np.int64]) -> Floats:
    turns = np.fft.rfft(rest, axis=1)[:, SLOWEST_TURNS:]
    amplitude: Floats = 2 * np.abs(turns).max(axis=1) / count
    return amplitude
