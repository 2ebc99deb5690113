"""Writes what the simulator makes to stream files, a day at a time, and the truth to a file of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from collector.message import Message
from collector.stream import StreamWriter
from replay_data.simulator import TruthWriter, simulate


def write_days(folder: Path, *, days: int, seed: int, suffix: str) -> Iterator[tuple[int, Path]]:
    """Write ``folder/<date><suffix>`` for each day, and give (days done, file) as it goes.

    A file appears whole or not at all. The truth lies in a folder of its own, since nothing else may read it.
    """
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    with TruthWriter(folder / "truth" / "truth.jsonl.gz") as truth:
        for number, day in enumerate(simulate(days=days, seed=seed), start=1):
            path = folder / f"{day.date.isoformat()}{suffix}"
            with StreamWriter(path) as stream:
                for received_ms, topic, payload in day.messages:
                    stream.write(Message(received_ms=received_ms, topic=topic, payload=payload))
            truth.write(day.truth)
            yield number, path
