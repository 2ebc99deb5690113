"""How long commits wait while a large day is merged: merged between commits, and beside them.

    python -m tests.benchmarks.commit_delay            some minutes: a day of 43 million samples
    python -m tests.benchmarks.commit_delay --quick    a smoke test

A commit of some hundred samples is due every 50 ms; how late it is durable is what a message waits for. A store with
the same parts and nothing to merge is the baseline.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from collector.batch import Batch
from collector.message import Scan
from collector.publish import Layout, Publishing, publish
from collector.publish.part_file import PartWriter, Relisting, make_file
from collector.settings import load_mill
from collector.store import Store
from collector.writer import Writer
from replay_data.demo import write_mill

TAGS = 500
STARTS_MS = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
DAY_MS = 86_400_000
EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Figure:
    """How late commits were. [s]"""

    name: str
    delays_s: list[float]
    took_s: float

    def __str__(self) -> str:
        """One row of the table."""
        late = sorted(self.delays_s)
        middle, high = late[len(late) // 2], late[int(len(late) * 0.99)]
        return f"{self.name:34} {len(late):8} {middle:10.3f} {high:10.3f} {late[-1]:10.3f} {self.took_s:10.1f}"


def open_store(folder: Path, samples: int, *, loose: int) -> tuple[Store, Writer, Publishing, Callable[[], None]]:
    """A store whose first day lies in so many loose parts; gives what publishes it bit by bit, and all at once."""
    mill = load_mill(write_mill(folder, 9))
    store = Store.open(mill.store.folder, mill, now_ms=STARTS_MS)
    parts, change = PartWriter(store), Relisting()
    scans = samples // TAGS
    store.connection.execute(
        "INSERT INTO base.tag (tag_id, machine, tag) SELECT range, 'pm2', 'tag' || range FROM range(1, ?)", [TAGS + 1]
    )
    for number in range(loose):
        first, last = number * scans // loose, (number + 1) * scans // loose
        source = (
            f"(SELECT (t.range)::INTEGER AS tag_id, round(random() * 100, 2) AS value, 0::UTINYINT AS flags, "
            f"make_timestamptz({STARTS_MS * 1000}::BIGINT + s.range * {DAY_MS * 1000 // scans}) AS sampled_at "
            f"FROM range(1, {TAGS + 1}) AS t, range({first}, {last}) AS s)"
        )
        made = make_file(store.connection, parts.folder / "making.parquet", "value", source)
        assert made is not None
        change.added.append(parts.adopt(made))
    with store.transaction() as connection:
        parts.list_parts(connection, change, now_ms=STARTS_MS)
    layout = Layout(hot_at_most=1_000_000)
    at_once = partial(publish, store, mill, now_ms=STARTS_MS, layout=layout)
    return store, Writer(store, mill), Publishing(store, mill, layout=layout), at_once


def commit_meanwhile(
    store: Store, writer: Writer, between: Callable[[int], None], done: Callable[[], bool]
) -> list[float]:
    """Commit what is due each 50 ms and do something between; how late each was durable. [s]"""
    names = [f"tag{number}" for number in range(1, TAGS + 1)]
    delays, began, count = [], time.perf_counter(), 0
    while not done() or count < 40:
        due_s = began + count * EVERY_S
        time.sleep(max(0.0, due_s - time.perf_counter()))
        at_ms = STARTS_MS + DAY_MS + 7_200_000 + count * 50
        scan = Scan("pm2", at_ms, dict.fromkeys(names, float(count)), 0, at_ms)
        writer.commit(Batch(scans=[scan], messages=1, last_received_ms=at_ms))
        delays.append(time.perf_counter() - due_s)
        count += 1
        between(count)
    return delays


def measure(name: str, folder: Path, samples: int, *, loose: int, beside: bool) -> Figure:
    """Commit while the day is merged, and two seconds at least."""
    folder.mkdir()
    store, writer, publishing, at_once = open_store(folder, samples, loose=loose)

    def between(count: int) -> None:
        if beside:
            publishing.turn(now_ms=STARTS_MS, stored=0)
        if count in {2, 4}:
            # The second time the horizon is known to lie in the next day, so that the first one is closed.
            publishing.publish(now_ms=STARTS_MS) if beside else at_once()

    def done() -> bool:
        return loose == 1 or any(part.day is not None for part in store.parts())

    began = time.perf_counter()
    delays = commit_meanwhile(store, writer, between, done)
    took_s = time.perf_counter() - began
    publishing.stop()
    store.close()
    return Figure(name, delays, took_s)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    samples = 500_000 if parser.parse_args().quick else 43_200_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        figures = [
            measure("nothing to merge", folder / "none", 1_000, loose=1, beside=True),
            measure("merged between commits", folder / "between", samples, loose=16, beside=False),
            measure("merged beside the commits", folder / "beside", samples, loose=16, beside=True),
        ]
    print(f"{'way':34} {'commits':>8} {'median s':>10} {'99 % s':>10} {'longest s':>10} {'took s':>10}")
    for figure in figures:
        print(figure)


if __name__ == "__main__":
    main()
