"""Durable live ingest: broker, publisher and collector are processes of their own on the same processors.

    python -m tests.benchmarks.live                about five minutes
    python -m tests.benchmarks.live rates bare     only these parts; the others are pace and memory
    python -m tests.benchmarks.live --quick        a smoke test

The collector's processor time is that of its process alone, all threads together. In the same run: DuckDB's insert of
batches alone (same columns, ids, samples a commit), the inserts of a subscriber that takes row by row, and paho alone,
which acknowledges each message by hand and does nothing else. Then three machines of 500 tags, a message a machine and
second, after half an hour has been caught up with; then memory.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np

from collector.service.serve import BATCH_BYTES
from tests.benchmarks.stand.mill import write_mill
from tests.benchmarks.stand.publisher import START_MS, Plan, bodies
from tests.benchmarks.stand.run import Broker, Ran, Subscriber, bare, collector, embedded, mosquitto, run

BROKERS: dict[str, Callable[[Path], AbstractContextManager[Broker]]] = {
    "Mosquitto": mosquitto,
    "embedded": lambda folder: embedded(),
}
MACHINES = ("pm1", "pm2", "pm3")


@dataclass(frozen=True, slots=True)
class Case:
    """Messages of so many samples, and how many."""

    samples: int
    messages: int

    def together(self, window: int) -> int:
        """Samples a commit: half the window, or what the collector takes together of bytes."""
        size = len(bodies(self.samples)[0])
        return self.samples * min(window // 2, max(1, BATCH_BYTES // size), self.messages)


def cpu_us_of_insert(samples: int, together: int) -> float:
    """DuckDB alone: ready-made columns, a batch a transaction, set as the collector's store is. [µs of CPU a sample]"""
    tags = max(1, min(500, together))
    columns = {
        "tag_id": np.tile(np.arange(tags, dtype=np.int32), together // tags + 1)[:together],
        "at_us": np.repeat(START_MS * 1000 + np.arange(together // tags + 1) * 1_000_000, tags)[:together],
        "value": np.random.default_rng(1).normal(100, 5, together).round(2),
        "flags": np.zeros(together, dtype=np.uint8),
    }
    times = max(2, samples // together)
    with tempfile.TemporaryDirectory() as name:
        config: dict[str, str | bool | int | float | list[str]] = {"threads": 1, "checkpoint_threshold": "64MB"}
        with duckdb.connect(Path(name) / "plain.duckdb", config=config) as connection:
            connection.execute(
                "CREATE TABLE hot (tag_id INTEGER, sampled_at TIMESTAMPTZ, value DOUBLE, flags UTINYINT)"
            )
            began = time.process_time()
            for _ in range(times):
                connection.register("batch", columns)
                connection.execute("INSERT INTO hot SELECT tag_id, make_timestamptz(at_us), value, flags FROM batch")
                connection.unregister("batch")
            return (time.process_time() - began) / (times * together) * 1e6


def cpu_us_of_rows(samples: int, messages: int) -> float:
    """What a first attempt would do with each message: decode, executemany, commit. [µs of CPU a sample]"""
    said = bodies(samples)
    with tempfile.TemporaryDirectory() as name, duckdb.connect(Path(name) / "rows.duckdb") as connection:
        connection.execute("CREATE TABLE sample (machine VARCHAR, tag VARCHAR, sampled_at TIMESTAMPTZ, value DOUBLE)")
        began = time.process_time()
        for number in range(messages):
            at = datetime.fromtimestamp(START_MS / 1000 + number, UTC)
            values = json.loads(said[number % len(said)])
            rows = [("pm2", tag, at, value) for tag, value in values.items() if not isinstance(value, str)]
            connection.executemany("INSERT INTO sample VALUES (?, ?, ?, ?)", rows)
        return (time.process_time() - began) / (messages * samples) * 1e6


@contextmanager
def collecting(
    make: str, *, machines: tuple[str, ...] = ("pm2",), every_s: float = 0.01
) -> Iterator[tuple[Broker, Subscriber]]:
    """A broker and a collector with an empty store."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = stack.enter_context(BROKERS[make](folder / "broker"))
        mill = write_mill(
            folder, port=broker.port, window=broker.window, machines=machines, one_filter=make != "Mosquitto"
        )
        yield broker, stack.enter_context(collector(mill, folder, every_s=every_s))


def one_case(make: str, case: Case) -> tuple[Ran, float]:
    """A run, and DuckDB's insert alone before and after it, whichever was cheaper. [µs of CPU a sample]"""
    with collecting(make) as (broker, subscriber):
        together = case.together(broker.window)
        samples = min(3_000_000, case.messages * case.samples)
        before = cpu_us_of_insert(samples, together)
        ran = run(Plan(messages=case.messages, samples=case.samples), broker, subscriber)
        return ran, min(before, cpu_us_of_insert(samples, together))


def at_full_rate(make: str, cases: list[Case], *, rows: int) -> None:
    """The table of a broker."""
    print(
        f"\n{make:10} {'samples a message':>17} {'msg/s':>8} {'samples/s':>10} {'CPU µs a message: collector':>27} "
        f"{'broker':>7} {'publisher':>9} {'CPU µs a sample':>15} {'÷ insert':>8} {'row at a time ÷':>15} {'load':>5}"
    )
    for case in cases:
        ran, insert_us = one_case(make, case)
        slow_us = cpu_us_of_rows(case.samples, max(2, rows // case.samples))
        each_us = ran.cpu_s / ran.samples * 1e6
        print(
            f"{'':10} {case.samples:17} {ran.messages / ran.wall_s:8,.0f} {ran.samples / ran.wall_s:10,.0f} "
            f"{ran.cpu_s / ran.messages * 1e6:27.1f} {ran.broker_cpu_s / ran.messages * 1e6:7.1f} "
            f"{ran.publisher_cpu_s / ran.messages * 1e6:9.1f} {each_us:15.3f} {each_us / insert_us:8.1f} "
            f"{slow_us / each_us:15.0f} {os.getloadavg()[0]:5.1f}",
            flush=True,
        )


def against_bare(make: str, messages: int, rounds: int) -> None:
    """One sample a message: ours and paho alone in turn, at the same broker and with the same version of MQTT."""
    print(f"\n{make}, one sample a message, MQTT 5, in turn: the collector ÷ paho alone with manual acknowledgement")
    plan = Plan(messages=messages, samples=1)
    for _ in range(rounds):
        with collecting(make) as (broker, subscriber):
            ours = run(plan, broker, subscriber)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with BROKERS[make](folder / "broker") as broker, bare(broker, folder) as subscriber:
                theirs = run(plan, broker, subscriber)
        print(
            f"  {ours.messages / ours.wall_s:8,.0f} ÷ {theirs.messages / theirs.wall_s:8,.0f} msg/s = "
            f"{theirs.wall_s / ours.wall_s:5.0%};  CPU µs a message {ours.cpu_s / messages * 1e6:5.1f}, "
            f"{theirs.cpu_s / messages * 1e6:5.1f};  load {os.getloadavg()[0]:.1f}",
            flush=True,
        )


def at_the_pace_of_a_mill(seconds: int, caught_up_s: int) -> None:
    """Three machines, a message a machine and second.

    caught_up_s
        So much of the past comes before at full rate: the tracker remembers half an hour. [s]
    """
    with collecting("Mosquitto", machines=MACHINES, every_s=0.5) as (broker, subscriber):
        time.sleep(2)
        before, began_s = subscriber.board.read(), time.monotonic()
        time.sleep(max(2, seconds // 5))
        idle, idle_s = subscriber.board.read(), time.monotonic() - began_s
        past = Plan(messages=3 * caught_up_s, samples=500, machines=MACHINES, before_now_s=caught_up_s)
        run(past, broker, subscriber)
        now = Plan(messages=3 * seconds, samples=500, machines=MACHINES, real_s=seconds)
        ran = run(now, broker, subscriber)
        together = 3 * 500
        insert_us = cpu_us_of_insert(together * 200, together)
        print(
            f"\n3 machines × 500 tags × 1 Hz for {seconds} s: {ran.cpu_s / ran.wall_s:.2%} of a core, "
            f"{ran.cpu_s / ran.samples * 1e6 / insert_us:.1f} × DuckDB's insert of a second's samples a commit "
            f"({insert_us * together / 1e6:.2%}); idle {(idle.cpu_ns - before.cpu_ns) / 1e9 / idle_s:.2%}; "
            f"resident {idle.resident / 1e6:.0f} MB idle, {ran.seen.resident / 1e6:.0f} MB at work, "
            f"{ran.seen.most_resident / 1e6:.0f} MB at most; load {os.getloadavg()[0]:.1f}",
            flush=True,
        )


def memory(messages: int) -> None:
    """Resident memory: at full rate, and when a night's backlog comes at once."""
    print("\nresident memory at most [MB]")
    with collecting("Mosquitto") as (broker, subscriber):
        for number, samples in enumerate((1, 50, 500)):
            plan = Plan(messages=messages, samples=samples, first=number * messages)
            ran = run(plan, broker, subscriber)
            print(f"  {samples:4} samples a message: {ran.seen.most_resident / 1e6:.0f}", flush=True)
        backlog = Plan(messages=messages, samples=50, first=3 * messages, ahead=10**9)
        ran = run(backlog, broker, subscriber)
        print(f"  a backlog of {messages:,} messages of 50: {ran.seen.most_resident / 1e6:.0f}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="All, if none is named.")
    given = parser.parse_args()
    print(f"load of the computer at the start: {os.getloadavg()[0]:.1f}")
    for part in given.parts or PARTS:
        PARTS[part](40 if given.quick else 1)


def _rates(less: int) -> None:
    cases = [Case(1, 40_000 // less), Case(50, 60_000 // less), Case(500, 16_000 // less)]
    for make in BROKERS:
        at_full_rate(make, cases if less == 1 else cases[1:2], rows=5_000 // min(less, 10))


PARTS: dict[str, Callable[[int], None]] = {
    "rates": _rates,
    "bare": lambda less: against_bare("Mosquitto", 80_000 // less, max(1, 4 // less)),
    "pace": lambda less: at_the_pace_of_a_mill(max(4, 90 // less), 2_000 // less),
    "memory": lambda less: memory(20_000 // less),
}
"""Each part, made so many times smaller."""


if __name__ == "__main__":
    main()
