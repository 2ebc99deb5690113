"""What reading while writing costs: how old what a reader sees is, and what readers take from the collector.

    python -m tests.benchmarks.readers            some minutes
    python -m tests.benchmarks.readers --quick    a smoke test

Readers are processes of their own that open the published store, ask a question of the cookbook, close it, and begin
again without a pause. As many that only keep a processor busy, and none, are the baselines: in turn in the same run, so
that what else the machine does meets all alike.
"""

from __future__ import annotations

import json
import logging
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from analysis.cookbook import questions
from analysis.query import Refused, answered
from analysis.read import CannotRead, open_store
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher, replay
from collector.service.serve import Collector
from collector.service.serve import serve as collect
from collector.settings import load_mill
from replay_data.demo import write_mill
from replay_data.simulator import simulate

PACE_S = 0.05
ASKED = ("causes", "tags_at_a_glance", "hourly_means", "draw_before_press_breaks", "last_night", "curve_around_breaks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What the collector did while others did something.

    per_s, cpu_us
        Messages a second as fast as they go, and processor time of broker, publisher and collector a message.
    delays_s
        From publishing to committed, of messages at a mill's pace.
    """

    per_s: float
    cpu_us: float
    delays_s: list[float]


@contextmanager
def collecting(*, publish_every_s: float) -> Iterator[tuple[Path, Collector, Publisher]]:
    """A collector at work on an empty store, with a publisher at its broker."""
    with TemporaryDirectory() as name, embedded_broker() as port:
        path = write_mill(Path(name), port)
        text = path.read_text(encoding="utf-8").replace("[store]", f"[store]\npublish_every_s = {publish_every_s}", 1)
        path.write_text(text, encoding="utf-8")
        mill, started = load_mill(path), list[Collector]()
        thread = threading.Thread(target=lambda: collect(mill, version="benchmark", ready=started.append))
        thread.start()
        while not started or not started[0].connected:
            time.sleep(0.01)
        try:
            with Publisher(mill.broker) as publisher:
                yield path, started[0], publisher
        finally:
            started[0].stop()
            thread.join()


@contextmanager
def others_beside(path: Path, number: int, does: str) -> Iterator[None]:
    """So many processes that do the same without a pause while the block runs: ``--read``, or ``--burn``."""
    command = [sys.executable, "-m", "tests.benchmarks.readers", does, str(path)]
    with ExitStack() as stack:
        children = [stack.enter_context(subprocess.Popen(command, stderr=subprocess.DEVNULL)) for _ in range(number)]
        try:
            yield
        finally:
            for child in children:
                child.kill()


def read_on(path: Path) -> None:
    """Open, ask, close, and again, until killed."""
    for question in cycle(q for q in questions() if q.name in ASKED):
        try:
            with (
                open_store(path) as store,
                answered(store.connection, question.sql, question.values({}), seconds=60) as answer,
            ):
                sum(len(batch) for batch in answer.batches)
        except (CannotRead, Refused):
            # Nothing is published yet in the first moments.
            time.sleep(0.1)


def burn() -> None:
    """Keep two threads busy as a reader's are, and read nothing, until killed."""
    while True:
        duckdb.execute("SET threads = 2")
        duckdb.execute("SELECT sum(hash(range)) FROM range(20000000)").fetchall()


def scan_at(at_ms: int, value: float) -> Message:
    """One scan of a tag that nothing else sends."""
    payload = json.dumps({"ts": at_ms, "values": {"benchmark.value": value}}).encode()
    return Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=payload)


def worked(stream: list[Message], *, others: int, does: str, paced: int) -> Work:
    """The stream as fast as it goes, then single messages at a mill's pace, while others do something."""
    with collecting(publish_every_s=1) as (path, collector, publisher), others_beside(path, others, does):
        clock, processor = time.perf_counter(), time.process_time()
        replay(publisher, stream)
        while collector.counts.messages < len(stream):
            time.sleep(0.005)
        took, used = time.perf_counter() - clock, time.process_time() - processor
        delays = []
        for number in range(paced):
            published = time.perf_counter()
            replay(publisher, [scan_at(stream[-1].received_ms + (number + 1) * 1000, number)])
            while collector.counts.messages <= len(stream) + number:
                time.sleep(0.001)
            delays.append(time.perf_counter() - published)
            time.sleep(PACE_S)
    return Work(per_s=len(stream) / took, cpu_us=used / len(stream) * 1e6, delays_s=delays)


def seen(path: Path) -> float | None:
    """The newest value that a reader finds; None: none yet."""
    try:
        with open_store(path) as store:
            (row,) = store.rows("SELECT max(last_value) AS newest FROM tag WHERE tag = 'benchmark.value'")
            return None if row["newest"] is None else float(row["newest"])
    except CannotRead:
        return None


def ages(*, publish_every_s: float, seconds: float) -> list[float]:
    """How long each committed message took until a reader that looks all the time saw it. [s]"""
    committed: dict[int, float] = {}
    found: dict[int, float] = {}
    with collecting(publish_every_s=publish_every_s) as (path, collector, publisher):
        began, number = time.perf_counter(), 0
        now_ms = time.time_ns() // 1_000_000
        while time.perf_counter() - began < seconds or not found:
            number += 1
            replay(publisher, [scan_at(now_ms + number * 100, float(number))])
            while collector.counts.messages < number:
                time.sleep(0.001)
            committed[number] = time.perf_counter()
            newest = seen(path) or 0
            found |= {n: time.perf_counter() for n in committed if n <= newest and n not in found}
            time.sleep(PACE_S)
    return [found[n] - committed[n] for n in found]


def say(name: str, value: float, unit: str, more: str = "") -> None:
    """One line of the table."""
    sys.stdout.write(f"{name:<66}{value:>10.2f} {unit:<4}{more}\n")


def main() -> None:
    """Measure and print the table."""
    if "--read" in sys.argv:
        read_on(Path(sys.argv[-1]))
        return
    if "--burn" in sys.argv:
        burn()
    logging.disable(logging.WARNING)
    quick = "--quick" in sys.argv
    every_s, seconds, rounds, paced = (1.0, 4.0, 1, 20) if quick else (10.0, 65.0, 2, 100)
    aged = ages(publish_every_s=every_s, seconds=seconds)
    say(f"published each {every_s:g} s: from commit to seen, median of {len(aged)}", statistics.median(aged), "s")
    say("  the longest", max(aged), "s")
    stream = [
        Message(received_ms=at, topic=topic, payload=payload)
        for day in simulate(days=1, seed=1)
        for at, topic, payload in day.messages
    ]
    stream = stream[:200] if quick else stream
    ways = {"nobody beside it": (0, "--read"), "3 busy with nothing of its": (3, "--burn")}
    ways |= {"1 reader": (1, "--read"), "3 readers": (3, "--read")}
    turns = [
        (name, worked(stream, others=number, does=does, paced=paced))
        for _ in range(rounds)
        for name, (number, does) in ways.items()
    ]
    alone = statistics.median(work.per_s for name, work in turns if name == "nobody beside it")
    for name in ways:
        works = [work for which, work in turns if which == name]
        rate = statistics.median(work.per_s for work in works)
        say(f"{name}: messages a second", rate, "/s", f"× {rate / alone:.2f}")
        say("  processor time a message", statistics.median(work.cpu_us for work in works), "µs")
        delays = sorted(delay for work in works for delay in work.delays_s)
        say("  from publishing to committed, median", statistics.median(delays) * 1e3, "ms")
        say("  the same, 99 of 100", delays[int(len(delays) * 0.99)] * 1e3, "ms")


if __name__ == "__main__":
    main()
