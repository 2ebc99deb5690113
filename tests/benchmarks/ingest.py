"""Durable ingest against two baselines in the same run: DuckDB's batch insert alone, and a row-at-a-time subscriber.

    python -m tests.benchmarks.ingest            about a minute
    python -m tests.benchmarks.ingest --quick    a smoke test

Figures are CPU µs a sample (a shared machine makes wall time lie) and, live, samples a second. Ratios are what counts.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import duckdb
import numpy as np

from collector.load import load
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher, replay
from collector.service.serve import Collector, serve
from collector.settings import Mill, load_mill
from collector.store import Store
from replay_data.demo import write_mill

TAGS = 32
START_MS = 1_770_000_000_000


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured way to store samples."""

    name: str
    samples: int
    cpu_s: float
    wall_s: float

    @property
    def cpu_us(self) -> float:
        """CPU time a sample. [µs]"""
        return self.cpu_s / self.samples * 1e6


def messages(count: int, scans: int) -> Iterator[Message]:
    """Messages of some ten-second scans of 32 numbers each, one of them the speed."""
    random = np.random.default_rng(1)
    names = ["reel.speed", *(f"process.tag{number:02}" for number in range(1, TAGS))]
    for number in range(count):
        rows = np.round(random.normal(100, 5, (scans, TAGS)), 2).tolist()
        first_ms = START_MS + number * scans * 10_000
        said = [
            {"ts": first_ms + place * 10_000, "values": dict(zip(names, row, strict=True))}
            for place, row in enumerate(rows)
        ]
        last_ms = first_ms + (scans - 1) * 10_000
        yield Message(received_ms=last_ms, topic="ellerholm/pm2/scan", payload=json.dumps(said).encode())


def timed(name: str, samples: int, work: Callable[[], None]) -> Figure:
    """Take the time of some work."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return Figure(name, samples, time.process_time() - cpu, time.perf_counter() - wall)


def batch_insert(folder: Path, samples: int, batch: int) -> Figure:
    """DuckDB alone: ready-made columns, registered and inserted a batch a transaction."""
    columns = {
        "tag_id": np.tile(np.arange(TAGS, dtype=np.int32), batch // TAGS + 1)[:batch],
        "sampled_ms": np.arange(batch, dtype=np.int64),
        "value": np.random.default_rng(1).normal(100, 5, batch).round(2),
        "flags": np.zeros(batch, dtype=np.uint8),
    }

    def work() -> None:
        with duckdb.connect(folder / "plain.duckdb") as connection:
            connection.execute(
                "CREATE TABLE hot (tag_id INTEGER, sampled_at TIMESTAMPTZ, value DOUBLE, flags UTINYINT)"
            )
            for _ in range(samples // batch):
                connection.register("batch", columns)
                connection.execute(
                    "INSERT INTO hot SELECT tag_id, make_timestamptz(sampled_ms * 1000), value, flags FROM batch"
                )
                connection.unregister("batch")

    return timed("DuckDB batch insert alone", samples // batch * batch, work)


def row_at_a_time(folder: Path, stream: list[Message]) -> Figure:
    """What a first attempt would be: decode, then executemany and a commit for each message."""
    count = sum(len(scan["values"]) for message in stream for scan in json.loads(message.payload))

    def work() -> None:
        with duckdb.connect(folder / "rows.duckdb") as connection:
            connection.execute("CREATE TABLE sample (machine VARCHAR, tag VARCHAR, sampled_at TIMESTAMPTZ, v DOUBLE)")
            for message in stream:
                rows = [
                    ("pm2", tag, datetime.fromtimestamp(scan["ts"] / 1000, UTC), value)
                    for scan in json.loads(message.payload)
                    for tag, value in scan["values"].items()
                ]
                connection.executemany("INSERT INTO sample VALUES (?, ?, ?, ?)", rows)

    return timed("row at a time (executemany)", count, work)


def _ignoring(work: Callable[..., object], *arguments: object) -> None:
    work(*arguments)


def loaded(mill: Mill, stream: list[Message], samples: int) -> Figure:
    """Our pipeline without a broker: decode, track, commit."""
    store = Store.open(mill.store.folder, mill, now_ms=0)
    store.begin_run(0, "benchmark")
    try:
        return timed("load: decode, track, commit", samples, partial(_ignoring, load, mill, store, stream))
    finally:
        store.close()


def live(folder: Path, stream: list[Message], samples: int) -> Figure:
    """Broker, publisher and collector on the same processors; the time until everything is committed."""
    with embedded_broker() as port:
        mill = load_mill(write_mill(folder, port))
        started: list[Collector] = []
        thread = threading.Thread(target=lambda: serve(mill, version="benchmark", ready=started.append))
        thread.start()
        while not started or not started[0].connected:
            time.sleep(0.01)

        def work() -> None:
            with Publisher(mill.broker) as publisher:
                replay(publisher, stream)
            while started[0].counts.messages < len(stream):
                time.sleep(0.005)

        try:
            return timed("live: publish, broker, decode, track, commit", samples, work)
        finally:
            started[0].stop()
            thread.join()


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    stream = list(messages(60 if quick else 3_000, scans=12))
    samples = len(stream) * 12 * TAGS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("live", "load"):
            (folder / part).mkdir()
        plain = batch_insert(folder, max(samples, 20_000), 20_000)
        rows = row_at_a_time(folder, stream[: 3 if quick else 25])
        figures = [
            plain,
            loaded(load_mill(write_mill(folder / "load", 9)), stream, samples),
            live(folder / "live", stream, samples),
            rows,
        ]
    print(f"{'way':46} {'samples':>9} {'CPU µs':>8} {'samples/s':>10} {'CPU ÷ insert':>13} {'× row at a time':>16}")
    for figure in figures:
        print(
            f"{figure.name:46} {figure.samples:9} {figure.cpu_us:8.2f} {figure.samples / figure.wall_s:10.0f} "
            f"{figure.cpu_us / plain.cpu_us:13.2f} {rows.cpu_us / figure.cpu_us:16.1f}"
        )


if __name__ == "__main__":
    main()
