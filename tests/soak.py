"""Feeds a collector at full rate through a real broker, and watches its memory.

    python -m tests.soak --minutes 10
    python -m tests.soak --quick             some seconds: only that it runs and stays below the limit

Each message is a scan of 400 tags, so that the samples are many and the days few. The publisher is held back when the
collector has fallen behind: what is to be seen is the collector's memory, not the broker's. Resident memory is told
once a minute; it is flat if it is no more than a tenth higher at the end than after the warm-up.
"""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import mean

import numpy as np

from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher
from tests.servers import mosquitto_at
from tests.test_service import mill_at

TAGS = 400
STEP_MS = 20
START_MS = 1_772_330_400_000
BEHIND = 2_000
"""Messages that the collector may be behind before the publisher waits."""

WARM_UP = 0.25
"""Part of the time in which memory may still grow: buffers fill, and DuckDB takes what it may."""

GROWTH = 1.10
CEILING_MB = 900
"""Memory limit of DuckDB in this run, 400 MB, and what the rest of the process may take. [MB]"""


@dataclass(slots=True)
class Watched:
    """What was seen.

    resident_mb
        Resident memory each second. [MB]
    """

    resident_mb: list[float] = field(default_factory=list)
    messages: int = 0
    samples: int = 0

    @property
    def growth(self) -> float:
        """Mean of the last quarter over that of the first quarter after the warm-up."""
        after = self.resident_mb[round(len(self.resident_mb) * WARM_UP) :]
        quarter = max(1, len(after) // 4)
        return mean(after[-quarter:]) / mean(after[:quarter])


def messages() -> Iterator[Message]:
    """Scans without end: 400 numbers that wander, some of them still."""
    random = np.random.default_rng(1)
    names = [f"process.tag{number:03}" for number in range(TAGS)]
    values = np.round(random.normal(100, 5, (64, TAGS)), 2).tolist()
    number = 0
    while True:
        at_ms = START_MS + number * STEP_MS
        said = {"ts": at_ms, "values": dict(zip(names, values[number % 64], strict=True))}
        yield Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=json.dumps(said).encode())
        number += 1


def resident_mb(pid: int) -> float:
    """Resident memory of a process. [MB]"""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1000


def watch(folder: Path, port: int, seconds: float) -> Watched:
    """Feed a collector for so long, and watch it."""
    mill = mill_at(folder / "mill", port, store="memory_limit_mb = 400")
    watched, said = Watched(), dict[str, int]()
    command = [sys.executable, "-m", "breakhorn", "--mill", str(folder / "mill" / "mill.toml"), "collect"]
    with subprocess.Popen([*command, "--log-level", "warning"]) as collector:
        try:
            while not (mill.store.folder / "published.duckdb").exists():
                time.sleep(0.05)
            health = ("ellerholm/collector/health", lambda payload: said.update(json.loads(payload)))
            with Publisher(mill.broker, hear=health) as publisher:
                feed(publisher, said, watched, collector, seconds)
        finally:
            collector.send_signal(signal.SIGTERM)
            collector.wait(60)
    watched.samples = int(said.get("samples", 0))
    return watched


def feed(
    publisher: Publisher, said: dict[str, int], watched: Watched, collector: subprocess.Popen[bytes], seconds: float
) -> None:
    """Publish as fast as it is committed, and look at the memory each second."""
    began_s = time.monotonic()
    for message in messages():
        publisher.send(message)
        watched.messages += 1
        while watched.messages - int(said.get("messages", 0)) > BEHIND and collector.poll() is None:
            time.sleep(0.01)
        passed_s = time.monotonic() - began_s
        if passed_s >= len(watched.resident_mb) + 1:
            watched.resident_mb.append(resident_mb(collector.pid))
            if len(watched.resident_mb) % 60 == 0:
                tell(watched)
        if passed_s > seconds or collector.poll() is not None:
            return


def tell(watched: Watched) -> None:
    """One line of the table."""
    seconds = len(watched.resident_mb)
    print(f"{seconds / 60:7.1f} {watched.messages:10,} {mean(watched.resident_mb[-10:]):10.0f}", flush=True)


def main() -> None:
    """Run, print a table, and judge."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--broker", choices=["embedded", "mosquitto"], default="mosquitto")
    parser.add_argument("--quick", action="store_true")
    chosen = parser.parse_args()
    print(" minute   messages  resident MB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        server: AbstractContextManager[int] = (
            embedded_broker() if chosen.broker == "embedded" else mosquitto_at(folder / "mosquitto")
        )
        with server as port:
            watched = watch(folder, port, 12 if chosen.quick else chosen.minutes * 60)
    if not watched.resident_mb:
        sys.exit("the collector ended at once")
    tell(watched)
    seconds = len(watched.resident_mb)
    most, rate = max(watched.resident_mb), watched.samples / seconds
    print(f"{watched.samples:,} samples, {rate:,.0f} a second; at most {most:.0f} MB")
    flat = chosen.quick or watched.growth <= GROWTH
    print(f"after the warm-up memory grew {watched.growth:.2f} times: {'flat' if flat else 'NOT flat'}")
    sys.exit(0 if flat and most <= CEILING_MB else 1)


if __name__ == "__main__":
    main()
