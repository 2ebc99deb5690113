"""The service is told to end: within five seconds at any load, with nothing lost, and at once when told twice."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pytest

from collector.message import Message
from collector.mqtt.replay import Publisher
from collector.mqtt.subscriber import LEAVE_S
from collector.service.serve import DRAIN_S, LAST_WORDS_S
from collector.service.stopping import Stopping
from collector.settings import Mill, load_mill
from collector.store import Store
from tests.benchmarks.commit_delay import open_store
from tests.proxy import proxy_to
from tests.servers import wait_until
from tests.test_service import mill_at

BREAKHORN = [sys.executable, "-m", "breakhorn"]
PROMISED_S, SOON_S = 5.0, 10.0
"""Five seconds are promised on a machine of its own; tests share theirs with others."""

STARTS_MS = int(datetime(2026, 3, 4, tzinfo=UTC).timestamp() * 1000)


def heavy_messages() -> Iterator[Message]:
    """Messages of 24 scans of 32 numbers, more than the service can take in while it is watched."""
    random = np.random.default_rng(1)
    names = ["reel.speed", *(f"process.tag{number:02}" for number in range(1, 32))]
    for number in range(1_500):
        rows = np.round(random.normal(100, 5, (24, 32)), 2).tolist()
        first_ms = STARTS_MS + number * 2_400
        said = [{"ts": first_ms + i * 100, "values": dict(zip(names, row, strict=True))} for i, row in enumerate(rows)]
        yield Message(received_ms=first_ms + 2_300, topic="ellerholm/pm2/scan", payload=json.dumps(said).encode())


@contextmanager
def flooding(mill: Mill) -> Iterator[list[int]]:
    """Somebody publishes as fast as the broker takes it; gives how many messages that were so far."""
    sent, over = [0], threading.Event()

    def flood() -> None:
        with Publisher(mill.broker) as publisher:
            for message in heavy_messages():
                if over.is_set():
                    return
                publisher.send(message)
                sent[0] += 1

    thread = threading.Thread(target=flood)
    thread.start()
    try:
        yield sent
    finally:
        over.set()
        thread.join(30)


@contextmanager
def service(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The service in a process of its own."""
    command = [*BREAKHORN, "--mill", str(folder / "mill.toml"), "collect", "--log-format", "json"]
    with (folder / "log").open("wb") as log, subprocess.Popen(command, stderr=log) as process:
        try:
            yield process
        finally:
            process.kill()


def stored(mill: Mill, query: str = "SELECT count(*) FROM sample") -> int:
    path = mill.store.folder / "published.duckdb"
    if not path.exists():
        return 0
    with duckdb.connect(path, read_only=True) as connection:
        row = connection.execute(query).fetchone()
    return 0 if row is None else int(row[0])


def events(folder: Path) -> list[str]:
    """The names of what was logged, in order."""
    return [json.loads(line)["event"] for line in (folder / "log").read_text().splitlines()]


def end(process: subprocess.Popen[bytes], number: signal.Signals) -> float:
    """Send a signal; how long the process took to end. [s]"""
    began = time.monotonic()
    process.send_signal(number)
    process.wait(30)
    return time.monotonic() - began


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_told_to_end_under_full_load_the_service_commits_what_it_has_and_is_gone(
    broker_port: int, tmp_path: Path, number: signal.Signals
) -> None:
    mill = mill_at(tmp_path, broker_port, publish_every_s=1)

    with service(tmp_path) as process:
        wait_until(lambda: "connected" in events(tmp_path), what="the connection")
        with flooding(mill) as sent:
            wait_until(lambda: stored(mill) > 100_000, what="100,000 samples")
            took_s = end(process, number)
    with service(tmp_path) as process:
        wait_until(lambda: "connected" in events(tmp_path), what="the connection")
        wait_until(lambda: stored(mill) == sent[0] * 24 * 32, seconds=120, what="what the broker had kept")
        assert end(process, number) < SOON_S

    assert took_s < SOON_S
    assert process.returncode == 0
    assert stored(mill, "SELECT count(*) FROM collector_run WHERE ended_cleanly") == 2
    assert stored(mill, "SELECT count(DISTINCT (tag, sampled_at)) FROM sample") == sent[0] * 24 * 32


@pytest.mark.broker
@pytest.mark.slow
def test_told_to_end_while_a_large_day_is_merged_it_gives_that_up(mosquitto: int, tmp_path: Path) -> None:
    open_store(tmp_path, 12_000_000, loose=16)[0].close()
    mill = mill_at(tmp_path, mosquitto, publish_every_s=0.5)

    with service(tmp_path) as process:
        wait_until(lambda: "connected" in events(tmp_path), what="the connection")
        with flooding(mill):
            wait_until((mill.store.folder / "tidying" / "2026-03-01.parquet").exists, what="the merge")
            took_s = end(process, signal.SIGTERM)

    assert took_s < SOON_S
    assert process.returncode == 0
    assert not (mill.store.folder / "tidying").exists()
    with Store.open(mill.store.folder, load_mill(tmp_path / "mill.toml"), now_ms=0) as store:
        assert sum(part.row_count for part in store.parts()) >= 12_000_000


@pytest.mark.broker
def test_a_broker_that_hangs_does_not_hold_up_the_end(broker_port: int, tmp_path: Path) -> None:
    with proxy_to(broker_port) as proxy:
        mill_at(tmp_path, proxy.port)
        with service(tmp_path) as process:
            wait_until(lambda: "connected" in events(tmp_path), what="the connection")
            proxy.hold_upstream = proxy.hold_downstream = True
            took_s = end(process, signal.SIGTERM)

    assert took_s < SOON_S
    assert process.returncode == 0
    assert DRAIN_S + LAST_WORDS_S + LEAVE_S < PROMISED_S


@pytest.mark.broker
def test_without_a_broker_it_ends_as_soon(tmp_path: Path) -> None:
    mill_at(tmp_path, 9)

    with service(tmp_path) as process:
        wait_until(lambda: "no broker" in events(tmp_path), what="the first attempt to connect")
        took_s = end(process, signal.SIGTERM)

    assert took_s < SOON_S
    assert process.returncode == 0
    assert events(tmp_path)[-1] == "stopped"


ASKED_TWICE = """
import sys, time
from collector.logs import LogFormat, set_up
from collector.service.stopping import stopped_by_signals
set_up(LogFormat.JSON, "info")
with stopped_by_signals() as stopping:
    stopping.tell(lambda: print("asked", flush=True))
    import duckdb
    print("ready", flush=True)
    duckdb.execute("SELECT sum(sin(range)) FROM range(10_000_000_000_000)")
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_told_twice_it_ends_at_once_even_in_the_midst_of_a_long_query(number: signal.Signals) -> None:
    command = [sys.executable, "-c", ASKED_TWICE]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        process.send_signal(number)
        assert process.stdout.readline() == "asked\n"

        took_s = end(process, number)  # type: ignore[arg-type]

    assert process.returncode == 128 + number
    assert took_s < SOON_S


def test_who_is_there_only_after_the_end_was_asked_for_is_told_at_once() -> None:
    stopping, told = Stopping(), []
    stopping.signalled(signal.SIGTERM)

    stopping.tell(lambda: told.append("stop"))

    assert told == ["stop"]
