"""Prints how fast the store takes in and gives out. Run it on a quiet machine:

python -m tests.benchmarks.store_rates
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from collector.batch import Batch
from collector.message import Scan, Value
from collector.publish import publish
from collector.settings import Mill
from collector.store import Store
from collector.writer import Writer
from tests.mills import readable_mill
from tests.stored import T0

SCAN_MS = 10_000
TAGS = 32


def scans(count: int, *, texts: int = 0) -> Iterator[Scan]:
    """Scans each 10 s: numbers that walk at a resolution of 0.1, and texts that seldom change."""
    names = [f"section.number_{i}" for i in range(TAGS - texts)]
    walk = [50.0] * len(names)
    for i in range(count):
        at_ms = _Clock.next_ms()
        walk = [value + random.gauss(0, 0.2) for value in walk]
        values: dict[str, Value] = {name: round(value, 1) for name, value in zip(names, walk, strict=True)}
        values |= {f"order.text_{j}": f"C{i // 500}" for j in range(texts)}
        yield Scan("pm2", at_ms, values, 0, at_ms + 300)


class _Clock:
    """The source time, which goes on from one measurement to the next."""

    at_ms = T0

    @classmethod
    def next_ms(cls) -> int:
        cls.at_ms += SCAN_MS
        return cls.at_ms


def batches(count: int, size: int, *, texts: int = 0) -> list[Batch]:
    """Batches with a tracker state, as the service commits them."""
    made = []
    for _ in range(count):
        taken = list(scans(size, texts=texts))
        made.append(
            Batch(scans=taken, messages=size, last_received_ms=taken[-1].heard_ms, trackers={"pm2": bytes(3_000)})
        )
    return made


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """How long it takes by the clock and of the processor. [s]"""
    clock, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - clock, time.process_time() - processor


def say(what: str, times: list[tuple[float, float]], samples: int | None = None) -> None:
    """Print the median and the best of some times."""
    clock = [clock for clock, _ in times]
    line = f"{what:<48} median {statistics.median(clock) * 1e3:8.2f} ms   best {min(clock) * 1e3:8.2f} ms"
    line += f"   processor {statistics.mean(processor for _, processor in times) * 1e3:8.2f} ms"
    if samples:
        line += f"   {samples / statistics.median(clock) / 1e6:5.2f} M/s (best {samples / min(clock) / 1e6:.2f})"
    sys.stdout.write(line + "\n")


def commits(writer: Writer, rounds: int) -> None:
    """Commit batches of several sizes; then the same ones again."""
    for size, share, texts in ((100, 1, 0), (1_000, 5, 0), (100, 1, 3), (1_000, 5, 3)):
        made = batches(rounds // share, size, texts=texts)
        times = [timed(lambda one=one: writer.commit(one)) for one in made]  # type: ignore[misc]
        say(f"commit {size} scans of {TAGS} values, {texts} of them texts", times, size * TAGS)
    again = [timed(lambda one=one: writer.commit(one)) for one in made]  # type: ignore[misc]
    say("the last ones again: repeats", again, size * TAGS)


def publishes(store: Store, mill: Mill, writer: Writer, rounds: int) -> None:
    """Publish all of that, then as a running service does."""
    say("publish all of that at once", [timed(lambda: publish(store, mill, now_ms=0))])
    times = []
    for one in batches(rounds, 1, texts=3):
        writer.commit(one)
        times.append(timed(lambda: publish(store, mill, now_ms=0)))
    say(f"publish one scan, {rounds} times", times)
    parts = store.parts()
    rows = sum(part.row_count for part in parts)
    sys.stdout.write(f"{len(parts)} parts, {rows} samples, {sum(part.bytes for part in parts) / rows:.2f} bytes each\n")


def queries(path: Path) -> None:
    """Ask the reader's file as an analyst would."""
    for query in (
        "SELECT count(*), avg(value) FROM sample WHERE machine = 'pm2' AND tag = 'section.number_7'",
        "SELECT tag, avg(value) FROM sample GROUP BY tag",
        "SELECT * FROM downtime",
    ):

        def ask(query: str = query) -> None:
            with duckdb.connect(path, read_only=True) as reader:
                reader.execute(query).fetchall()

        say(f"open and {query[:38]}", [timed(ask) for _ in range(5)])


def main() -> None:
    """Measure in a folder of its own; ``--quick`` only shows that it runs."""
    rounds = 10 if "--quick" in sys.argv else 200
    mill = readable_mill()
    with TemporaryDirectory() as name, Store.open(Path(name), mill, now_ms=0) as store:
        writer = Writer(store, mill)
        commits(writer, rounds)
        publishes(store, mill, writer, rounds)
        queries(Path(name) / "published.duckdb")


if __name__ == "__main__":
    main()
