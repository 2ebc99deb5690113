"""Whether a model still fits: worked by hand, and against what is known to have moved or not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.risk.drift import drift, in_the_large, stability_index
from analysis.risk.rows import DAY_MS, Loss, Past, primary_breaks, rows_of
from analysis.risk.watch import Seen
from analysis.risk.windows import Feature
from tests.risk_card import hand_card, straight

CARD = hand_card()


def outcomes(*before_each: int, quiet: int) -> tuple[NDArray[np.int8], NDArray[np.int64]]:
    """So many minutes before each break, and quiet ones."""
    breaks = np.repeat(np.arange(len(before_each)), before_each)
    outcome = np.concatenate([np.ones(len(breaks)), np.zeros(quiet)]).astype(np.int8)
    return outcome, np.concatenate([breaks, np.full(quiet, -1)])


def test_risks_add_up_to_breaks_times_the_horizon() -> None:
    # 1,200 minutes at 5 % hold 60 minutes before a break: two breaks of 30 minutes each, and two came.
    outcome, number = outcomes(30, 30, quiet=1140)

    found = in_the_large(np.full(1200, 0.05), outcome, number, CARD)

    assert found.expected == pytest.approx(2.0)
    assert found.observed == 2
    # Exact limits of a count of 2: 0.2422 and 7.2247 (Garwood 1936; handbook tables of the Poisson distribution).
    assert found.ratio is not None
    assert (found.ratio.value, found.ratio.low, found.ratio.high) == pytest.approx((1.0, 0.1211, 3.6123), abs=1e-4)
    assert found.off is None


def test_a_break_with_few_scored_minutes_before_it_still_stands_against_a_whole_one() -> None:
    # The risks are right, but the second break came 15 minutes after the first scored one: 45 of 900 minutes.
    outcome, number = outcomes(30, 15, quiet=855)

    found = in_the_large(np.full(900, 0.05), outcome, number, CARD)

    assert found.observed == 2
    assert found.expected == pytest.approx(2.0)


def test_risks_half_of_what_comes_are_found_out() -> None:
    outcome, number = outcomes(*[30] * 40, quiet=22_800)

    found = in_the_large(np.full(24_000, 0.025), outcome, number, CARD)

    assert found.expected == pytest.approx(20.0)
    assert found.observed == 40
    assert found.off is True


def test_minutes_whose_horizon_was_cut_short_count_for_nothing() -> None:
    outcome, number = outcomes(30, quiet=570)
    cut = np.concatenate([outcome, np.full(300, -1, np.int8)]), np.concatenate([number, np.full(300, -1)])

    found = in_the_large(np.full(900, 0.05), *cut, CARD)

    assert found.minutes == 600
    assert found.expected == pytest.approx(1.0)


def test_no_minutes_say_nothing() -> None:
    found = in_the_large(np.empty(0), np.empty(0, np.int8), np.empty(0, np.int64), CARD)

    assert (found.expected, found.observed, found.ratio, found.off) == (0.0, 0, None, None)


def test_the_stability_index_is_nothing_for_the_same_values() -> None:
    values = np.random.default_rng(1).normal(size=2000)

    assert stability_index(values, values) == pytest.approx(0.0)
    assert stability_index(values, np.random.default_rng(2).permutation(values)) == pytest.approx(0.0)


def test_the_stability_index_of_two_halves_is_worked_by_hand() -> None:
    # Ten tenths before; after, all in the upper five: shares of 0.1 become 0.2 or, floored, 0.001.
    # 5 × (0.2 − 0.1)·ln 2 + 5 × (0.001 − 0.1)·ln 0.01 = 0.34657 + 2.27956 = 2.62613. (Part for missing: 0.001 in both.)
    before, after = np.arange(1000.0), np.arange(500.0, 1000.0)

    assert stability_index(before, after) == pytest.approx(2.62613, abs=0.03)


def test_a_tag_that_falls_silent_is_a_shift() -> None:
    values = np.random.default_rng(1).normal(size=1000)

    assert stability_index(values, np.full(1000, np.nan)) > 5


def running(days: int, *columns: NDArray[np.float32]) -> Seen:
    """On the reel without a break but for one a day, with the values of some factors."""
    ends = np.arange(1, days + 1) * DAY_MS
    on_reel = np.column_stack([np.arange(days) * DAY_MS, ends - 3_600_000])
    losses = tuple(
        Loss(downtime_id=str(n), kind="break", started_ms=int(on_reel[n, 1]), secondary=False) for n in range(days)
    )
    past = Past(on_reel_ms=on_reel, losses=losses, until_ms=int(ends[-1]))
    breaks = primary_breaks(past, CARD.settings)
    rows = rows_of(past, breaks, CARD.settings)
    values = np.column_stack([c[: len(rows)] for c in columns]).astype(np.float32)
    return Seen(
        rows=rows,
        breaks=breaks,
        quiet=np.zeros(len(rows), np.bool_),
        values=values,
        score=np.full(len(rows), np.log(1 / 45)),
        level=np.zeros(len(rows)),
        newest=int(rows.minute[-1]),
        state="on_reel",
        since_ms=0,
        last_ms=int(ends[-1]),
    )


def daily(rng: np.random.Generator, days: int) -> NDArray[np.float32]:
    """A tag whose level wanders from day to day."""
    return np.repeat(rng.normal(size=days), 1440).astype(np.float32) + rng.normal(size=days * 1440).astype(np.float32)


def test_the_factor_that_moved_is_named_and_those_that_only_wander_are_not() -> None:
    rng = np.random.default_rng(4)
    moved = daily(rng, 50)
    moved[35 * 1380 :] += 4
    terms = [straight(Feature(tag=f"tag{n}", stat="mean", window_min=5), slope=0, middle=0) for n in range(9)]
    what = running(50, moved, *(daily(rng, 50) for _ in range(8)))

    found = drift(hand_card(*terms, to_ms=35 * DAY_MS), what, days=14)

    assert [s.term.feature.tag for s in found.shifted] == ["tag0"]
    assert "Of 9 factors 1 have moved away from what was learnt (tag0, mean of the last 5 min)" in found.sentence


def test_where_nothing_has_moved_hardly_ever_is_a_factor_named() -> None:
    rng = np.random.default_rng(5)
    term = [straight(Feature(tag=f"tag{n}", stat="mean", window_min=5), slope=0, middle=0) for n in range(6)]
    card = hand_card(*term, to_ms=20 * DAY_MS)

    named = [len(drift(card, running(30, *(daily(rng, 30) for _ in range(6)))).shifted) > 0 for _ in range(20)]

    # In one search of twenty a false name is expected; five of twenty or more has a chance of 0.3 %.
    assert sum(named) < 5


def test_too_few_days_are_said_to_be_too_few() -> None:
    term = straight(Feature(tag="tag0", stat="mean", window_min=5), slope=0, middle=0)
    what = running(10, daily(np.random.default_rng(1), 10))

    found = drift(hand_card(term, to_ms=8 * DAY_MS), what)

    assert found.shifts == ()
    assert "too few days to say whether its factors have moved" in found.sentence
    assert "too few to tell whether its risks are right" in found.sentence


def test_a_model_of_the_same_day_is_said_to_be_so_young() -> None:
    term = straight(Feature(tag="tag0", stat="mean", window_min=5), slope=0, middle=0)
    what = running(10, daily(np.random.default_rng(1), 10))

    found = drift(hand_card(term, to_ms=what.at_ms - 15 * 60_000), what)

    assert found.sentence.startswith("In 15.0 min since it was fitted")


def test_only_days_after_the_fit_and_within_those_asked_for_count() -> None:
    term = straight(Feature(tag="tag0", stat="mean", window_min=5), slope=0, middle=0)
    what = running(30, daily(np.random.default_rng(1), 30))

    found = drift(hand_card(term, to_ms=10 * DAY_MS), what, days=5)

    assert found.to_ms == what.at_ms
    assert found.from_ms == found.to_ms - 5 * DAY_MS
    # From one minute before the break of a day to that of the fifth day after it: six breaks.
    assert found.large.observed == 6
    assert drift(replace(hand_card(term), to_ms=29 * DAY_MS), what, days=5).from_ms == 29 * DAY_MS
