"""What is run in processes that are killed: importable, so that a fork server can start it with all imports done."""

from __future__ import annotations

import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

import breakhorn
import collector.cli
import collector.service.serve
import collector.store
from collector.message import Scan
from collector.publish import Layout, publish
from collector.writer import Writer
from tests.mills import readable_mill
from tests.stored import DAY_MS, MINUTE, NOW_MS, T0, Samples, batch, opened, scan

PRELOADED = (collector.cli, collector.service.serve, collector.store)
"""What ``breakhorn collect`` imports when it is called: here once, and not for each process that is killed."""

TURNS = 4
LAYOUT = Layout(together=3, own_file_from=100, grace_s=0)


def write_and_publish(folder: Path, steps_left: int, out: Connection) -> None:
    """Commit and publish in turns until so many steps are done, then be killed; tell each step before it ends."""
    mill = readable_mill()
    store = opened(folder, mill=mill)
    writer = Writer(store, mill)

    def step(name: str) -> None:
        nonlocal steps_left
        steps_left -= 1
        if steps_left < 0:
            out.send(name)
            os.kill(os.getpid(), signal.SIGKILL)

    for turn in range(TURNS):
        step("commit begins")
        writer.commit(batch(*turn_scans(turn)))
        out.send(turn)
        publish(store, mill, now_ms=NOW_MS, layout=LAYOUT, step=step)
    out.send("done")


def collect(mill_path: str) -> None:
    """The command, from its arguments on, until it is killed or asked to stop."""
    breakhorn.main(["--mill", mill_path, "collect", "--log-level", "error"])


def thin(folder: Path, steps_left: int, out: Connection) -> None:
    """Publish a store whose oldest day is due to be thinned, until so many steps are done, then be killed."""
    mill = readable_mill()
    mill = mill.model_copy(update={"store": mill.store.model_copy(update={"thin_after_days": 1})})
    with opened(folder, mill=mill) as store:

        def step(name: str) -> None:
            nonlocal steps_left
            steps_left -= 1
            if steps_left < 0:
                out.send(name)
                os.kill(os.getpid(), signal.SIGKILL)

        publish(store, mill, now_ms=NOW_MS, layout=LAYOUT, step=step)
    out.send("done")


def turn_scans(turn: int) -> list[Scan]:
    """Some new scans, the later ones of another day, and one that replaces what an earlier turn wrote."""
    day = turn // 3 * DAY_MS
    new = [scan(T0 + day + turn * MINUTE + i, {"a": float(i), "g": "C80"}) for i in range(3)]
    return [*new, scan(T0, {"a": 100.0 + turn, "g": "C90" if turn % 2 else "C80"})]


def after_turns(count: int) -> Samples:
    """The samples that stand there after so many turns."""
    held: Samples = {}
    for turn in range(count):
        for one in turn_scans(turn):
            for tag, value in one.values.items():
                held[one.machine, tag, one.at_ms] = (value, 0)
    return held
