"""What is counted or observed is possible, or is refused where it is made."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from analysis.runnability.observed import Counted, Observed, Tally

IMPOSSIBLE: list[tuple[Callable[[], object], str]] = [
    (lambda: Observed(name="felt", events=(), end=0.0), "is not a window"),
    (lambda: Observed(name="felt", events=(), end=10.0, start=10.0), "is not a window"),
    (lambda: Observed(name="felt", events=(), end=10.0, start=-1.0), "is not a window"),
    (lambda: Observed(name="felt", events=(3.0, 2.0), end=10.0), "in order of time"),
    (lambda: Observed(name="felt", events=(4.0,), end=10.0, start=4.0), "outside the window"),
    (lambda: Observed(name="felt", events=(10.5,), end=10.0), "outside the window"),
    (lambda: Observed(name="felt", events=(9.0,), end=10.0, ended_by_event=True), "said to end"),
    (lambda: Observed(name="felt", events=(), end=10.0, ended_by_event=True), "said to end"),
    (lambda: Counted(events=-1, hours=1.0), "is not a count"),
    (lambda: Counted(events=0, hours=0.0), "is not a count"),
    (lambda: Tally(counts=(1,), hours=()), "1 counts, 0 exposures"),
    (lambda: Tally(counts=(1,), hours=(1.0,), labels=("a", "b")), "2 labels"),
    (lambda: Tally(counts=(-1,), hours=(1.0,)), "cannot be negative"),
    (lambda: Tally(counts=(0,), hours=(-1.0,)), "cannot be negative"),
    (lambda: Tally(counts=(1,), hours=(0.0,)), "needs on-reel time"),
]


@pytest.mark.parametrize(("make", "said"), IMPOSSIBLE, ids=range(len(IMPOSSIBLE)))
def test_what_cannot_be_is_refused_with_the_reason(make: Callable[[], object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        make()


def test_what_lies_at_the_edge_is_taken() -> None:
    assert Observed(name="felt", events=(2.0, 2.0, 10.0), end=10.0, ended_by_event=True).end == 10.0
    assert Counted(events=0, hours=0.5).rate == 0.0
    assert Tally(counts=(0, 1), hours=(0.0, 1.0), labels=("a", "b")).total == Counted(events=1, hours=1.0)
