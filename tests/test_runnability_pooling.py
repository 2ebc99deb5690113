"""Partial pooling against two worked examples of the literature and plain limits."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.observed import TooFewEvents
from analysis.runnability.pooling import pool_means, pool_shares, share_posterior
from tests.published_checks import near

RATS = (
    "0/20 0/20 0/20 0/20 0/20 0/20 0/20 0/19 0/19 0/19 0/19 0/18 0/18 0/17 1/20 1/20 1/20 1/20 1/19 1/19 1/18 1/18 "
    "2/25 2/24 2/23 2/20 2/20 2/20 2/20 2/20 2/20 1/10 5/49 2/19 5/46 3/27 2/17 7/49 7/47 3/20 3/20 2/13 9/48 10/50 "
    "4/20 4/20 4/20 4/20 4/20 4/20 4/20 10/48 4/19 4/19 4/19 5/22 11/46 12/49 5/20 5/20 6/23 5/19 6/22 6/20 6/20 6/20 "
    "16/52 15/47 15/46 9/24 4/14"
)
"""Tumours among rats in 71 experiments: R. E. Tarone, Biometrics 38 (1982) 215-220; Bayesian Data Analysis, table 5.1.
Written down from memory; corroborated by reproducing both published posterior means."""
SCHOOLS = ((28, 15), (8, 10), (-3, 16), (7, 11), (-1, 9), (1, 11), (18, 10), (12, 18))
"""Coaching effects and standard errors: D. B. Rubin, J. Educational Statistics 6 (1981) 377-401."""


def test_seventy_one_experiments_have_the_published_hyperparameters() -> None:
    """Bayesian Data Analysis, 3rd ed., 5.3: posterior means 2.4 and 14.3 of the beta's parameters."""
    pairs = np.array([tuple(map(int, pair.split("/"))) for pair in RATS.split()], dtype=float)

    a, b, weights = share_posterior(pairs[:, 0], pairs[:, 1])

    assert weights @ a == near(2.4, abs=0.05)
    assert weights @ b == near(14.3, abs=0.05)


def test_eight_schools_are_drawn_together_as_published() -> None:
    """Bayesian Data Analysis, 5.5: medians and 95 % limits from 200 simulations (from memory; hence the tolerances)."""
    published = (
        (10, -2, 31),
        (8, -5, 23),
        (7, -11, 19),
        (8, -7, 21),
        (5, -9, 18),
        (6, -7, 28),
        (10, -1, 26),
        (8, -6, 33),
    )

    found = pool_means("ABCDEFGH", [y for y, _ in SCHOOLS], [s for _, s in SCHOOLS], [1] * 8)

    for group, (median, low, high) in zip(found.groups, published, strict=True):
        assert group.value == near(median, abs=1.2)
        assert group.low == near(low, abs=3)
        assert group.high == near(high, abs=10)
    assert found.told_apart == ()


def test_a_crew_with_four_breaks_is_drawn_further_than_one_with_forty() -> None:
    found = pool_shares(["few", "many", "others"], [4, 38, 150], [4, 40, 200])

    few, many, _ = found.groups
    assert few.raw == 1.0
    assert few.value < many.value + 0.03
    assert few.weight < many.weight
    assert few.low < many.low


def test_groups_that_are_plainly_different_are_told_apart() -> None:
    found = pool_shares(["often", "seldom"], [190, 60], [200, 200])

    assert found.told_apart == (("often", "seldom"),)


def test_groups_keep_the_order_they_came_in() -> None:
    found = pool_shares(["press", "couch", "reel"], [1, 9, 5], [10, 10, 10])

    assert [g.name for g in found.groups] == ["press", "couch", "reel"]


def test_a_group_that_never_tried_gets_the_spread_of_all() -> None:
    found = pool_shares(["a", "b", "none"], [30, 28, 0], [40, 40, 0])

    none = found.groups[2]
    assert np.isnan(none.raw)
    assert none.weight == 0.0
    assert none.low < found.mean < none.high


def test_large_groups_keep_their_own_values() -> None:
    found = pool_means(["a", "b", "c"], [1.0, 5.0, 9.0], [0.01, 0.01, 0.01], [900, 900, 900])

    assert [g.value for g in found.groups] == near([1.0, 5.0, 9.0], abs=0.01)
    assert min(g.weight for g in found.groups) > 0.99


def test_logs_come_back_as_minutes() -> None:
    logs = pool_means(["a", "b"], [np.log(10), np.log(20)], [0.1, 0.1], [30, 30])

    minutes = logs.rescaled(np.exp)

    assert [g.raw for g in minutes.groups] == near([10.0, 20.0])
    assert minutes.groups[0].low == near(np.exp(logs.groups[0].low))
    assert minutes.told_apart == logs.told_apart


def test_one_group_has_nothing_to_be_pooled_with() -> None:
    with pytest.raises(TooFewEvents, match="two groups"):
        pool_shares(["only", "none"], [3, 0], [4, 0])
