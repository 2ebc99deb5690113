"""Steps of a rate: found where they are, rarely where they are not."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runnability.changepoint import steps
from analysis.runnability.observed import Observed
from tests.published_checks import near


def with_rates(rng: np.random.Generator, *pieces: tuple[float, float]) -> Observed:
    """A system with these (hours, breaks per hour), one after the other."""
    events: list[float] = []
    start = 0.0
    for hours, rate in pieces:
        events += (start + rng.uniform(0, hours, rng.poisson(hours * rate))).tolist()
        start += hours
    return Observed(name="m", events=tuple(sorted(events)), end=start)


def test_coal_mine_explosions_changed_once_around_the_turn_of_the_years() -> None:
    """T3-03's data (Maguire, Pearson & Wynn 1952), on which many put one change in the late 1880s to 1890s; here it is
    only asked that a fall is found, as Crow's report finds by its trend (shape 0.71 < 1)."""
    from tests.published_checks import check  # noqa: PLC0415 - only here

    times = np.cumsum(check("T3-03").data["intervals_days"]).astype(float)
    mines = Observed(name="mines", events=tuple(times.tolist()), end=float(times[-1]), ended_by_event=True)

    found = steps(mines)

    first, last = found.segments[0].rate, found.segments[-1].rate
    assert len(found.changes) >= 1
    assert first.low is not None
    assert last.high is not None
    assert first.low > last.high


def test_a_doubled_rate_is_found_where_it_began() -> None:
    system = with_rates(np.random.default_rng(2), (1_000.0, 0.1), (1_000.0, 0.25))

    found = steps(system)

    assert len(found.changes) == 1
    (change,) = found.changes
    assert change.earliest <= 1_000.0 <= change.latest
    assert change.at == near(1_000.0, abs=100)
    assert [(s.start, s.end) for s in found.segments] == [(0.0, change.at), (change.at, 2_000.0)]


def test_two_steps_are_found_one_after_the_other() -> None:
    system = with_rates(np.random.default_rng(4), (1_000.0, 0.1), (1_000.0, 0.4), (1_000.0, 0.1))

    found = steps(system)

    assert len(found.changes) == 2
    rates = [s.rate.rate or 0 for s in found.segments]
    assert rates[1] > 2 * max(rates[0], rates[2])


def test_every_break_lies_in_one_segment() -> None:
    system = with_rates(np.random.default_rng(5), (500.0, 0.1), (500.0, 0.5))

    found = steps(system)

    assert sum(s.rate.count for s in found.segments) == len(system.events)
    assert sum(s.end - s.start for s in found.segments) == near(1_000.0)


@pytest.mark.parametrize("events", [8, 30, 100])
def test_a_constant_rate_is_cut_no_more_often_than_announced(events: int) -> None:
    rng = np.random.default_rng(6)
    rounds = 150

    cut = sum(
        bool(steps(Observed(name="m", events=tuple(np.sort(rng.uniform(0, 1, events))), end=1.0)).changes)
        for _ in range(rounds)
    )

    # 150 rounds at 5 %: standard deviation 1.8 %
    assert cut / rounds <= 0.05 + 2.5 * 0.018


def test_five_breaks_are_too_few_to_look_for_a_step() -> None:
    system = Observed(name="m", events=(1.0, 2.0, 3.0, 4.0, 5.0), end=100.0)

    assert steps(system).changes == ()


def test_a_burst_that_begins_with_a_break_keeps_that_break() -> None:
    burst = tuple(500.0 + i for i in range(12))
    system = Observed(name="m", events=(*burst,), end=1_000.0)

    found = steps(system)

    with_breaks = [s for s in found.segments if s.rate.count]
    assert sum(s.rate.count for s in with_breaks) == 12
    assert found.segments[0].rate.count == 0
