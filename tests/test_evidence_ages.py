"""Breaks that become more with age are told from breaks that become more with time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.evidence.ages import Ageing, ageing, poisson
from analysis.period import Period

DAY_MS = 86_400_000
DAYS, LIFE = 90, 15
FITTED = {"felt": np.arange(0, DAYS, LIFE, dtype=np.int64) * DAY_MS}
ON_REEL = np.array([[0, DAYS * DAY_MS]], np.int64)


def test_coefficients_are_those_of_the_reference_library() -> None:
    rng = np.random.default_rng(1)
    x = np.column_stack((np.ones(300), rng.normal(size=(300, 2))))
    hours = rng.uniform(1, 6, 300)
    counts = rng.poisson(hours * np.exp(x @ np.array([-1.5, 0.4, -0.2]))).astype(float)

    found = poisson(x, counts, np.log(hours), np.arange(300))

    model: Any = sm.GLM(counts, x, family=sm.families.Poisson(), offset=np.log(hours))
    reference = model.fit(cov_type="HC0")
    assert found is not None
    assert found[0] == pytest.approx(reference.params, abs=1e-6)
    assert np.sqrt(np.diag(found[1]) * 299 / 300) == pytest.approx(reference.bse, rel=1e-4)


def test_breaks_that_become_more_with_age_are_told_with_their_ratio() -> None:
    # The rate rises by e^1.5 = 4.48 over a life of 15 d; from a tenth to nine tenths of it by e^(1.5 · 0.8) = 3.32.
    found = looked(breaks(seed=3, by_age=1.5, by_time=0.0, number=400))

    assert found.times is not None
    assert found.low is not None
    assert found.high is not None
    assert found.p is not None
    assert 1 < found.low < 3.32 < found.high
    assert found.p < 0.001
    assert found.lives == DAYS // LIFE


def test_a_drift_over_the_whole_period_is_not_taken_for_age() -> None:
    found = [looked(breaks(seed=seed, by_age=0.0, by_time=1.5, number=150)).p for seed in range(100)]

    # One in twenty by chance: of 100 at most 11 with 99.6 % (binomial).
    assert sum(p is not None and p < 0.05 for p in found) <= 11


def test_with_one_life_age_is_time_and_nothing_is_told() -> None:
    one = {"felt": np.array([0], np.int64)}

    (found,) = ageing(one, breaks(seed=1, by_age=1.0, by_time=0.0, number=100), ON_REEL, period())

    assert found == Ageing(name="felt", breaks=100, lives=1)


def test_few_breaks_and_time_off_the_reel_tell_nothing() -> None:
    few = breaks(seed=1, by_age=1.0, by_time=0.0, number=39)

    (found,) = ageing(FITTED, few, ON_REEL, period())
    (never,) = ageing(FITTED, few, np.empty((0, 2), np.int64), period())

    assert (found.breaks, found.times) == (39, None)
    assert (never.breaks, never.times) == (0, None)


def period() -> Period:
    return Period(from_ms=0, to_ms=DAYS * DAY_MS)


def looked(breaks_ms: np.ndarray) -> Ageing:
    (found,) = ageing(FITTED, breaks_ms, ON_REEL, period())
    return found


def breaks(*, seed: int, by_age: float, by_time: float, number: int) -> np.ndarray:
    """So many breaks drawn by a rate that goes with the age of the felt and with the time of the period."""
    rng = np.random.default_rng(seed)
    hour = np.arange(DAYS * 24)
    rate = np.exp(by_age * (hour / 24 % LIFE) / LIFE + by_time * hour / len(hour))
    return np.sort(rng.choice(hour, number, p=rate / rate.sum())) * 3_600_000 + 1_800_000
