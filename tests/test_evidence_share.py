"""The attributable share of breaks: worked by hand, against a reference library, and against one that was planted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from analysis.evidence.share import attributable_share, odds_ratio


def test_one_quiet_run_each_gives_the_ratio_of_discordant_pairs() -> None:
    # Pairs (break exposed, quiet run exposed): 10, 10, 10, 01, 11, 00 → 3 / 1 (McNemar).
    exposed = np.array([1.0, 1, 1, 0, 1, 0])
    quiet = np.array([[0.0], [0], [0], [1], [1], [0]])

    assert odds_ratio(exposed, quiet) == pytest.approx(3.0)


def test_the_ratio_is_that_of_the_reference_library() -> None:
    rng = np.random.default_rng(2)
    exposed = (rng.random(80) < 0.5).astype(float)
    quiet = (rng.random((80, 4)) < 0.2).astype(float)
    quiet[rng.random((80, 4)) < 0.1] = np.nan
    tables = []
    for e, row in zip(exposed, quiet, strict=True):
        known = row[np.isfinite(row)]
        tables.append(np.array([[e, 1 - e], [known.sum(), len(known) - known.sum()]]))
    reference: Any = StratifiedTable(np.stack(tables, axis=2))

    assert odds_ratio(exposed, quiet) == pytest.approx(reference.oddsratio_pooled)


def test_the_share_is_what_a_hand_works_out() -> None:
    # Five breaks with two quiet runs each: values 0 to 9; four fifths lie at or below 7.2: only 8 and 9 are exposed.
    # Breaks 20, 20, 20, 1, 1. Numerator: exposed breaks with 2, 2, 2 unexposed quiet runs, each / 3 = 2.
    # Denominator: unexposed breaks with 0 and 2 exposed quiet runs, each / 3 = 2/3. OR = 3, p = 3/5, share = 3/5 · 2/3.
    quiet = [0.0, 1, 2, 3, 4, 5, 6, 7, 8, 9]
    values = np.array([20.0, 20, 20, 1, 1, *quiet])
    controls = np.arange(10).reshape(5, 2)

    found = attributable_share(
        values, 5, controls, np.zeros(15, np.int64), np.arange(5), upwards=True, resamples=200, seed=1
    )

    assert found is not None
    assert found.limit == pytest.approx(7.2)
    assert found.odds_ratio == pytest.approx(3.0)
    assert found.value == pytest.approx(0.4)


def test_where_no_break_is_exposed_there_is_no_share() -> None:
    # Quiet runs and limit as above, 7.2: no break lies beyond it, so the ratio's numerator is 0.
    quiet = [0.0, 1, 2, 3, 4, 5, 6, 7, 8, 9]
    values = np.array([1.0, 1, 1, 1, 1, *quiet])
    controls, grade = np.arange(10).reshape(5, 2), np.zeros(15, np.int64)

    assert attributable_share(values, 5, controls, grade, np.arange(5), upwards=True, resamples=200, seed=1) is None


@pytest.mark.parametrize("upwards", [True, False])
def test_a_planted_share_lies_in_its_interval(upwards: bool) -> None:
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(60):
        # A third of the breaks come only from the highest fifth; the others from anywhere: 1/3 is due to it.
        quiet = rng.random(800)
        due = rng.random(200) < 1 / 3
        breaks = np.where(due, rng.uniform(0.8, 1.0, 200), rng.random(200))
        values = np.concatenate((breaks, quiet)) * (1 if upwards else -1)
        found = attributable_share(
            values,
            200,
            np.arange(800).reshape(200, 4),
            np.zeros(1000, np.int64),
            np.arange(200),
            upwards=upwards,
            resamples=200,
            seed=1,
        )
        assert found is not None
        held += found.low <= 1 / 3 <= found.high

    # 95 % of 60 is 57; the limit itself is estimated, which the interval leaves out.
    assert held >= 50


def test_each_grade_has_its_own_limit() -> None:
    rng = np.random.default_rng(9)
    grade = np.tile([0, 1], 60)
    quiet = rng.random(120) + 100 * grade
    # Breaks of both grades lie at the top of their own grade's quiet runs.
    breaks = 0.95 + 100 * grade[:40].astype(float)
    controls = np.full((40, 3), -1)
    for n in range(40):
        controls[n] = np.flatnonzero(grade == grade[n])[n % 20 * 3 : n % 20 * 3 + 3]

    found = attributable_share(
        np.concatenate((breaks, quiet)),
        40,
        controls,
        np.concatenate((grade[:40], grade)),
        np.arange(40),
        upwards=True,
        resamples=100,
        seed=1,
    )

    assert found is not None
    assert found.exposed == 1.0


def test_too_little_to_work_with_gives_none() -> None:
    found = attributable_share(
        np.array([1.0, np.nan, 2.0, 3.0]),
        2,
        np.array([[0], [1]]),
        np.zeros(4, np.int64),
        np.arange(2),
        upwards=True,
        resamples=10,
        seed=1,
    )

    assert found is None
