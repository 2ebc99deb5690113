"""Two tags act together only where the breaks say so, and few breaks say nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.evidence.course import Moments
from analysis.evidence.matching import Matching
from analysis.evidence.strata import Split, adjusted
from analysis.evidence.together import PER_COEFFICIENT, Looked, Together, conditional_logit, together
from analysis.history import Downtime

QUIET = 4


def test_coefficients_are_those_of_the_reference_library() -> None:
    x, cluster = sets(80, seed=1, both=0.5)

    found = conditional_logit(x, np.ones(x.shape[:2], bool), cluster)

    outcome = np.tile([1] + [0] * QUIET, 80)
    model: Any = sm.ConditionalLogit(outcome, x.reshape(-1, 3), groups=np.repeat(np.arange(80), QUIET + 1))
    reference = model.fit(disp=0)
    assert found is not None
    assert found[0] == pytest.approx(reference.params, abs=1e-4)
    # Every break a cluster of its own: by the sandwich the errors come near to those of the model.
    assert np.sqrt(np.diag(found[1])) == pytest.approx(reference.bse, rel=0.3)


def test_a_break_that_always_lies_higher_has_no_finite_odds() -> None:
    x = np.zeros((30, 3, 1))
    x[:, 0] = 1.0

    assert conditional_logit(x, np.ones((30, 3), bool), np.arange(30)) is None


def test_tags_that_act_together_are_told_from_tags_that_do_not() -> None:
    (acting,), (alone,) = (pairs(600, seed=2, both=both) for both in (1.0, 0.0))

    assert acting.p is not None
    assert acting.low is not None
    assert acting.p < 0.001
    assert acting.low > 1
    assert alone.low is not None
    assert alone.high is not None
    assert alone.low < 1 < alone.high


def test_tags_that_act_alone_seldom_seem_to_act_together() -> None:
    found = [pairs(150, seed=seed, both=0.0)[0].p for seed in range(100)]

    # One in twenty by chance: of 100 at most 11 with 99.6 % (binomial).
    assert sum(p is not None and p < 0.05 for p in found) <= 11


def test_few_breaks_are_named_and_not_judged() -> None:
    (found,) = pairs(3 * PER_COEFFICIENT - 1, seed=1, both=1.0)

    assert found == Together(first="a", second="b", breaks=3 * PER_COEFFICIENT - 1)


def test_comparisons_are_adjusted_for_one_another() -> None:
    splits = [
        {
            "crew": Split(dimension="crew", strata=(), differ_p=0.01),
            "hour": Split(dimension="hour", strata=(), differ_p=None),
        },
        {"crew": Split(dimension="crew", strata=(), differ_p=0.04)},
    ]

    first, second = adjusted(splits)

    # Benjamini and Hochberg over two: 0.01 · 2 / 1 and 0.04 · 2 / 2.
    assert first["crew"].differ_q == pytest.approx(0.02)
    assert first["hour"].differ_q is None
    assert second["crew"].differ_q == pytest.approx(0.04)


def sets(number: int, *, seed: int, both: float) -> tuple[np.ndarray, np.ndarray]:
    """Sets of one break and its quiet runs: the break drawn among them by its odds."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(number, QUIET + 1, 2))
    whole = np.concatenate((x, x.prod(axis=2, keepdims=True)), axis=2)
    odds = np.exp(whole @ np.array([0.5, 0.4, both]))
    drawn = (odds.cumsum(axis=1) > rng.random((number, 1)) * odds.sum(axis=1, keepdims=True)).argmax(axis=1)
    rows = np.arange(number)
    whole[rows, 0], whole[rows, drawn] = whole[rows, drawn].copy(), whole[rows, 0].copy()
    return whole, rows


def pairs(number: int, *, seed: int, both: float) -> tuple[Together, ...]:
    x, cluster = sets(number, seed=seed, both=both)
    values = np.concatenate((x[:, 0], x[:, 1:].reshape(-1, 3)))
    at, quiet = moments(number), moments(number * QUIET)
    matching = Matching(
        breaks=tuple(Downtime(downtime_id=str(n), kind="break", started_ms=n, ended_ms=None) for n in range(number)),
        at=at,
        quiet=quiet,
        controls=np.arange(number * QUIET).reshape(number, QUIET),
        asked=QUIET,
        unmatched=(),
    )
    looked = [Looked(tag=tag, values=values[:, n], upwards=True) for n, tag in enumerate("ab")]
    return together(looked, matching, np.arange(number), cluster)


def moments(number: int) -> Moments:
    whole, real = np.zeros(number, np.int64), np.zeros(number)
    return Moments(
        at_ms=np.arange(number),
        stretch=whole,
        ends_ms=whole,
        on_reel_min=real,
        grade_run=whole,
        grade=whole,
        grade_age_min=real,
        turn_up_min=real,
        speed=real,
    )
