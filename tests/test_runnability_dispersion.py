"""Index of dispersion and negative binomial against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.dispersion import dispersion, unit_rate
from analysis.runnability.observed import Tally, TooFewEvents
from tests.published_checks import check, near


def equal_units(counts: list[int]) -> Tally:
    return Tally(counts=tuple(counts), hours=(1.0,) * len(counts))


def expanded(name: str) -> list[int]:
    """Counts of a published frequency table, one by one."""
    data = check(name).data
    return [int(c) for c in np.repeat(data["count_values"], data["frequencies"])]


def test_counts_of_a_factory_have_the_published_index() -> None:
    """T6-01: Wetherill & Brown (1991), in the reference of qccOverdispersionTest."""
    example = check("T6-01")

    found = dispersion(equal_units(example.data["counts"]))

    assert found is not None
    assert found.df + 1 == example.expected["n"]
    assert found.index == near(example.expected["variance"] / example.expected["mean"], abs=1e-8)
    assert found.index == near(example.expected["index"], abs=1e-8)
    assert (found.statistic, found.df) == (near(example.expected["D"], abs=1e-8), example.expected["df"])
    assert found.p_value == near(example.expected["p_upper"], abs=1e-8)


def test_mites_on_leaves_are_clustered_as_published() -> None:
    """T6-02: Bliss & Fisher, Biometrics 9 (1953): counts of mites, far from Poisson."""
    expected = check("T6-02").expected
    leaves = equal_units(expanded("T6-02"))

    index = dispersion(leaves)

    assert index is not None
    assert (sum(leaves.counts), len(leaves.counts)) == (expected["total"], expected["n"])
    assert index.index == near(expected["variance"] / expected["mean"], rel=1e-6)
    assert (index.index, index.statistic) == near((expected["index"], expected["D"]), rel=1e-6)
    assert (index.df, index.p_value) == (expected["df"], near(expected["p_upper"], rel=1e-6))


def test_horse_kicks_are_not_clustered() -> None:
    """T6-03: Bortkiewicz (1898), 200 corps-years."""
    expected = check("T6-03").expected
    years = equal_units(expanded("T6-03"))

    index = dispersion(years)

    assert index is not None
    assert (index.df, len(years.counts)) == (expected["df"], expected["n"])
    assert index.index == near(expected["variance"] / expected["mean"], abs=1e-8)
    assert (index.index, index.statistic) == near((expected["index"], expected["D"]), abs=1e-8)
    assert index.p_value == near(expected["p_upper"], abs=1e-8)


def test_two_periods_are_each_held_against_their_own_rate() -> None:
    """A change of the level is no clustering: 10 days of 1 and 10 days of 9 are perfectly even within each."""
    found = dispersion(equal_units([1] * 10), equal_units([9] * 10))

    assert found is not None
    assert (found.statistic, found.df) == (0.0, 18)


def test_days_with_little_running_time_are_joined_before_they_are_judged() -> None:
    # median of the six running days 20 h: those below 10 h are joined to the next; the last one to the one before it.
    tally = Tally(counts=(1, 0, 0, 1, 0, 2, 2, 1), hours=(20.0, 1.0, 0.0, 8.0, 22.0, 20.0, 21.0, 5.0))

    merged = tally.merged()

    assert (merged.counts, merged.hours) == ((1, 1, 2, 3), (20.0, 31.0, 20.0, 26.0))


def test_one_unit_cannot_be_uneven() -> None:
    assert dispersion(equal_units([5])) is None
    assert dispersion(equal_units([0, 0, 0])) is None


def test_two_days_are_enough_to_ask_whether_they_differ() -> None:
    # 2 and 8 about a mean of 5: (9 + 9)/5 = 3.6 on 1 degree; twice the tail of the normal at sqrt(3.6) = 1.8974.
    found = dispersion(equal_units([2, 8]))

    assert found is not None
    assert (found.statistic, found.df, found.p_value) == (near(3.6), 1, near(0.05778, abs=1e-5))


def test_a_rate_of_uneven_days_has_a_wider_interval_than_that_of_even_ones() -> None:
    days = (24.0,) * 4
    uneven, even = (unit_rate(Tally(counts=counts, hours=days)) for counts in ((0, 10, 0, 10), (5, 5, 5, 5)))

    # 20 in 96 h. Uneven: index (4 x 25 / 5) / 3 = 6.667, t(3) at 97.5 % = 3.182446, so exp of plus and minus
    # 3.182446 x sqrt(6.667/20) = 1.837386. Even: Garwood's 12.217 to 30.888 of 20.
    assert (uneven.widened, uneven.low, uneven.high) == (True, near(0.033174, rel=1e-4), near(1.30835, rel=1e-4))
    assert (even.widened, even.low, even.high) == (False, near(12.217 / 96, rel=1e-4), near(30.888 / 96, rel=1e-4))


def test_without_time_on_the_reel_there_is_no_rate_of_days() -> None:
    with pytest.raises(TooFewEvents, match="never on the reel"):
        unit_rate(Tally(counts=(), hours=()))
