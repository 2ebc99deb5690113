"""Between attempts to connect there is a pause that grows, and no fight over a session."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.mqtt.backoff import FIRST_S, LASTING_S, LONGEST_S, Backoff


def test_each_failure_doubles_the_pause_up_to_half_a_minute() -> None:
    backoff = Backoff()

    waits = [backoff.after(lasted_s=0, accepted=False, taken_over=False) for _ in range(8)]

    assert waits == [0.5, 1, 2, 4, 8, 16, 30, 30]


def test_after_a_connection_that_lasted_the_pause_is_short_again() -> None:
    backoff = Backoff()
    for _ in range(5):
        backoff.after(lasted_s=0, accepted=False, taken_over=False)

    assert backoff.after(lasted_s=LASTING_S, accepted=True, taken_over=False) == FIRST_S


def test_whoever_lost_the_session_to_another_client_waits_long_at_once() -> None:
    assert Backoff().after(lasted_s=3600, accepted=True, taken_over=True) == LONGEST_S


@pytest.mark.parametrize(
    ("lasted_s", "accepted", "expected"), [(0.1, True, True), (60, True, False), (0, False, False)]
)
def test_accepted_and_soon_ended_again_and_again_is_suspicious(lasted_s: float, accepted: bool, expected: bool) -> None:
    backoff = Backoff()

    for _ in range(3):
        backoff.after(lasted_s=lasted_s, accepted=accepted, taken_over=False)

    assert backoff.suspicious is expected


@given(ends=st.lists(st.tuples(st.floats(0, 1e5), st.booleans(), st.booleans()), max_size=30))
def test_no_history_makes_a_tight_loop(ends: list[tuple[float, bool, bool]]) -> None:
    backoff = Backoff()

    waits = [backoff.after(lasted_s=lasted, accepted=accepted, taken_over=over) for lasted, accepted, over in ends]

    assert all(FIRST_S <= wait <= LONGEST_S for wait in waits)


def test_two_that_take_a_session_from_each_other_come_to_rest_at_the_longest_pause() -> None:
    """Each connection lasts as long as the other one waits."""
    ours, theirs = Backoff(), Backoff()
    wait_s = FIRST_S

    for _ in range(20):
        wait_s = ours.after(lasted_s=wait_s, accepted=True, taken_over=False)
        wait_s = theirs.after(lasted_s=wait_s, accepted=True, taken_over=False)

    assert (ours.wait_s, theirs.wait_s) == (LONGEST_S, LONGEST_S)
    assert ours.suspicious
    assert theirs.suspicious
