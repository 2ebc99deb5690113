"""How often somebody may try: never more than a burst and what time gives back, whoever else tries."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from analysis.page.limits import MOST_REMEMBERED, Limiter

TRIES = st.lists(st.tuples(st.sampled_from("ab"), st.floats(0, 30)), min_size=1, max_size=60)


@given(tries=TRIES, burst=st.integers(1, 5), every_s=st.floats(0.5, 20))
def test_never_more_than_the_burst_and_what_time_has_given_back(
    tries: list[tuple[str, float]], burst: int, every_s: float
) -> None:
    limiter = Limiter(burst=burst, every_s=every_s)
    allowed: dict[str, list[float]] = {"a": [], "b": []}
    now_s = 0.0
    for who, later_s in tries:
        now_s += later_s
        if limiter.allows(who, now_s):
            allowed[who].append(now_s)

    for times in allowed.values():
        for first, since_s in enumerate(times):
            for last in range(first, len(times)):
                assert last - first + 1 <= burst + (times[last] - since_s) / every_s + 1e-6


@given(burst=st.integers(1, 5), every_s=st.floats(0.5, 20), tries=st.integers(1, 20))
def test_whoever_waits_as_long_as_was_said_may_try_again(burst: int, every_s: float, tries: int) -> None:
    limiter = Limiter(burst=burst, every_s=every_s)
    for _ in range(tries):
        limiter.allows("a", 100.0)

    wait_s = limiter.wait_s("a", 100.0)

    assert limiter.allows("a", 100.0 + wait_s + 1e-6)


def test_one_who_tries_too_often_keeps_nobody_else_out() -> None:
    limiter = Limiter(burst=2, every_s=60)

    first = [limiter.allows("a", 0.0) for _ in range(3)]

    assert first == [True, True, False]
    assert limiter.allows("b", 0.0)


def test_a_clock_that_goes_back_gives_nothing() -> None:
    limiter = Limiter(burst=1, every_s=10)
    limiter.allows("a", 1000.0)

    assert not limiter.allows("a", 0.0)


def test_it_does_not_grow_with_the_number_of_those_who_try() -> None:
    limiter = Limiter(burst=1, every_s=10)
    for number in range(MOST_REMEMBERED + 50):
        limiter.allows(str(number), 0.0)

    assert len(limiter._seen) == MOST_REMEMBERED
    assert limiter.allows("0", 0.0)
    assert not limiter.allows(str(MOST_REMEMBERED), 0.0)
