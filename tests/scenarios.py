"""Stores of scenarios: simulated, loaded through the real collector and published, with the truth beside them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.settings import load_mill
from collector.store import Store
from replay_data.simulator import TruthWriter, read_truth
from replay_data.simulator.scenario import Scenario, scenario_mill_toml, simulate_scenario


@dataclass(frozen=True, slots=True)
class Made:
    """A scenario's store.

    mill
        Its mill.toml; the published store lies in ``store`` beside it.
    truth
        What truly happened: the rows of each table by its name.
    """

    scenario: Scenario
    mill: Path
    truth: dict[str, list[dict[str, Any]]]

    @property
    def plants(self) -> list[dict[str, Any]]:
        """The causes that were planted."""
        return self.truth.get("plant", [])

    @property
    def decoys(self) -> list[dict[str, Any]]:
        """The tags that move for other reasons."""
        return self.truth.get("decoy", [])


def make_store(scenario: Scenario, folder: Path) -> Made:
    """Simulate a scenario, load it as ``breakhorn load`` does, and publish the store."""
    path, truth = folder / "mill.toml", folder / "truth" / "truth.jsonl.gz"
    truth.parent.mkdir(parents=True)
    path.write_text(scenario_mill_toml(scenario), encoding="utf-8")
    mill = load_mill(path)
    store = Store.open(mill.store.folder, mill, now_ms=scenario.start_ms)
    try:
        store.begin_run(scenario.start_ms, "test")
        load(mill, store, _messages(scenario, truth))
        store.end_run(scenario.end_ms, True, {})
        publish(store, mill, now_ms=scenario.end_ms)
    finally:
        store.close()
    return Made(scenario, path, read_truth(truth))


def _messages(scenario: Scenario, path: Path) -> Iterator[Message]:
    with TruthWriter(path) as truth:
        for day in simulate_scenario(scenario):
            for received_ms, topic, payload in day.messages:
                yield Message(received_ms=received_ms, topic=topic, payload=payload)
            truth.write(day.truth)
