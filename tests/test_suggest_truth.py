"""Suggestions for what the crew left uncoded, against the causes that the simulator kept to itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.period import Period
from analysis.read import open_store
from analysis.suggest.answer import breaks_of, closely
from analysis.suggest.model import Learner
from replay_data.simulator.scenario import random_scenario
from tests.scenarios import make_store

SEEDS = (11, 12, 13)
DAYS = 60


@pytest.mark.slow
def test_they_name_the_hidden_cause_more_often_than_the_sections_most_used_cause(tmp_path: Path) -> None:
    named, usual, promised, asked = 0, 0, 0.0, 0
    for seed in SEEDS:
        made = make_store(random_scenario(seed, days=DAYS), tmp_path / str(seed))
        true = {row["downtime_id"]: row["cause"] for row in made.truth["downtime"]}
        with open_store(made.mill) as store:
            (machine,) = store.machines()
            history = store.history(machine, Period(from_ms=machine.first_ms or 0, to_ms=(machine.last_ms or 0) + 1))
            breaks = breaks_of(store, machine.machine)
            learned = [
                b for b in breaks.all if len(breaks.coded_before(b.started_ms)) >= breaks.settings.least_to_judge
            ]
            waiting = [b for b in learned if breaks.waits(b) and b.downtime_id in true]
            found = closely(store, history, breaks, waiting)
        for one, suggestion in zip(waiting, found, strict=True):
            learner = Learner(settings=breaks.settings, codes=breaks.codes)
            for before in breaks.coded_before(one.started_ms):
                learner.add(before)
            named += suggestion.causes[0].code == true[one.downtime_id]
            usual += learner.usual(one.section)[0] == true[one.downtime_id]
            promised += suggestion.causes[0].probability
            asked += 1

    assert asked >= 60
    assert named > usual
    # Binomial, three standard deviations: what is promised on average comes.
    assert abs(named - promised) < 3 * (asked / 4) ** 0.5
