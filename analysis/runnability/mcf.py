"""Mean cumulative function: breaks (or minutes, or tonnes) of one system up to an age, over systems, without a model.

The question is "how many breaks has a felt had by its 500th hour?", over felts that lived differently long; no
distribution is assumed, and breaks of one felt may depend on each other: the limits are robust against that.

Source: W. Nelson, Technometrics 37 (1995) 147-157; robust variance: J. F. Lawless & C. Nadeau, Technometrics 37 (1995)
158-168. (Other programs use a variance that takes all breaks as independent; it is given as ``independent_error``.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.runnability.observed import Floats, Observed, TooFewEvents


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCumulative:
    """The curve, one row an age at which something happened.

    at_risk
        Systems seen at that age.
    mean
        Events (or cost) of one system up to and including that age.
    robust_error
        Standard error that allows for dependence within a system; 0 for a single system, of which it knows nothing.
    independent_error
        Standard error if all events were independent.
    low, high
        Limits on the log scale; of a single system from the independent error.
    """

    ages: Floats
    at_risk: Floats
    events: Floats
    mean: Floats
    robust_error: Floats
    independent_error: Floats
    low: Floats
    high: Floats
    confidence: float
    systems: int


def mean_cumulative(systems: Sequence[Observed], *, confidence: float = 0.95, student: bool = True) -> MeanCumulative:
    """Average the systems' counts, or their costs where given; a system counts at ages in (start, end].

    student
        Use Student's t on (systems − 1) degrees, the factor n/(n − 1), and never less than the independent error, as a
        handful of felts needs; False gives the normal limits of the sources.

    Raises
    ------
    TooFewEvents
        Without a single event.
    """
    ages = np.unique(np.concatenate([np.asarray(s.events, dtype=np.float64) for s in systems]))
    if not ages.size:
        raise TooFewEvents("no breaks in these windows; a mean cumulative function needs at least one")
    seen = np.array([(s.start < ages) & (ages <= s.end) for s in systems], dtype=np.float64)
    steps = np.array([_at_ages(s, ages, _costs(s)) for s in systems])
    counts = np.array([_at_ages(s, ages, np.ones(len(s.events))) for s in systems]).sum(axis=0)
    at_risk = seen.sum(axis=0)
    increments = steps.sum(axis=0) / at_risk
    mean = np.cumsum(increments)
    drift = np.cumsum(seen / at_risk * (steps - increments), axis=1)
    squares = np.array([_at_ages(s, ages, _costs(s) ** 2) for s in systems]).sum(axis=0)
    robust = np.sqrt((drift**2).sum(axis=0))
    independent = np.sqrt(np.cumsum(squares / at_risk**2))
    error, reach = _limits(robust, independent, len(systems), confidence, student=student)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.exp(reach * error / mean)
    return MeanCumulative(
        ages=ages,
        at_risk=at_risk,
        events=counts,
        mean=mean,
        robust_error=robust,
        independent_error=independent,
        low=mean / factor,
        high=mean * factor,
        confidence=confidence,
        systems=len(systems),
    )


def _limits(
    robust: Floats, independent: Floats, systems: int, confidence: float, *, student: bool
) -> tuple[Floats, float]:
    tail = (1 - confidence) / 2
    if systems < 2:
        return independent, float(stats.norm.isf(tail))
    if not student:
        return robust, float(stats.norm.isf(tail))
    # Three felts that happen to agree at one age would have a robust error of nearly 0 there.
    error = np.maximum(robust * np.sqrt(systems / (systems - 1)), independent)
    return error, float(stats.t.isf(tail, systems - 1))


def _at_ages(system: Observed, ages: Floats, weights: Floats) -> Floats:
    sums = np.zeros_like(ages)
    np.add.at(sums, np.searchsorted(ages, system.events), weights)
    return sums


def _costs(system: Observed) -> Floats:
    return np.asarray(system.costs or (1.0,) * len(system.events), dtype=np.float64)
