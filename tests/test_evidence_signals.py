"""What a tag did in a window: each number against one worked by hand, or against a signal whose number is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.evidence.settings import Statistic, Window
from analysis.evidence.signals import STATISTICS, statistics, window_statistics

Floats = NDArray[np.float64]


def one(values: list[float] | Floats, variance: float = 0.0, normal: float = 0.0) -> dict[Statistic, float]:
    mean = np.array([values], dtype=float)
    found = statistics(mean, np.full(mean.shape, variance), np.array([normal]), 0.6)
    return dict(zip(STATISTICS, found[:, 0].tolist(), strict=True))


def test_a_straight_line_has_level_and_slope_and_no_unrest() -> None:
    found = one([1.0, 3.0, 5.0, 7.0], normal=1.5)

    assert found[Statistic.LEVEL] == 4.0
    assert found[Statistic.AWAY] == 2.5
    assert found[Statistic.SLOPE] == pytest.approx(2.0)
    assert found[Statistic.SPREAD] == pytest.approx(0.0, abs=1e-9)
    assert found[Statistic.SWING] == pytest.approx(0.0, abs=1e-9)
    # Two minutes on each side: (5 + 7)/2 − (1 + 3)/2.
    assert found[Statistic.STEP] == pytest.approx(4.0)


def test_a_step_is_as_high_as_it_is() -> None:
    down = one([9.0] * 10 + [4.0] * 10)

    assert down[Statistic.STEP] == pytest.approx(-5.0)


def test_unrest_within_the_minutes_and_between_them_adds_up() -> None:
    # Between: 0, 2, 2, 0 about its line (flat at 1): variance 1. Within: 3. Root of 4.
    found = one([0.0, 2.0, 2.0, 0.0], variance=3.0)

    assert found[Statistic.SPREAD] == pytest.approx(2.0)


def test_a_swing_is_told_by_its_amplitude() -> None:
    time = np.arange(20)
    found = one(50 + 3.0 * np.sin(2 * np.pi * 4 * time / 20))

    # Taking out the least-squares line costs a whole number of turns a little of its amplitude.
    assert found[Statistic.SWING] == pytest.approx(3.0, rel=0.05)
    assert found[Statistic.LEVEL] == pytest.approx(50.0)


def test_a_slow_bow_is_no_swing() -> None:
    time = np.arange(20)
    bow = one(np.cos(2 * np.pi * time / 20))
    swing = one(np.cos(2 * np.pi * 3 * time / 20))

    assert bow[Statistic.SWING] < 0.25 * swing[Statistic.SWING]


def test_a_minute_not_known_is_left_out() -> None:
    found = one([1.0, np.nan, 5.0, 7.0])

    assert found[Statistic.LEVEL] == pytest.approx(13 / 3)
    assert found[Statistic.SLOPE] == pytest.approx(2.0)
    assert found[Statistic.SPREAD] == pytest.approx(0.0, abs=1e-9)


def test_a_window_hardly_known_says_nothing() -> None:
    found = one([1.0, np.nan, np.nan, 7.0, np.nan])

    assert all(np.isnan(value) for value in found.values())


def test_a_run_without_a_normal_has_no_distance_from_it() -> None:
    found = one([1.0, 2.0, 3.0, 4.0], normal=np.nan)

    assert np.isnan(found[Statistic.AWAY])
    assert found[Statistic.LEVEL] == 2.5


@given(
    st.lists(st.floats(-100, 100), min_size=8, max_size=8),
    st.floats(-1000, 1000),
    st.floats(0.1, 50),
)
def test_units_do_not_matter(values: list[float], shift: float, scale: float) -> None:
    x = np.array(values)

    plain, other = one(x), one(scale * x + shift)

    assert other[Statistic.LEVEL] == pytest.approx(scale * plain[Statistic.LEVEL] + shift, abs=1e-6)
    for name in (Statistic.SPREAD, Statistic.SLOPE, Statistic.SWING):
        assert other[name] == pytest.approx(scale * plain[name], abs=1e-6 * scale * 100)
    assert abs(other[Statistic.STEP]) == pytest.approx(scale * abs(plain[Statistic.STEP]), abs=1e-6 * scale * 100)


def test_each_window_looks_at_its_own_minutes() -> None:
    mean = np.arange(60.0)[None, :]
    windows = (Window(start=-60, end=-30), Window(start=-10, end=-2))

    found = window_statistics(mean, np.zeros_like(mean), np.zeros(1), windows, -60, 0.6)

    # Minutes 0 to 29 have the mean 14.5, minutes 50 to 57 the mean 53.5.
    assert found[:, STATISTICS.index(Statistic.LEVEL), 0].tolist() == [14.5, 53.5]
