"""What live scoring costs: a minute scored against the whole table built again, and what the collector loses by it.

    python -m tests.benchmarks.risk_live            some minutes
    python -m tests.benchmarks.risk_live --quick    a smoke test

CPU time where it can be (a shared machine makes wall time lie); ratios are what counts.
"""

from __future__ import annotations

import logging
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from analysis.broker.address import broker_of
from analysis.read import open_store
from analysis.risk.bulletin import bulletin
from analysis.risk.card import Card, fit, save
from analysis.risk.exposure import build
from analysis.risk.judge import judge
from analysis.risk.live import Scorer, serve, step_back
from analysis.risk.rows import primary_breaks, rows_of
from analysis.risk.settings import RiskSettings
from analysis.risk.trail import Trail, pieces_of
from analysis.risk.watch import Watch
from analysis.risk.windows import Feature, features_of, past_columns
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher, replay
from collector.service.serve import Collector
from collector.service.serve import serve as collect
from collector.settings import load_mill
from replay_data.demo import write_mill
from replay_data.simulator import simulate
from tests.risk_card import hand_card, straight
from tests.risk_mill import MINUTE_MS, Mill, planted_mill
from tests.risk_store import store_of

LOOKS = 30


def cpu_ms(work: Callable[[], object]) -> float:
    """Processor time of some work. [ms]"""
    began = time.process_time()
    work()
    return (time.process_time() - began) * 1e3


def model_of(path: Path) -> Card:
    """A model of everything in a store."""
    with open_store(path) as store:
        exposure = build(store.connection, "pm2", RiskSettings())
    return fit(exposure, judge(exposure, challenger=False), made_ms=0)


def scoring(mill: Mill, card: Card) -> list[float]:
    """Features and score of one minute, from sums kept of all that was before; no reading. [ms]"""
    past, minutes = mill.past, mill.minutes
    rows = rows_of(past, primary_breaks(past, card.settings), card.settings)
    model = card.model.bound_to(tuple(features_of(minutes.tags, minutes.units, past, card.settings)))
    trail = Trail(tags=len(minutes.tags), first=minutes.first, settings=card.settings)
    whole = list(pieces_of(minutes, rows, 1440))
    for piece in whole[:-1]:
        trail.extend(piece.minutes, rows.take(np.arange(piece.start, piece.end)), past)
    rest = rows.take(np.arange(whole[-1].start, whole[-1].end))
    found = []
    for piece in pieces_of(whole[-1].minutes, rest, 1):
        here = rest.take(np.arange(piece.start, piece.end))
        began = time.process_time()
        tags = trail.extend(piece.minutes, here, past)
        if len(here):
            facts = np.column_stack(list(past_columns(past, here))).astype(np.float32)
            model.score(np.concatenate([facts, tags], axis=1))
            found.append((time.process_time() - began) * 1e3)
    return found


def looking(path: Path, card: Card) -> tuple[list[float], list[float]]:
    """A whole look of the scorer at each of the newest minutes: open, read, score, say. Processor and clock. [ms]"""
    watch = Watch(card)
    with open_store(path) as store:
        newest = watch.look(store.connection, until_ms=(store.machine("pm2").last_ms or 0) - (LOOKS + 3) * MINUTE_MS)
    processor, clock = [], []
    for number in range(1, LOOKS + 1):
        began = time.perf_counter(), time.process_time()
        with open_store(path) as store:
            seen = watch.look(store.connection, until_ms=newest.at_ms + number * MINUTE_MS)
        bulletin(card, seen, now_ms=seen.last_ms, published_ms=0)
        clock.append((time.perf_counter() - began[0]) * 1e3)
        processor.append((time.process_time() - began[1]) * 1e3)
    return processor, clock


@contextmanager
def scorer_beside(path: Path, *, on: bool) -> Iterator[None]:
    """A process that scores what is published, each second, while the block runs."""
    if not on:
        yield
        return
    command = [sys.executable, "-m", "tests.benchmarks.risk_live", "--score", str(path)]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as scorer:
        try:
            yield
        finally:
            scorer.kill()


def score_on(path: Path) -> None:
    """Score each second, until killed."""
    step_back()
    scorer = Scorer(path, {"pm2": path.parent / "pm2.json"})
    now_ms = lambda: time.time_ns() // 1_000_000  # noqa: E731
    serve(scorer, broker_of(path), "ellerholm", ["pm2"], now_ms=now_ms, stopping=threading.Event(), poll_s=1.0)


def collected(stream: list[Message], *, beside: bool) -> tuple[float, float]:
    """Messages a second, and processor time of broker, publisher and collector a message. [1/s], [µs]"""
    with TemporaryDirectory() as name, embedded_broker() as port:
        path = write_mill(Path(name), port)
        path.write_text(path.read_text().replace("[store]", "[store]\npublish_every_s = 1", 1))
        draw = Feature(tag="press.draw", stat="mean", window_min=5)
        save(hand_card(straight(draw, slope=1.0, middle=1.8)), path.parent / "pm2.json")
        mill, started = load_mill(path), list[Collector]()
        thread = threading.Thread(target=lambda: collect(mill, version="benchmark", ready=started.append))
        thread.start()
        while not started or not started[0].connected:
            time.sleep(0.01)
        with scorer_beside(path, on=beside):
            clock, processor = time.perf_counter(), time.process_time()
            with Publisher(mill.broker) as publisher:
                replay(publisher, stream)
            while started[0].counts.messages < len(stream):
                time.sleep(0.005)
            took = time.perf_counter() - clock, time.process_time() - processor
        started[0].stop()
        thread.join()
    return len(stream) / took[0], took[1] / len(stream) * 1e6


def say(name: str, value: float, unit: str, more: str = "") -> None:
    """One line of the table."""
    sys.stdout.write(f"{name:<62}{value:>12.1f} {unit:<5}{more}\n")


def main() -> None:
    """Measure and print the table."""
    if "--score" in sys.argv:
        score_on(Path(sys.argv[-1]))
        return
    # Bad messages are part of the demo's stream; the collector's word on each is not part of this table.
    logging.disable(logging.WARNING)
    quick = "--quick" in sys.argv
    days, tags, rounds = (12, 4, 1) if quick else (90, 40, 5)
    mill = planted_mill(3, days=days, tags=tags, per_day=6)
    with TemporaryDirectory() as name:
        path = store_of(mill, Path(name))
        card = model_of(path)
        with open_store(path) as store:
            whole = cpu_ms(lambda: build(store.connection, "pm2", RiskSettings()))
        one = scoring(mill, card)
        processor, clock = looking(path, card)
    say(f"{days} days, {tags} tags: the whole table built, processor", whole, "ms")
    say("  one more minute: features and score, median", statistics.median(one), "ms", f"× {whole / np.mean(one):,.0f}")
    say("  the same, worst", max(one), "ms")
    said = f"× {whole / np.mean(processor):,.0f}"
    say("  a look: open the store, read, score, say, median", statistics.median(processor), "ms", said)
    say("  the same by the clock, median", statistics.median(clock), "ms")
    stream = [
        Message(received_ms=at, topic=topic, payload=payload)
        for day in simulate(days=1 if quick else 2, seed=1)
        for at, topic, payload in day.messages
    ]
    # In turn, so that what else the machine does meets both alike.
    turns = [(beside, collected(stream, beside=beside)) for _ in range(rounds) for beside in (False, True)]
    for beside in (False, True):
        found = [figures for which, figures in turns if which is beside]
        what = "with a scorer beside it" if beside else "alone"
        say(f"collector {what}: messages a second, median", statistics.median(f[0] for f in found), "/s")
        say("  processor time a message, median", statistics.median(f[1] for f in found), "µs")


if __name__ == "__main__":
    main()
