"""A collector that is killed again and again loses nothing and doubles nothing (the longer run is by hand)."""

from __future__ import annotations

import pytest

from tests.crash.harness import Outcome, run


@pytest.mark.crash
@pytest.mark.slow
@pytest.mark.parametrize("broker", ["embedded", "mosquitto"])
def test_what_was_sent_is_there_once_however_often_the_collector_was_killed(broker: str) -> None:
    outcome = run(kills=6, broker=broker, seed=1)

    assert outcome == Outcome(kills=6, sent=360)
