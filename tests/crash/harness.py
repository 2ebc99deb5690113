"""Kills the collector again and again while messages come in, and asks each time whether anything is lost or doubled.

    python -m tests.crash.harness --kills 300 --broker mosquitto
    python -m tests.crash.harness --kills 300 --broker embedded

The publisher knows what it sent; an undisturbed ``load`` of the same messages says what must be found at the end. After
each kill a copy of the store must open and pass its own consistency query. Some kills come at random, others at the
moment when a mark appears on the disk: the log grows (a commit), a part appears (a roll-out to Parquet), the reader's
file is being made. A fork server with all imports done starts the processes, in a tenth of the time.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from enum import StrEnum
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import duckdb

from collector.load import load
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher
from collector.publish import publish
from collector.settings import Mill
from collector.store import Store
from replay_data.simulator import simulate
from tests.killed import collect
from tests.servers import mosquitto_at, wait_until
from tests.test_service import ROWS, mill_at

COMPARED = ("sample", "sample_text", "downtime", "threading_attempt", "machine_state", "production", "note")
A_LIFE = 30
"""Messages that may be sent while one process lives."""

LAST = "harness.last"
"""A tag that only the last message of all has."""

_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(["tests.killed"])


class Moment(StrEnum):
    """When a process is killed."""

    STARTING = "starting"
    ANY = "any"
    COMMITTING = "committing"
    ROLLING_OUT = "rolling out"
    PUBLISHING = "publishing"


@dataclass(slots=True)
class Outcome:
    """What a run of kills left behind; all but the counts should be empty.

    moments
        How many of the kills came when; where the mark on the disk was not seen in time, that is said.
    """

    kills: int = 0
    sent: int = 0
    moments: Counter[str] = field(default_factory=Counter)
    lost: dict[str, int] = field(default_factory=dict)
    added: dict[str, int] = field(default_factory=dict)
    inconsistencies: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing was lost, doubled or broken."""
        return not (self.lost or self.added or self.inconsistencies)


def stream(messages: int) -> list[Message]:
    """A stretch of the demo mill's messages, breaks and crew notes among them, and one that is known as the last."""
    taken: list[Message] = []
    for day in simulate(days=60, seed=11):
        taken += [Message(received_ms=at, topic=topic, payload=payload) for at, topic, payload in day.messages]
        if len(taken) >= messages:
            break
    del taken[messages:]
    last_ms = max(message.received_ms for message in taken) + 1_000
    payload = json.dumps({"ts": last_ms, "values": {LAST: 1}}).encode()
    return [*taken, Message(received_ms=last_ms, topic="ellerholm/pm2/scan", payload=payload)]


def start(mill_path: Path) -> ForkServerProcess:
    """A collector in a process of its own."""
    process = _CONTEXT.Process(target=collect, args=(str(mill_path),))
    process.start()
    return process


def end(process: ForkServerProcess, number: signal.Signals) -> None:
    """Send a signal and wait for the end."""
    if process.pid is not None:
        os.kill(process.pid, number)
    process.join(60)
    assert process.exitcode == (-number if number == signal.SIGKILL else 0), process.exitcode
    process.close()


def seen_change(look: Callable[[], object], *, times: int, seconds: float = 8.0) -> bool:
    """Wait until what can be seen has changed so often; False if it does not within so long."""
    until, before = time.monotonic() + seconds, look()
    while times and time.monotonic() < until:
        now = look()
        if now != before:
            before, times = now, times - 1
        time.sleep(0.0005)
    return not times


def size_of(path: Path) -> int:
    """Size of a file; -1 if there is none. [bytes]"""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return -1


def await_moment(moment: Moment, folder: Path, dice: random.Random) -> bool:
    """Wait until a process that was just started should be killed; False if the moment did not come."""
    log, parts, made = folder / "collector.duckdb.wal", folder / "parts", folder / "published.duckdb.new"
    came, longest_s = True, 0.03
    match moment:
        case Moment.STARTING:
            longest_s = 0.2
        case Moment.ANY:
            came, longest_s = seen_change(lambda: size_of(log), times=1), 1.0
        case Moment.COMMITTING:
            came, longest_s = seen_change(lambda: size_of(log), times=dice.randint(2, 12)), 0.0
        case Moment.ROLLING_OUT:
            came = seen_change(lambda: {entry.name for entry in os.scandir(parts)}, times=1)
        case Moment.PUBLISHING:
            came = seen_change(lambda: size_of(made), times=dice.randint(1, 4))
    time.sleep(dice.uniform(0, longest_s))
    return came


def copied(folder: Path, target: Path) -> Path:
    """A copy of a store as it lies there; its parts, which nobody changes, as links."""
    target.mkdir()
    for name in ("collector.duckdb", "collector.duckdb.wal"):
        if (folder / name).exists():
            shutil.copyfile(folder / name, target / name)
    (target / "parts").mkdir()
    for part in (folder / "parts").iterdir():
        os.link(part, target / "parts" / part.name)
    return target


def faults_of(folder: Path, mill: Mill) -> list[str]:
    """What is wrong with the store of a process that was killed; looks at a copy, so as not to heal anything."""
    with tempfile.TemporaryDirectory(dir=folder.parent) as name:
        copy = copied(folder, Path(name) / "store")
        with Store.open(copy, mill, now_ms=0) as store:
            return [str(fault) for fault in store.inconsistencies()]


def kill_again_and_again(
    mill_path: Path, mill: Mill, dice: random.Random, outcome: Outcome, kills: int, allow: Callable[[], None]
) -> None:
    """Start, wait for a moment, SIGKILL, look at the store; so many times."""
    moments = list(Moment)
    for number in range(kills):
        moment = moments[number % len(moments)]
        allow()
        process = start(mill_path)
        came = await_moment(moment, mill.store.folder, dice)
        end(process, signal.SIGKILL)
        outcome.kills += 1
        outcome.moments[moment if came else "moment that did not come"] += 1
        outcome.inconsistencies += faults_of(mill.store.folder, mill)
        if sys.stderr.isatty():
            print(f"\r{outcome.kills} kills …", end="", file=sys.stderr)


def send(mill: Mill, messages: list[Message], allowed: threading.Semaphore, dice: random.Random) -> None:
    """Publish all, as many in each life as are allowed; returns when the broker has acknowledged the last."""
    with Publisher(mill.broker) as publisher:
        for message in messages:
            allowed.acquire()
            publisher.send(message)
            time.sleep(dice.uniform(0, 0.02))


def rows_of(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the published store."""
    with duckdb.connect(folder / "published.duckdb", read_only=True) as connection:
        return {
            view: sorted(connection.execute(f"SELECT {ROWS[view]} FROM {view}").fetchall(), key=repr)
            for view in COMPARED
        }


def has_last(folder: Path) -> bool:
    """Whether readers find the last message of all."""
    with duckdb.connect(folder / "published.duckdb", read_only=True) as connection:
        return connection.execute("SELECT 1 FROM sample WHERE tag = ?", [LAST]).fetchone() is not None


def finish(mill_path: Path, mill: Mill) -> list[str]:
    """Let a last collector take in what the broker still holds; what is wrong with the store then."""
    process = start(mill_path)
    wait_until(lambda: has_last(mill.store.folder), seconds=900, what="the last message")
    end(process, signal.SIGTERM)
    return faults_of(mill.store.folder, mill)


def expected_rows(folder: Path, messages: list[Message]) -> dict[str, list[tuple[object, ...]]]:
    """What an undisturbed load of the same messages leads to."""
    mill = mill_at(folder, 9)
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "undisturbed")
        load(mill, store, messages, flush=False)
        publish(store, mill, now_ms=1)
    return rows_of(mill.store.folder)


def begin_session(mill_path: Path, mill: Mill) -> None:
    """The broker keeps nothing for us before we have been there once."""
    up = threading.Event()
    with Publisher(mill.broker, hear=(f"{mill.topic_root}/collector/health", lambda _: up.set())):
        process = start(mill_path)
        wait_until(up.is_set, what="the first health message")
        end(process, signal.SIGTERM)


def compare(
    found: dict[str, list[tuple[object, ...]]], wanted: dict[str, list[tuple[object, ...]]], to: Outcome
) -> None:
    """Note what is missing and what is too many."""
    for view in COMPARED:
        missing, surplus = Counter(wanted[view]), Counter(found[view])
        missing.subtract(found[view])
        surplus.subtract(wanted[view])
        if lost := sum((+missing).values()):
            to.lost[view] = lost
        if added := sum((+surplus).values()):
            to.added[view] = added


def run(kills: int, broker: str, seed: int) -> Outcome:
    """Kill so often, and compare."""
    outcome, messages = Outcome(), stream(kills * A_LIFE)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = embedded_broker() if broker == "embedded" else mosquitto_at(folder / "mosquitto")
        mill = mill_at(folder / "killed", stack.enter_context(server), publish_every_s=0.3)
        mill_path = folder / "killed" / "mill.toml"
        begin_session(mill_path, mill)
        allowed = threading.Semaphore(0)
        sender = threading.Thread(target=send, args=(mill, messages, allowed, random.Random(seed + 1)), daemon=True)
        sender.start()
        dice = random.Random(seed)
        kill_again_and_again(mill_path, mill, dice, outcome, kills, lambda: allowed.release(A_LIFE))
        allowed.release(len(messages))
        sender.join(60)
        outcome.sent = len(messages)
        outcome.inconsistencies += finish(mill_path, mill)
        compare(rows_of(mill.store.folder), expected_rows(folder / "undisturbed", messages), outcome)
    return outcome


def main() -> None:
    """Run and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--broker", choices=["embedded", "mosquitto"], default="mosquitto")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    began = time.monotonic()
    outcome = run(chosen.kills, chosen.broker, chosen.seed)
    moments = ", ".join(f"{count} {moment}" for moment, count in sorted(outcome.moments.items()))
    print(f"{outcome.kills} kills on {chosen.broker} ({moments}), {outcome.sent:,} messages sent, ", end="")
    print(f"lost {outcome.lost}, added {outcome.added}, inconsistencies {outcome.inconsistencies} ", end="")
    print(f"in {time.monotonic() - began:.0f} s")
    sys.exit(0 if outcome.sound else 1)


if __name__ == "__main__":
    main()
