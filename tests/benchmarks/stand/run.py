"""One live run: a broker, a publisher and a subscriber, each in a process of its own, and what each of them took."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from collector.mqtt.broker import WINDOW, embedded_broker
from tests.benchmarks.stand.board import Board, Seen
from tests.benchmarks.stand.publisher import Plan
from tests.servers import mosquitto_at

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker that runs.

    pid
        Its process.
    window
        Messages that it leaves unacknowledged at most.
    """

    name: str
    port: int
    pid: int
    window: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What came of a run.

    wall_s
        From the first message published to the last one safe. [s]
    cpu_s, broker_cpu_s, publisher_cpu_s
        Processor time of the subscriber, the broker and the publisher in that time. [s]
    """

    messages: int
    samples: int
    wall_s: float
    cpu_s: float
    broker_cpu_s: float
    publisher_cpu_s: float
    seen: Seen


@contextmanager
def mosquitto(folder: Path) -> Iterator[Broker]:
    """Mosquitto that keeps its sessions, as in production: it writes them down when it ends, and now and then."""
    with mosquitto_at(folder, more=["autosave_interval 1800", "max_inflight_messages 1000"]) as port:
        yield Broker("Mosquitto", port, _listens_at(port), 1000)


@contextmanager
def embedded() -> Iterator[Broker]:
    """The embedded broker."""
    with embedded_broker() as port:
        yield Broker("embedded", port, _listens_at(port), WINDOW)


def _listens_at(port: int) -> int:
    """The child of ours that listens at a port."""
    mine = {int(pid) for pid in Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii").split()}
    sockets = set()
    for line in Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]:
        fields = line.split()
        if fields[1].endswith(f":{port:04X}") and fields[3] == "0A":
            sockets.add(f"socket:[{fields[9]}]")
    for pid in mine:
        for file in Path(f"/proc/{pid}/fd").iterdir():
            if file.is_symlink() and os.readlink(file) in sockets:
                return pid
    raise LookupError(f"no child of ours listens at {port}")


def cpu_s(pid: int) -> float:
    """Processor time of another process so far. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S


class Subscriber:
    """A process that takes in what is published, and shows on a board what it has done."""

    def __init__(self, module: str, board: Path, *arguments: str) -> None:
        """Start it, and wait until the broker has taken it in."""
        self.board_path = board
        self.board = Board(board)
        command = [sys.executable, "-m", f"tests.benchmarks.stand.{module}", *arguments]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=None, text=True)
        if self.process.stdout is None or self.process.stdout.readline() != "ready\n":
            self.end()
            raise RuntimeError(f"{module} did not begin")

    def end(self) -> Seen:
        """Let it end; give its last numbers."""
        self.process.communicate()
        seen = self.board.read()
        self.board.close()
        return seen


@contextmanager
def collector(mill: Path, folder: Path, *, every_s: float = 0.01, profile: Path | None = None) -> Iterator[Subscriber]:
    """The collector itself."""
    board = folder / "board"
    more = [] if profile is None else [str(profile)]
    subscriber = Subscriber("collecting", board, str(mill), str(board), str(every_s), *more)
    try:
        yield subscriber
    finally:
        if subscriber.process.returncode is None:
            subscriber.end()


@contextmanager
def bare(broker: Broker, folder: Path) -> Iterator[Subscriber]:
    """paho alone."""
    board = folder / "bare-board"
    board.unlink(missing_ok=True)
    subscriber = Subscriber("bare", board, str(broker.port), str(broker.window), str(board), "0.01")
    try:
        yield subscriber
    finally:
        if subscriber.process.returncode is None:
            subscriber.end()


def run(plan: Plan, broker: Broker, subscriber: Subscriber) -> Ran:
    """Publish as planned; give what it took until all of it was safe."""
    plan = replace(plan, port=broker.port, board=str(subscriber.board_path))
    before, broker_s = subscriber.board.read(), cpu_s(broker.pid)
    command = [sys.executable, "-m", "tests.benchmarks.stand.publisher", plan.dumps()]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as publisher:
        if publisher.stdout is not None:
            publisher.stdout.readline()
        began_s = time.perf_counter()
        said, _ = publisher.communicate()
    if publisher.returncode:
        raise RuntimeError("the publisher gave up")
    wait_for(subscriber, before.messages + plan.messages)
    wall_s, seen = time.perf_counter() - began_s, subscriber.board.read()
    return Ran(
        messages=plan.messages,
        samples=plan.messages * plan.samples,
        wall_s=wall_s,
        cpu_s=(seen.cpu_ns - before.cpu_ns) / 1e9,
        broker_cpu_s=cpu_s(broker.pid) - broker_s,
        publisher_cpu_s=float(said),
        seen=seen,
    )


def wait_for(subscriber: Subscriber, messages: int) -> None:
    """Wait until so many messages are safe."""
    while subscriber.board.read().messages < messages:
        if subscriber.process.poll() is not None:
            raise RuntimeError("the subscriber ended early")
        time.sleep(0.005)
