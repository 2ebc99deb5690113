"""Samples are added up to minutes as they would be one by one, however they come."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.evidence.summing import MARK_MASK, MARK_SHIFT, MINUTE_US, add_up, marks

FIRST = 29_000_000
SAMPLE = st.tuples(st.integers(0, 3), st.integers(0, 8 * MINUTE_US - 1), st.floats(-1e6, 1e6).map(lambda x: x + 1e6))


@given(samples=st.lists(SAMPLE, unique_by=lambda s: s[:2]), cuts=st.lists(st.integers(0, 40)), data=st.data())
def test_cells_are_those_of_each_minute_taken_alone_in_whatever_order_samples_come(
    samples: list[tuple[int, int, float]], cuts: list[int], data: st.DataObject
) -> None:
    mixed = data.draw(st.permutations(samples))
    minutes = FIRST + np.array([0, 1, 4, 7])
    row_of = np.array([1, -1, 0, 2])
    edges = [0, *sorted(min(cut, len(mixed)) for cut in cuts), len(mixed)]
    chunks = [mixed[start:end] for start, end in pairwise(edges)]

    mean, variance = add_up([_chunk(one) for one in chunks], row_of, minutes)

    for tag, row in ((0, 1), (2, 0), (3, 2)):
        for column, minute in enumerate((0, 1, 4, 7)):
            own = [value for of, at, value in samples if of == tag and at // MINUTE_US == minute]
            assert mean[row, column] == pytest.approx(np.mean(own) if own else np.nan, nan_ok=True)
            assert variance[row, column] == pytest.approx(np.var(own) if own else np.nan, abs=1e-3, nan_ok=True)


def _chunk(samples: list[tuple[int, int, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    tag, at, value = zip(*samples, strict=True) if samples else ((), (), ())
    return np.array(tag, np.int32), np.array(at, np.int64) + FIRST * MINUTE_US, np.array(value, np.float64)


def test_a_large_value_keeps_the_digits_of_its_unrest() -> None:
    # A totaliser at 1e9 that goes ±0.25: variance 0.0625. Squares of 1e18 would leave nothing of it.
    tag, at = np.zeros(4, np.int32), FIRST * MINUTE_US + np.arange(4)
    value = 1e9 + np.array([0.25, -0.25, 0.25, -0.25])

    mean, variance = add_up([(tag, at, value)], np.array([0]), np.array([FIRST]))

    assert (mean[0, 0], variance[0, 0]) == (1e9, 0.0625)


@given(
    minutes=st.lists(st.integers(0, 50 * 1440), min_size=1, unique=True).map(sorted), us=st.integers(0, MINUTE_US - 1)
)
def test_every_moment_of_a_wanted_minute_is_marked(minutes: list[int], us: int) -> None:
    bits = marks(FIRST + np.array(minutes))

    assert len(bits) == MARK_MASK + 1
    assert all(bits[((FIRST + m) * MINUTE_US + us >> MARK_SHIFT) & MARK_MASK] == "1" for m in minutes)


def test_what_is_far_from_every_wanted_minute_is_not_marked() -> None:
    bits = marks(np.array([FIRST, FIRST + 100]))

    # Two minutes touch at most 2 × 5 stretches of 16.8 s.
    assert 8 <= bits.count("1") <= 10
