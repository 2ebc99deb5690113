"""What was known at a minute: worked by hand, and nothing of the future."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.risk.exposure import Exposure, exposure_of
from analysis.risk.rows import Loss, Past
from analysis.risk.settings import MINUTE_MS, RiskSettings
from analysis.risk.trail import Trail
from analysis.risk.windows import Minutes
from tests.risk_mill import Mill, planted_mill

SETTINGS = RiskSettings()


def minutes_of(*tags: list[float], variance: float = 0.0) -> Minutes:
    mean = np.array(tags)
    return Minutes(
        first=0,
        tags=tuple(f"tag{n}" for n in range(len(tags))),
        units=("",) * len(tags),
        mean=mean,
        variance=np.where(np.isnan(mean), np.nan, variance),
        last=mean.copy(),
    )


def running(length: int, *, back: int = 0, runs: tuple[int, ...] = (0,), grades: tuple[str, ...] = ("C80",)) -> Past:
    """On the reel from one minute to the end of the data."""
    return Past(
        on_reel_ms=np.array([[back * MINUTE_MS, length * MINUTE_MS]]),
        losses=(),
        until_ms=length * MINUTE_MS,
        grade_runs_ms=np.array(runs, np.int64) * MINUTE_MS,
        grades=grades,
    )


def known(minutes: Minutes, past: Past, name: str, minute: int) -> float:
    """A feature at the row whose minute has just ended at ``minute``."""
    exposure = exposure_of("m", minutes, past, SETTINGS)
    column = [f.name for f in exposure.features].index(name)
    return float(exposure.row(minute * MINUTE_MS)[column])


def test_a_window_holds_the_minutes_up_to_now_and_no_other() -> None:
    # At the end of minute 39 the last five are 35 to 39: mean 37, slope 1 a minute, spread sqrt(2).
    minutes, past = minutes_of([float(n) for n in range(60)]), running(60)

    assert known(minutes, past, "tag0 mean 5 min", 40) == 37
    assert known(minutes, past, "tag0 slope 5 min", 40) == 1
    np.testing.assert_allclose(known(minutes, past, "tag0 spread 5 min", 40), np.sqrt(2), rtol=1e-6)
    assert known(minutes, past, "tag0 last", 40) == 39


def test_a_window_does_not_reach_behind_the_return_to_the_reel() -> None:
    # Back at minute 20; at the end of minute 39 the hour holds only 20 to 39: mean 29.5.
    minutes, past = minutes_of([float(n) for n in range(60)]), running(60, back=20)

    assert known(minutes, past, "tag0 mean 60 min", 40) == 29.5


def test_spread_counts_what_went_on_within_the_minutes() -> None:
    # Level steady, each minute's samples with a variance of 4.
    minutes, past = minutes_of([7.0] * 60, variance=4.0), running(60)

    np.testing.assert_allclose(known(minutes, past, "tag0 spread 15 min", 40), 2.0, rtol=1e-6)


def test_a_minute_without_a_sample_holds_the_value_before_it() -> None:
    values = [1.0] * 37 + [6.0] + [np.nan] * 22

    assert known(minutes_of(values), running(60), "tag0 last", 40) == 6
    # Minutes 35 to 39: 1, 1, 6, 6, 6.
    assert known(minutes_of(values), running(60), "tag0 mean 5 min", 40) == 4


def test_a_tag_not_yet_heard_is_unknown() -> None:
    values = [np.nan] * 38 + [1.0] * 22

    assert np.isnan(known(minutes_of(values), running(60), "tag0 mean 5 min", 40))


def test_distance_from_the_run_normal_is_in_its_own_standard_deviations() -> None:
    # Minutes 14 to 184 are steady (rows begin at 15 min on reel) and alternate 9 and 11: mean 10, standard deviation 1.
    # The last 15 minutes stand at 13, so they are 3 away. 170 steady minutes: as many of 9 as of 11.
    values = [9.0, 11.0] * 92 + [13.0] * 15 + [0.0]

    away = known(minutes_of(values), running(200), "tag0 run normal 15 min", 199)

    np.testing.assert_allclose(away, 3.0, rtol=1e-6)


def test_the_run_normal_begins_anew_with_a_grade_run_and_the_grade_normal_remembers_the_last_one() -> None:
    # C80 at 10 (9 and 11 in turn), C60 at 50, then C80 again: its own run is too young, its grade is not.
    values = [9.0, 11.0] * 50 + [50.0] * 100 + [13.0] * 30
    past = running(230, runs=(0, 100, 200), grades=("C80", "C60", "C80"))
    minutes = minutes_of(values)

    assert np.isnan(known(minutes, past, "tag0 run normal 15 min", 220))
    away = known(minutes, past, "tag0 grade normal 15 min", 215)

    # Steady C80 minutes 14 to 99 and none of this run older than 15 min: 43 of 9, 43 of 11.
    np.testing.assert_allclose(away, 3.0, rtol=1e-6)


def part_of(minutes: Minutes, begin: int, end: int) -> Minutes:
    return replace(
        minutes,
        first=minutes.first + begin,
        mean=minutes.mean[:, begin:end],
        variance=minutes.variance[:, begin:end],
        last=minutes.last[:, begin:end],
    )


def cut(mill: Mill, at_ms: int) -> Exposure:
    """What would have been known had the world ended right after ``at_ms``."""
    keep = at_ms // MINUTE_MS - mill.minutes.first
    minutes = replace(
        mill.minutes,
        mean=mill.minutes.mean[:, :keep],
        variance=mill.minutes.variance[:, :keep],
        last=mill.minutes.last[:, :keep],
    )
    on_reel = mill.past.on_reel_ms[mill.past.on_reel_ms[:, 0] < at_ms].copy()
    on_reel[:, 1] = np.minimum(on_reel[:, 1], at_ms + 1)
    past = replace(
        mill.past,
        on_reel_ms=on_reel,
        losses=tuple(loss for loss in mill.past.losses if loss.started_ms <= at_ms),
        until_ms=at_ms + 1,
        grade_runs_ms=mill.past.grade_runs_ms[mill.past.grade_runs_ms <= at_ms],
        grades=mill.past.grades[: int((mill.past.grade_runs_ms <= at_ms).sum())],
        grade_changes_ms=mill.past.grade_changes_ms[mill.past.grade_changes_ms <= at_ms],
        turn_ups_ms=mill.past.turn_ups_ms[mill.past.turn_ups_ms <= at_ms],
        clothing_ms={place: ms[ms <= at_ms] for place, ms in mill.past.clothing_ms.items()},
    )
    return exposure_of("m", minutes, past, SETTINGS)


MILL = planted_mill(5, days=6, tags=4)
WHOLE = exposure_of("m", MILL.minutes, MILL.past, SETTINGS)


@settings(max_examples=40, deadline=None)
@given(number=st.integers(0, len(WHOLE.rows) - 1))
def test_what_was_known_at_a_minute_does_not_change_when_all_that_followed_is_deleted(number: int) -> None:
    at_ms = int(WHOLE.rows.at_ms[number])

    alone = cut(MILL, at_ms)

    np.testing.assert_array_equal(alone.row(at_ms), WHOLE.row(at_ms))


@settings(max_examples=20, deadline=None)
@given(number=st.integers(0, len(WHOLE.rows) - 1), seed=st.integers(0, 9))
def test_what_was_known_at_a_minute_does_not_change_when_all_that_followed_is_something_else(
    number: int, seed: int
) -> None:
    at_ms = int(WHOLE.rows.at_ms[number])
    after = at_ms // MINUTE_MS - MILL.minutes.first
    other: NDArray[np.float64] = MILL.minutes.mean.copy()
    other[:, after:] = 1e6 * np.random.default_rng(seed).normal(size=other[:, after:].shape)

    changed = exposure_of("m", replace(MILL.minutes, mean=other, last=other), MILL.past, SETTINGS)

    np.testing.assert_array_equal(changed.row(at_ms), WHOLE.row(at_ms))


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, MILL.minutes.mean.shape[1] - 1), max_size=12, unique=True), ones=st.booleans())
def test_however_the_minutes_are_cut_every_row_is_the_same_to_the_last_bit(cuts: list[int], ones: bool) -> None:
    trail = Trail(tags=4, first=MILL.minutes.first, settings=SETTINGS)
    whole = MILL.minutes.mean.shape[1]
    # Now and then minute by minute for two hours, as it goes live.
    inner = sorted({*cuts, *(range(whole - 120, whole) if ones else ())})
    found = []

    for begin, end in pairwise([0, *inner, whole]):
        part = part_of(MILL.minutes, begin, end)
        here = np.flatnonzero((WHOLE.rows.minute >= part.first) & (WHOLE.rows.minute < part.first + end - begin))
        found.append(trail.extend(part, WHOLE.rows.take(here), MILL.past))

    facts = sum(f.tag is None for f in WHOLE.features)
    np.testing.assert_array_equal(np.concatenate(found), WHOLE.values[:, facts:])


@st.composite
def random_machines(draw: st.DrawFn) -> Mill:
    """Two days of a machine with breaks, gaps, missing samples, grade runs, turn-ups and clothing, all at random."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    mill = planted_mill(
        draw(st.integers(0, 10_000)), days=2, tags=2, causes=(0.5,), per_day=draw(st.sampled_from([2, 12]))
    )
    length, first = mill.minutes.mean.shape[1], mill.minutes.first
    missing = rng.random((2, length)) < draw(st.sampled_from([0.0, 0.02, 0.5]))
    missing[0, : draw(st.integers(0, length // 2))] = True
    mean, variance, last = (
        np.where(missing, np.nan, part) for part in (mill.minutes.mean, mill.minutes.variance, mill.minutes.last)
    )
    minutes = replace(mill.minutes, mean=mean, variance=variance, last=last)

    def instants(most: int) -> NDArray[np.int64]:
        found = draw(st.lists(st.integers(0, length * MINUTE_MS), max_size=most, unique=True))
        return np.array(sorted(found), np.int64) + first * MINUTE_MS

    runs = instants(6)
    past = replace(
        mill.past,
        grade_runs_ms=runs,
        grades=tuple(draw(st.sampled_from(["C60", "C80"])) for _ in runs),
        grade_changes_ms=runs[1:],
        turn_ups_ms=instants(8),
        clothing_ms={"pickup felt": instants(2)},
    )
    return replace(mill, minutes=minutes, past=past)


@settings(max_examples=20, deadline=None)
@given(mill=random_machines(), part=st.floats(0, 1), seed=st.integers(0, 9))
def test_in_any_history_what_is_known_at_a_minute_is_the_same_with_and_without_its_future(
    mill: Mill, part: float, seed: int
) -> None:
    whole = exposure_of("m", mill.minutes, mill.past, SETTINGS)
    at_ms = int(whole.rows.at_ms[round(part * (len(whole.rows) - 1))])
    after = at_ms // MINUTE_MS - mill.minutes.first
    other = mill.minutes.mean.copy()
    other[:, after:] = np.random.default_rng(seed).normal(size=other[:, after:].shape)
    newest = np.where(np.arange(other.shape[1]) < after, mill.minutes.last, other)
    changed = exposure_of("m", replace(mill.minutes, mean=other, last=newest), mill.past, SETTINGS)

    alone = cut(mill, at_ms)

    np.testing.assert_array_equal(alone.row(at_ms), whole.row(at_ms))
    np.testing.assert_array_equal(changed.row(at_ms), whole.row(at_ms))


def test_a_piece_that_does_not_follow_the_last_one_is_refused() -> None:
    trail = Trail(tags=4, first=MILL.minutes.first, settings=SETTINGS)

    with pytest.raises(ValueError, match="begins at minute"):
        trail.extend(part_of(MILL.minutes, 5, 9), WHOLE.rows.take(np.empty(0, np.int64)), MILL.past)


def test_breaks_of_the_last_day_are_counted_with_secondary_ones() -> None:
    losses = tuple(
        Loss(downtime_id=f"m-{n}", kind="break", started_ms=n * MINUTE_MS, secondary=bool(n % 2)) for n in (10, 11)
    )
    past = replace(running(200, back=100), losses=losses)

    assert known(minutes_of([1.0] * 200), past, "breaks in the last 24 h", 150) == 2
