"""Run rules against published sequences."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.run_rules import (
    MEANING,
    NELSON,
    POINTS_PER_FALSE_SIGNAL,
    WESTERN_ELECTRIC,
    Rule,
    find_signals,
)
from tests.published_checks import check, near

RULES = {
    "WE1": Rule.BEYOND_LIMIT,
    "WE2": Rule.TWO_OF_THREE,
    "WE3": Rule.FOUR_OF_FIVE,
    "WE4": Rule.EIGHT_ON_ONE_SIDE,
    "N1": Rule.BEYOND_LIMIT,
    "N2": Rule.NINE_ON_ONE_SIDE,
    "N3": Rule.SIX_STEADY,
    "N4": Rule.FOURTEEN_ALTERNATING,
    "N4b": Rule.FOURTEEN_ALTERNATING,
    "N5": Rule.TWO_OF_THREE,
    "N6": Rule.FOUR_OF_FIVE,
    "N7": Rule.FIFTEEN_CLOSE,
    "N8": Rule.EIGHT_FAR,
}
EXAMPLE = check("T7-08")
SEQUENCES = [
    (sequence["rule"], sequence["z"], flagged)
    for sequence, (_, flagged) in zip(EXAMPLE.data["sequences"], EXAMPLE.expected["flagged_1based"], strict=True)
]


@pytest.mark.parametrize(("name", "z", "flagged"), SEQUENCES, ids=[name for name, _, _ in SEQUENCES])
def test_published_sequences_signal_where_they_should(name: str, z: list[float], flagged: list[int]) -> None:
    """T7-08: sequences of the tests of qcc; Western Electric (1956) and Nelson, J. Quality Technology 16 (1984)."""
    signals = find_signals(np.array(z, dtype=float), [RULES[name.split()[0]]])

    assert [s.point + 1 for s in signals] == flagged


def test_nelsons_set_is_the_eight_rules_of_his_numbers_in_their_order() -> None:
    """L. S. Nelson, J. Quality Technology 16 (1984) 237-239: tests 1 to 8."""
    assert tuple(RULES[f"N{number}"] for number in range(1, 9)) == NELSON


def test_the_default_rules_signal_about_once_in_ninety_two_points_by_chance() -> None:
    """Champ & Woodall, Technometrics 29 (1987) 393-399: mean run length 91.75 for these four rules."""
    rng = np.random.default_rng(17)
    lengths = []

    for _ in range(1_500):
        signals = find_signals(rng.normal(size=900), WESTERN_ELECTRIC)
        lengths.append(signals[0].point + 1 if signals else 900)

    # standard deviation of a run length is about its mean: 92/sqrt(1500) = 2.4
    assert np.mean(lengths) == near(POINTS_PER_FALSE_SIGNAL, abs=7.5)


def test_an_unknown_point_breaks_a_row() -> None:
    z = np.array([1.0] * 7 + [np.nan] + [1.0] * 7)

    assert find_signals(z, [Rule.EIGHT_ON_ONE_SIDE]) == ()


def test_signals_know_their_side_and_come_in_order() -> None:
    signals = find_signals(np.array([0.0, -3.5, 0.0, 2.5, 2.6, 3.1]), [Rule.TWO_OF_THREE, Rule.BEYOND_LIMIT])

    assert [(s.point, s.side) for s in signals] == [(1, -1), (4, 1), (5, 1), (5, 1)]


def test_every_rule_has_a_meaning() -> None:
    assert set(MEANING) == set(Rule)


@pytest.mark.parametrize(
    ("z", "rule", "points"),
    [
        ([-1.5] + [1.5] * 6, Rule.EIGHT_FAR, []),
        ([-1.5] + [1.5] * 7, Rule.EIGHT_FAR, [7]),
        ([1.5] * 8, Rule.EIGHT_FAR, []),
        ([0.0, 2.0, 2.0, 2.0], Rule.TWO_OF_THREE, []),
        ([0.0, 2.1, 0.0, 2.1], Rule.TWO_OF_THREE, [3]),
        ([0.0, 2.1, 0.0, 0.0, 2.1], Rule.TWO_OF_THREE, []),
    ],
)
def test_a_pattern_needs_all_its_points_truly_beyond(z: list[float], rule: Rule, points: list[int]) -> None:
    assert [s.point for s in find_signals(np.array(z), [rule])] == points
