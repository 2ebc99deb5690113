"""Sums over breaks: the interval of a count where all are alike, and one that keeps its word where they are not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.compound import ends, redrawn
from analysis.figures.rates import count_interval

SIZES = st.lists(st.floats(0.1, 1_000), min_size=1, max_size=12)


def interval_of(sizes: Sequence[float], label: str = "") -> tuple[float, float]:
    drawn = redrawn([(size,) for size in sizes], label)
    return ends(drawn.below[:, 0], drawn.above[:, 0])


@pytest.mark.parametrize("count", [1, 4, 20])
def test_for_breaks_of_one_size_it_is_the_exact_interval_of_their_count_times_that_size(count: int) -> None:
    # F. Garwood, Biometrika 28 (1936); 2,000 draws give each end to within some 4 % of it (more at the lower end of 1).
    low, high = count_interval(count)

    found = interval_of([25.0] * count)

    assert found[0] == pytest.approx(25 * low, rel=0.08, abs=0.3)
    assert found[1] == pytest.approx(25 * high, rel=0.06)


@given(SIZES)
def test_it_does_not_depend_on_the_order_of_the_breaks_and_comes_out_the_same_every_time(sizes: list[float]) -> None:
    assert interval_of(sizes, "press") == interval_of(sizes[::-1], "press")


@given(SIZES, st.floats(0.01, 100))
def test_in_another_unit_it_is_the_same_interval(sizes: list[float], factor: float) -> None:
    low, high = interval_of(sizes)

    other = interval_of([size * factor for size in sizes])

    assert other == pytest.approx((low * factor, high * factor), rel=1e-9)


@given(SIZES)
def test_it_holds_the_sum(sizes: list[float]) -> None:
    low, high = interval_of(sizes)

    assert low < sum(sizes) < high


def test_two_labels_are_drawn_apart() -> None:
    press, reel = (redrawn([(10.0,), (20.0,), (40.0,)], label).below[:, 0] for label in ("press", "reel"))

    assert abs(np.corrcoef(press, reel)[0, 1]) < 0.1


@pytest.mark.parametrize(("expected", "spread"), [(5, 0.6), (30, 0.6), (30, 0.9)])
def test_it_covers_what_it_says_where_number_and_size_of_breaks_vary(expected: int, spread: float) -> None:
    """Poisson counts, log-normal minutes as in the demo (spread 0.6; 0.9 is heavier). 95 % asked, 91 % allowed.

    400 periods tell 95 from 91.5 %: three standard errors of a share of 0.95 are 3.3 points.
    """
    random = np.random.default_rng(20260301)
    truth = expected * np.exp(spread**2 / 2)
    held = seen = 0
    for _ in range(400):
        sizes = random.lognormal(0.0, spread, random.poisson(expected))
        if len(sizes):
            low, high = interval_of(sizes.tolist())
            seen += 1
            held += low <= truth <= high

    assert 0.91 <= held / seen <= 0.99
