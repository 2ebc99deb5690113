"""What fifty open pages of the present cost the collector, and how soon after a commit they show what happened.

    python -m tests.benchmarks.page_streams            some minutes
    python -m tests.benchmarks.page_streams --quick    a smoke test

Collector, page and readers are processes of their own; as many messages are collected without a page and with readers
at one, in turn. Ratios are what counts: processor time of the collector with readers over that without.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from functools import partial
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from analysis.broker.address import Broker
from analysis.broker.line import Line
from collector.message import Message
from collector.mqtt.broker import embedded_broker, free_port
from collector.mqtt.replay import Publisher
from collector.settings import Mill
from tests.page_server import Events
from tests.servers import accepts, wait_until
from tests.test_service import mill_at
from tests.test_stopping import events as logged
from tests.test_stopping import service

READERS = 50
DETECTORS = ("couch", "press", "predryer", "sizepress", "afterdryer", "calender", "reel")
_QUICK = (
    "\nreorder_s = 0.1\ndebounce_s = 0.1\nblind_margin_s = 0.1\ntrip_window_s = 0.3\non_reel_confirm_s = 0.5\n"
    "running_above_m_min"
)


Spent = tuple[float, float]
"""Processor time of the collector, and time by the clock. [s]"""


def main(quick: bool) -> None:
    """Measure and print."""
    messages, rounds, losses = (60, 1, 2) if quick else (4_000, 3, 20)
    readers = 5 if quick else READERS
    without: list[Spent] = []
    with_readers: list[Spent] = []
    delays: list[float] = []
    sent = 0
    with TemporaryDirectory() as name, embedded_broker() as port:
        folder = Path(name)
        mill = mill_at(folder, port, publish_every_s=5)
        text = (folder / "mill.toml").read_text()
        (folder / "mill.toml").write_text(text.replace("\nrunning_above_m_min", _QUICK, 1))
        with service(folder) as process, Publisher(mill.broker) as publisher, counted(mill) as taken:
            wait_until(lambda: "connected" in logged(folder), what="the connection")

            # Each message has its own twelve milliseconds, and all of them are over.
            times = count(time.time_ns() // 1_000_000 - (2 * rounds + 1) * messages * 12, 12)

            def spend() -> Spent:
                before, cpu_s, began_s = taken(), cpu_of(process.pid), time.monotonic()
                for number in range(1, messages + 1):
                    publisher.send(scans(number, next(times)))
                wait_until(lambda: taken() >= before + messages, seconds=600, what="the last message")
                return cpu_of(process.pid) - cpu_s, time.monotonic() - began_s

            spend()  # the first messages also pay for what is loaded and made only once
            for turn in range(rounds):
                without.append(spend())
                page_port = free_port()
                with pages(folder, readers, page_port) as events:
                    before = events()
                    with_readers.append(spend())
                    sent += events() - before
                    if turn == rounds - 1:
                        delays = delays_ms(folder, publisher, page_port, losses)
    _print(without, with_readers, messages, readers)
    print(f"events sent to all pages meanwhile: {sent:,}")
    print(
        f"commit → event at a page, {readers} more open, {len(delays)} losses: "
        f"median {statistics.median(delays):.0f} ms, longest {max(delays):.0f} ms"
    )


def _print(without: Sequence[Spent], with_readers: Sequence[Spent], messages: int, readers: int) -> None:
    print(f"{'':20} {'collector CPU ms a message':>28} {'messages/s':>12}")
    for name, runs in (("no page open", without), (f"{readers} pages open", with_readers)):
        cpu_ms = statistics.median(cpu for cpu, _ in runs) / messages * 1e3
        print(f"{name:20} {cpu_ms:28.3f} {messages / statistics.median(s for _, s in runs):12.0f}")
    ratio = statistics.median(cpu for cpu, _ in with_readers) / statistics.median(cpu for cpu, _ in without)
    print(f"collector CPU, {readers} pages open ÷ none: {ratio:.2f}")


@contextmanager
def pages(folder: Path, readers: int, port: int) -> Iterator[Callable[[], int]]:
    """The page with so many readers, who have all been told something; gives how many events they got so far."""
    command = [sys.executable, "-m", "breakhorn", "--mill", str(folder / "mill.toml"), "page", "--port", str(port)]
    with ExitStack() as stack:
        page = stack.enter_context(subprocess.Popen(command, stderr=subprocess.DEVNULL))
        stack.callback(page.terminate)
        wait_until(lambda: accepts(port), what="the page")
        crowd = [sys.executable, "-m", "tests.benchmarks.page_streams", "--readers", str(readers), str(port)]
        many = stack.enter_context(subprocess.Popen(crowd, stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True))
        stack.callback(many.kill)

        def events() -> int:
            assert many.stdin is not None
            assert many.stdout is not None
            many.stdin.write("how many\n")
            many.stdin.flush()
            return int(many.stdout.readline())

        wait_until(lambda: events() >= readers, what="the first events")
        yield events


async def read(readers: int, port: int) -> None:
    """Be so many readers; whenever a line comes on stdin, say how many events they got together."""
    got = [0]

    async def one() -> None:
        source, to = await asyncio.open_connection("127.0.0.1", port)
        to.write(f"GET /now/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        while line := await source.readline():
            got[0] += line.startswith(b"event: now")

    tasks = [asyncio.create_task(one()) for _ in range(readers)]
    loop = asyncio.get_running_loop()
    while await loop.run_in_executor(None, sys.stdin.readline):
        print(got[0], flush=True)
    for task in tasks:
        task.cancel()


def delays_ms(folder: Path, publisher: Publisher, page_port: int, losses: int) -> list[float]:
    """From the log of each loss, which the collector writes once it is committed, to its event at one more reader."""

    def until(event: str, number: int, sees: int) -> datetime:
        def told() -> list[dict[str, Any]]:
            publisher.send(scan(sees))
            return [said for said in log_of(folder) if said["event"] == event][number:]

        wait_until(told, what=event)
        return datetime.fromisoformat(told()[0]["at"])

    logs = [said["event"] for said in log_of(folder)]
    lost, back = logs.count("sheet lost"), logs.count("sheet back")
    if lost > back:
        until("sheet back", back, len(DETECTORS))
        back += 1
    reader, found = Events(page_port), list[float]()
    wait_until(lambda: reader.events, what="the first event")
    already = len(shown_losses(reader))
    for number in range(losses):
        committed = until("sheet lost", lost + number, 1)
        wait_until(partial(_shows, reader, already + number + 1), what="the event")
        found.append((shown_losses(reader)[already + number] - committed.timestamp()) * 1e3)
        until("sheet back", back + number, len(DETECTORS))
    reader.close()
    return found


def _shows(reader: Events, losses: int) -> bool:
    return len(shown_losses(reader)) >= losses


def shown_losses(reader: Events) -> list[float]:
    """When each break was first shown, by the clock on the wall. [s since 1970]"""
    first: dict[str, float] = {}
    for at_s, name, said in reader.events:
        html = said["machines"].get("pm2", ("",))[0] if name == "now" else ""
        for started in re.findall(r"<dd>break, press.*?data-since=\"(\d+)\"", html, re.DOTALL):
            first.setdefault(started, at_s)
    return list(first.values())


def log_of(folder: Path) -> list[dict[str, Any]]:
    """What the collector has logged, whole lines only."""
    lines = (folder / "log").read_text(encoding="utf-8").split("\n")[:-1]
    return [json.loads(line) for line in lines if line.startswith("{")]


def scan(sees: int) -> Message:
    """One scan at this moment."""
    at_ms = time.time_ns() // 1_000_000
    eyes = {f"sheet.{name}": place < sees for place, name in enumerate(DETECTORS)}
    payload = {"ts": at_ms, "values": {"reel.speed": 780.0, "headbox.stock_on": True, **eyes}}
    return Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=json.dumps(payload).encode())


def scans(number: int, at_ms: int) -> Message:
    """Twelve scans of 32 numbers; the sheet is lost and comes back every hundred messages."""
    sees = 7 if number // 100 % 2 == 0 else 1
    eyes = {f"sheet.{name}": place < sees for place, name in enumerate(DETECTORS)}
    values = {"reel.speed": 780.0, "headbox.stock_on": True, **eyes} | {
        f"process.tag{tag:02}": round(100 + (number * 7 + tag) % 11 / 10, 1) for tag in range(32)
    }
    said = [{"ts": at_ms + n, "values": values} for n in range(12)]
    return Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=json.dumps(said).encode())


@contextmanager
def counted(mill: Mill) -> Iterator[Callable[[], int]]:
    """How many messages the collector has taken in so far, by its own word each second."""
    newest = [0]

    def hear(_: str, payload: bytes) -> None:
        newest[0] = json.loads(payload).get("messages", 0)

    broker = Broker(host=mill.broker.host, port=mill.broker.port)
    line = Line(broker, client_id="page-streams", log=logging.getLogger("benchmark"))
    line.hear(f"{mill.topic_root}/collector/health", hear)
    with line:
        yield lambda: newest[0]


def cpu_of(process: int) -> float:
    """Processor time of a process so far. [s]"""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    if "--readers" in sys.argv:
        asyncio.run(read(int(sys.argv[-2]), int(sys.argv[-1])))
    else:
        main("--quick" in sys.argv)
