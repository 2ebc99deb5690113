"""Writes what the simulator makes to stream files, a day at a time, and the truth to a file of its own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from collector.message import Message
from collector.stream import StreamWriter
from replay_data.simulator import Day, TruthWriter, simulate


def write_days(folder: Path, *, days: int, seed: int, suffix: str) -> Iterator[tuple[int, Path]]:
    """Write ``folder/<date><suffix>`` for each day of the demo mill, and give (days done, file) as it goes.

    A file appears whole or not at all. The truth lies in a folder of its own, since nothing else may read it.
    """
    return _written(folder, simulate(days=days, seed=seed), suffix)


def write_scenario(folder: Path, *, days: int, seed: int, suffix: str) -> Iterator[tuple[int, Path]]:
    """The same for a scenario drawn by its seed, with the ``mill.toml`` that describes it."""
    from replay_data.simulator.scenario import random_scenario, scenario_mill_toml, simulate_scenario  # noqa: PLC0415

    scenario = random_scenario(seed, days=days)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "mill.toml").write_text(scenario_mill_toml(scenario), encoding="utf-8")
    return _written(folder, simulate_scenario(scenario), suffix)


def _written(folder: Path, days: Iterable[Day], suffix: str) -> Iterator[tuple[int, Path]]:
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    with TruthWriter(folder / "truth" / "truth.jsonl.gz") as truth:
        for number, day in enumerate(days, start=1):
            path = folder / f"{day.date.isoformat()}{suffix}"
            with StreamWriter(path) as stream:
                for received_ms, topic, payload in day.messages:
                    stream.write(Message(received_ms=received_ms, topic=topic, payload=payload))
            truth.write(day.truth)
            yield number, path
