"""A collector that is killed again and again loses nothing and doubles nothing (the longer run is by hand).

How many: the five moments in turn, eleven times each on both brokers, and ten while a store is opened: 120 kills.
A life lasts half a second on the average where nothing else is going on, and a few seconds where much is.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from collector.mqtt.broker import free_port
from tests.crash.harness import Moment, run
from tests.crash.opening import kill_while_opening, make_store, older_stores, older_versions, opens_soundly, rows_in
from tests.test_service import mill_at

pytestmark = [pytest.mark.crash, pytest.mark.slow]

KILLS, OPENINGS = 11 * len(Moment), 10


@pytest.mark.parametrize("broker", [pytest.param("mosquitto", marks=pytest.mark.broker), "embedded"])
def test_what_was_sent_is_there_once_however_often_the_collector_was_killed(broker: str) -> None:
    outcome = run(kills=KILLS, broker=broker, seed=1)

    assert outcome.sound, outcome
    assert outcome.kills == KILLS
    assert set(Moment) <= set(outcome.moments)


@pytest.mark.parametrize("begin", [*older_versions(), *older_stores()], ids=str)
def test_killed_while_it_makes_or_migrates_its_tables_it_opens_the_store_again(
    begin: int | Path, tmp_path: Path
) -> None:
    dice = random.Random(1)

    for number in range(OPENINGS):
        mill = mill_at(tmp_path / str(number), free_port())
        before = make_store(mill.store.folder, begin)
        kill_while_opening(tmp_path / str(number) / "mill.toml", mill, dice)

        assert opens_soundly(mill), number
        assert before.items() <= rows_in(mill.store.folder).items()
