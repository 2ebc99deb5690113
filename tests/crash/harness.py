"""Kills the collector again and again while messages come in, and then asks whether anything is lost or doubled.

    python -m tests.crash.harness --kills 300 --broker mosquitto
    python -m tests.crash.harness --kills 300 --broker embedded

The publisher knows what it sent; an undisturbed ``load`` of the same messages says what must be found.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from collector.broker import embedded_broker
from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.replay import Publisher
from collector.settings import Mill
from collector.store import Store
from replay_data.simulator import simulate
from tests.servers import mosquitto_at, wait_until
from tests.test_service import ROWS, collecting, mill_at

COMPARED = ("sample", "sample_text", "downtime", "threading_attempt", "machine_state", "production", "note")


@dataclass(slots=True)
class Outcome:
    """What a run of kills left behind; all but the counts should be empty."""

    kills: int = 0
    sent: int = 0
    lost: dict[str, int] = field(default_factory=dict)
    added: dict[str, int] = field(default_factory=dict)
    inconsistencies: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing was lost, doubled or broken."""
        return not (self.lost or self.added or self.inconsistencies)


def stream(messages: int) -> list[Message]:
    """A stretch of the demo mill's messages, with a break or two and crew notes in it."""
    taken: list[Message] = []
    for day in simulate(days=30, seed=11):
        taken += [Message(received_ms=at, topic=topic, payload=payload) for at, topic, payload in day.messages]
        if len(taken) >= messages:
            break
    return taken[:messages]


def start(mill_path: Path) -> subprocess.Popen[bytes]:
    """A collector in a process of its own."""
    command = [sys.executable, "-m", "breakhorn", "--mill", str(mill_path), "collect", "--log-level", "error"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL)


def kill_again_and_again(mill_path: Path, kills: int, dice: random.Random, done: threading.Event) -> int:
    """Start, wait a little, SIGKILL; give how often it was done before the publisher was through."""
    killed = 0
    while killed < kills:
        with start(mill_path) as child:
            # From before the store is open (a start takes about a second) to in the midst of publishing.
            time.sleep(dice.uniform(0.3, 2.2))
            child.send_signal(signal.SIGKILL)
        killed += 1
    done.set()
    return killed


def send_slowly(mill: Mill, messages: list[Message], done: threading.Event) -> None:
    """Publish all, spread over the time of the kills; never stop before the last is acknowledged by the broker."""
    with Publisher(mill.broker) as publisher:
        for number, message in enumerate(messages):
            publisher.send(message)
            if not done.is_set() and number % 4 == 0:
                time.sleep(0.02)


def rows_of(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the published store."""
    with duckdb.connect(folder / "published.duckdb", read_only=True) as connection:
        return {
            view: sorted(connection.execute(f"SELECT {ROWS[view]} FROM {view}").fetchall(), key=repr)
            for view in COMPARED
        }


def samples_in(folder: Path) -> int:
    """How many samples readers find now."""
    with duckdb.connect(folder / "published.duckdb", read_only=True) as connection:
        row = connection.execute("SELECT count(*) FROM sample").fetchone()
    return 0 if row is None else int(row[0])


def finish(mill_path: Path, mill: Mill, outcome: Outcome) -> None:
    """Let a last collector take in what the broker still holds; then look into the store."""
    with start(mill_path) as child:
        quiet, last = 0, -1
        until = time.monotonic() + 120
        while quiet < 3 and time.monotonic() < until:
            time.sleep(1.5)
            now = samples_in(mill.store.folder)
            quiet, last = (quiet + 1, now) if now == last else (0, now)
        child.send_signal(signal.SIGTERM)
        child.wait(60)
    store = Store.open(mill.store.folder, mill, now_ms=0)
    outcome.inconsistencies = [str(fault) for fault in store.inconsistencies()]
    store.close()


def expected_rows(folder: Path, messages: list[Message]) -> dict[str, list[tuple[object, ...]]]:
    """What an undisturbed load of the same messages leads to."""
    folder.mkdir()
    mill = mill_at(folder, 9)
    store = Store.open(mill.store.folder, mill, now_ms=0)
    store.begin_run(0, "undisturbed")
    load(mill, store, messages, flush=False)
    publish(store, mill, now_ms=1)
    store.close()
    return rows_of(mill.store.folder)


def run(kills: int, broker: str, seed: int) -> Outcome:
    """Kill so often, and compare."""
    dice = random.Random(seed)
    outcome = Outcome()
    messages = stream(kills * 60)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = embedded_broker() if broker == "embedded" else mosquitto_at(folder / "mosquitto")
        port = stack.enter_context(server)
        (folder / "killed").mkdir()
        mill = mill_at(folder / "killed", port, publish_every_s=1)
        mill_path = folder / "killed" / "mill.toml"
        # The session must be there before the first message, or the broker keeps nothing for it.
        with collecting(mill) as first:
            wait_until(lambda: first.connected, what="the session at the broker")
        done = threading.Event()
        sender = threading.Thread(target=send_slowly, args=(mill, messages, done))
        sender.start()
        outcome.kills = kill_again_and_again(mill_path, kills, dice, done)
        sender.join()
        outcome.sent = len(messages)
        finish(mill_path, mill, outcome)
        found, wanted = rows_of(mill.store.folder), expected_rows(folder / "undisturbed", messages)
        for view in COMPARED:
            lost, added = set(wanted[view]) - set(found[view]), set(found[view]) - set(wanted[view])
            if lost:
                outcome.lost[view] = len(lost)
            if added or len(found[view]) != len(set(found[view])):
                outcome.added[view] = len(found[view]) - len(wanted[view]) or len(added)
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
    print(f"{outcome} in {time.monotonic() - began:.0f} s")
    sys.exit(0 if outcome.sound else 1)


if __name__ == "__main__":
    main()
