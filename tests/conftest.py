"""Hypothesis profiles, and the servers that tests talk to."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from collector.mqtt.broker import embedded_broker
from replay_data.simulator.scenario import Scenario
from tests.cookbook_mill import cookbook_mill
from tests.nights import load_night
from tests.scenarios import Made, make_store
from tests.servers import mosquitto_at

os.environ["COLUMNS"] = "160"
"""Whoever runs the tests, lines break at the same places: whoever runs many at once may set another width."""

settings.register_profile("quick", max_examples=25, deadline=None)
settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True, print_blob=True)
settings.register_profile("thorough", max_examples=3000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "quick"))


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[int]:
    """The port of a real Mosquitto that keeps its sessions, for one test."""
    with mosquitto_at(tmp_path / "mosquitto") as port:
        yield port


@pytest.fixture(params=["embedded", "mosquitto"])
def broker_port(request: pytest.FixtureRequest) -> Iterator[int]:
    """The port of each broker in turn."""
    if request.param == "mosquitto":
        yield request.getfixturevalue("mosquitto")
    else:
        with embedded_broker() as port:
            yield port


@pytest.fixture(scope="session")
def scenario_stores(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Scenario], Made]:
    """Gives the published store of a scenario; each is made once a session."""

    @cache
    def made(scenario: Scenario) -> Made:
        return make_store(scenario, tmp_path_factory.mktemp("scenario"))

    return made


@pytest.fixture(scope="session")
def night_mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The mill.toml of the recorded night shift, loaded and published once a session; whoever writes copies it."""
    return load_night(tmp_path_factory.mktemp("night"))


@pytest.fixture(scope="session")
def small_mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The mill.toml of the store that is written by hand, whose figures can be worked with a pencil; only read it."""
    return cookbook_mill(tmp_path_factory.mktemp("small"))


@pytest.fixture
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands that write, write there."""
    monkeypatch.chdir(tmp_path)
