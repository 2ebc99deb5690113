"""On whole machines whose causes are known, planted ones are found and nothing is found where nothing is.

A few scenarios; ``python -m tests.evidence_acceptance`` judges as many as one likes.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from replay_data.simulator.scenario import Scenario, nothing_planted, random_scenario
from tests.evidence_acceptance import TOP, evidence_of, judged
from tests.scenarios import Made

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", [0])
def test_planted_causes_stand_among_the_first(scenario_stores: Callable[[Scenario], Made], seed: int) -> None:
    made = scenario_stores(random_scenario(seed))

    found = judged(evidence_of(made.mill), made.plants, made.decoys)

    assert found.places
    assert all(place is not None and place <= TOP for place in found.places.values())
    assert found.false == ()
    assert not found.decoys_first


def test_nothing_is_claimed_where_nothing_is_planted(scenario_stores: Callable[[Scenario], Made]) -> None:
    made = scenario_stores(nothing_planted(1))

    found = judged(evidence_of(made.mill), made.plants, made.decoys)

    assert found.breaks > 100
    assert found.true == ()
    assert found.false == ()
