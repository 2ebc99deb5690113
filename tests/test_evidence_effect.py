"""How well a number tells breaks from quiet runs: against hand-worked cases, reference libraries and simulation."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score
from statsmodels.stats.multitest import multipletests

from analysis.evidence.effect import auc, false_discovery, judge_many, placements
from tests.published_checks import check

Floats = NDArray[np.float64]


def one_set(breaks: list[float], quiet: list[float]) -> Floats:
    """Every break against all quiet runs: an ordinary two-sample comparison."""
    controls = np.tile(np.arange(len(quiet)), (len(breaks), 1))
    return placements(np.array([*breaks, *quiet]), len(breaks), controls)


def test_a_break_is_placed_among_its_own_quiet_runs_only() -> None:
    values = np.array([5.0, 1.0, 4.0, 5.0, 9.0, 0.0])
    controls = np.array([[0, 1, 2], [3, -1, -1]])

    placed = placements(values, 2, controls)

    # 5 against 4, 5, 9: one win, one tie, one loss; 1 against 0: a win.
    assert placed.tolist() == [0.5, 1.0]


def test_what_is_not_known_is_not_compared() -> None:
    values = np.array([5.0, np.nan, 3.0, np.nan, 9.0, 9.0])
    controls = np.array([[0, 1], [2, 3]])

    placed = placements(values, 2, controls)

    assert placed[0] == 1.0
    assert np.isnan(placed[1])


def test_with_one_set_of_all_it_is_the_area_under_the_curve() -> None:
    """T9-06: scikit-learn's reference, example of roc_auc_score."""
    published = check("T9-06")
    y, score = np.array(published.data["y"]), np.array(published.data["score"])

    found = auc(one_set(score[y == 1].tolist(), score[y == 0].tolist()), np.arange(int(y.sum())))

    assert found.value == pytest.approx(published.expected["roc_auc"])


@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=20),
    st.lists(st.integers(0, 9), min_size=1, max_size=20),
)
def test_it_agrees_with_the_reference_library(breaks: list[int], quiet: list[int]) -> None:
    found = float(one_set([float(b) for b in breaks], [float(q) for q in quiet]).mean())

    reference = roc_auc_score([1] * len(breaks) + [0] * len(quiet), breaks + quiet)
    assert found == pytest.approx(reference)


def test_the_spread_of_clustered_breaks_is_that_of_the_reference_library() -> None:
    rng = np.random.default_rng(5)
    cluster = rng.integers(0, 15, 60)
    placed = rng.integers(0, 5, 60) / 4
    # One win and one loss are added, each a cluster of its own.
    padded, parts = np.append(placed, [0.0, 1.0]), np.append(cluster, [15, 16])

    found = auc(placed, cluster)

    fit: Any = sm.OLS(padded, np.ones((62, 1))).fit(
        cov_type="cluster", cov_kwds={"groups": parts, "use_correction": False}
    )
    groups = len(np.unique(parts))
    error = float(fit.bse[0]) * np.sqrt(groups / (groups - 1))
    # Student's t on 14 degrees, two-sided 95 %: 2.145 (printed tables).
    assert len(np.unique(cluster)) == 15
    assert found.high - found.low == pytest.approx(2 * 2.1448 * error, rel=1e-4)


def test_the_interval_never_shrinks_to_a_point() -> None:
    found = auc(np.ones(12), np.arange(12))

    assert found.value == 1.0
    assert 0.5 < found.low < 0.95
    assert found.high == 1.0


@pytest.mark.parametrize(("breaks", "days"), [(20, 20), (60, 15), (200, 60)])
def test_intervals_hold_the_true_value_as_often_as_they_say(breaks: int, days: int) -> None:
    rng = np.random.default_rng(11)
    held, runs, shift = 0, 600, 0.8
    # Break and quiet runs normal with unit spread, the break higher by 0.8: AUC = Φ(0.8/√2) = 0.7142 (Hanley & McNeil,
    # Radiology 143 (1982) 29-36); the breaks of a day share a third of their variance.
    truth = 0.714196
    for _ in range(runs):
        day = rng.integers(0, days, breaks)
        shared = rng.normal(0, np.sqrt(1 / 3), days)[day]
        own = shift + shared + rng.normal(0, np.sqrt(2 / 3), breaks)
        quiet = rng.normal(size=(breaks, 4))
        found = auc((quiet < own[:, None]).mean(axis=1), day)
        held += found.low <= truth <= found.high

    # 600 runs: a true coverage of 95 % gives 93 to 97 % nearly always (three standard errors are 2.7 %).
    assert held / runs > 0.925


def test_a_p_value_is_that_of_all_signs_where_they_can_be_listed() -> None:
    rng = np.random.default_rng(3)
    placed = np.clip(rng.integers(0, 5, 12) / 4 + 0.15, 0, 1)
    scores = placed - 0.5
    seen = abs(scores.sum())
    exact = np.mean([abs(np.dot(signs, scores)) >= seen - 1e-9 for signs in product((-1, 1), repeat=12)])

    found = judge_many(placed[:, None, None], np.arange(12), flips=20_000, seed=1)

    # Of 20,000 drawn: three standard errors of a share near 0.1 are 0.006.
    assert found.p[0, 0] == pytest.approx(exact, abs=0.007)


def test_no_p_value_is_below_what_so_few_days_allow() -> None:
    found = judge_many(np.ones((40, 1, 2)), np.repeat(np.arange(5), 8), flips=999, seed=1)

    # Five days, all with the same sign: 2 of 32 ways of signs.
    assert found.p[0].tolist() == pytest.approx([1 / 16, 1 / 16], rel=0.25)
    assert found.group_p[0] >= 1 / 16


def test_where_nothing_differs_small_p_values_are_as_rare_as_they_say() -> None:
    rng = np.random.default_rng(8)
    # 400 tags of six tests that hang together, breaks in clusters that hang together as well.
    day = rng.integers(0, 40, 120)
    common = rng.normal(size=(40, 400, 1))[day] + rng.normal(size=(120, 400, 1))
    own = common + 0.5 * rng.normal(size=(120, 400, 6))
    quiet = rng.normal(size=(4, 120, 400, 6)) * np.sqrt(2.25)
    placed = (quiet < own).mean(axis=0)

    found = judge_many(placed, day, flips=999, seed=2)

    # 400 groups: 5 % ± three standard errors of 1.1 %.
    assert np.mean(found.group_p < 0.05) < 0.083
    assert np.mean(found.p[:, 0] < 0.05) < 0.083
    assert np.mean(found.group_p < 0.5) > 0.35


def test_what_is_always_equal_is_not_tested() -> None:
    placed = np.stack((np.full(30, 0.5), np.linspace(0, 1, 30)), axis=1)[:, :, None]

    found = judge_many(placed, np.arange(30), flips=99, seed=1)

    assert np.isnan(found.p[0, 0])
    assert np.isnan(found.group_p[0])
    assert np.isfinite(found.group_p[1])


def test_the_false_discovery_rate_is_the_published_one() -> None:
    """T10-02: Benjamini & Hochberg, JRSS B 57 (1995) 289-300, 4.2: 4 of 15 rejected at 0.05."""
    published = check("T10-02")
    p = np.array(published.data["p"])

    q = false_discovery(p)

    assert q == pytest.approx(published.expected["adjusted_bh"], abs=1e-6)
    assert int((q <= published.data["q"]).sum()) == published.expected["rejected_bh"]


@given(st.lists(st.floats(1e-9, 1), min_size=1, max_size=40))
def test_the_false_discovery_rate_agrees_with_the_reference_library(p: list[float]) -> None:
    padded = np.array([*p, np.nan])

    q = false_discovery(padded)

    assert q[:-1] == pytest.approx(multipletests(p, method="fdr_bh")[1])
    assert np.isnan(q[-1])
