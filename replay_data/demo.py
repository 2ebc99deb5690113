"""Runs the demo: a simulated mill, published through a real broker, collected by the real service, and analysed.

Simulator and collector are processes of their own; this one publishes, held back by what the collector has committed.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from importlib.resources import files
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion

from collector.mqtt import link
from collector.mqtt.broker import WINDOW, embedded_broker
from collector.mqtt.replay import Publisher, replay
from collector.service.announce import health_topic
from collector.settings import Mill, load_mill
from collector.stream import read_stream

AHEAD = 3000
"""Messages published and not yet committed, at most: the embedded broker keeps them in memory. (about 10 kB each)"""

PATIENCE_S = 60.0
"""How long a stage may stand still before the demo gives up. [s]"""


class DemoFailed(RuntimeError):
    """A part of the demo ended or stood still: its own message says why."""


@dataclass(slots=True)
class Stages:
    """How long each stage took. [s]"""

    took_s: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        """Take the time of a block."""
        began = time.monotonic()
        yield
        self.took_s[name] = time.monotonic() - began

    def __str__(self) -> str:
        """One line: each stage with its share of the whole."""
        whole = sum(self.took_s.values())
        parts = [f"{name} {took:.1f} s ({took / whole:.0%})" for name, took in self.took_s.items()]
        return f"{whole:.1f} s: " + ", ".join(parts)


def write_mill(folder: Path, port: int) -> Path:
    """A mill.toml for the demo in ``folder``: the shipped one, fitted to the embedded broker.

    That broker keeps the order of messages only within one subscription, so there is but one.
    """
    text = files("replay_data").joinpath("mill.toml").read_text(encoding="utf-8")
    text = text.replace("port = 1883", f'port = {port}\nwindow = {WINDOW}\nsubscribe = "ellerholm/#"', 1)
    path = folder / "mill.toml"
    path.write_text(text, encoding="utf-8")
    return path


def run_stream(folder: Path, *, days: int, seed: int, tell: Callable[[str, int], None]) -> Path:
    """Simulate, publish and collect; give the path of the demo's mill.toml, beside its store.

    tell
        Called with a stage's name and the days it has done.
    """
    with ExitStack() as stack:
        port = stack.enter_context(embedded_broker())
        path = write_mill(folder, port)
        mill = load_mill(path)
        stream = folder / "stream"
        stack.enter_context(_process("collector", _command(path, "collect", "--log-level", "warning")))
        simulator = stack.enter_context(_process("simulator", _simulate(path, stream, days, seed)))
        health = stack.enter_context(_Health(mill))
        health.wait_for(0, stood_still="the collector did not start")
        publisher = stack.enter_context(Publisher(mill.broker))
        sent = 0
        for number, file in enumerate(_days(stream, days, simulator), start=1):
            sent += replay(publisher, read_stream(file), hold=partial(health.hold, before=sent))
            tell("published", number)
        health.wait_for(sent, stood_still="the collector stopped committing")
    return path


def _command(mill: Path, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "breakhorn", "--mill", str(mill), *arguments]


def _simulate(mill: Path, stream: Path, days: int, seed: int) -> list[str]:
    return _command(mill, "simulate", str(stream), "--days", str(days), "--seed", str(seed))


@contextmanager
def _process(name: str, command: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    """A child that is asked to end when the block is left, and must have ended well."""
    environment = os.environ | {"PYTHONWARNINGS": "ignore"}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment) as child:
        try:
            yield child
        except BaseException:
            child.kill()
            raise
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
        if child.wait(PATIENCE_S) not in (0, -signal.SIGTERM):
            raise DemoFailed(f"the {name} ended with exit code {child.returncode}")


def _days(stream: Path, days: int, simulator: subprocess.Popen[bytes]) -> Iterator[Path]:
    """The files of the stream, each as soon as the simulator has written it."""
    given: set[Path] = set()
    waited_s = time.monotonic()
    while len(given) < days:
        ready = [file for file in sorted(stream.glob("*.parquet")) if file not in given]
        if ready:
            given.add(ready[0])
            yield ready[0]
            waited_s = time.monotonic()
        elif simulator.poll() not in (None, 0):
            raise DemoFailed(f"the simulator ended with exit code {simulator.returncode}")
        elif time.monotonic() - waited_s > PATIENCE_S:
            raise DemoFailed("the simulator stopped writing")
        else:
            time.sleep(0.02)


class _Health:
    """Listens to what the collector says it has committed."""

    def __init__(self, mill: Mill) -> None:
        self._broker = mill.broker
        self._topic = health_topic(mill.topic_root)
        self._said: queue.Queue[int] = queue.Queue()
        self._committed = -1
        self._client = link.build(mill.broker, client_id="breakhorn-demo", version=MQTTProtocolVersion.MQTTv5)

    def __enter__(self) -> _Health:
        self._client.on_connect = self._listen
        self._client.on_message = self._hear
        link.connect(self._client, self._broker)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _listen(self, *_: object) -> None:
        self._client.subscribe(self._topic, qos=1)

    def _hear(self, _: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        said = json.loads(message.payload)
        if said.get("status") == "up":
            self._said.put(int(said["messages"]))

    def hold(self, more: int, *, before: int) -> None:
        """Wait while more than ``AHEAD`` messages are sent and not yet committed."""
        sent = before + more
        if sent - self._committed > AHEAD:
            self.wait_for(sent - AHEAD, stood_still="the collector stopped committing")

    def wait_for(self, committed: int, *, stood_still: str) -> None:
        """Wait until so many messages are committed. Raises DemoFailed if nothing moves any more."""
        until_s = time.monotonic() + PATIENCE_S
        while self._committed < committed:
            try:
                said = self._said.get(timeout=1)
            except queue.Empty:
                said = self._committed
            if said > self._committed:
                self._committed = said
                until_s = time.monotonic() + PATIENCE_S
            elif time.monotonic() > until_s:
                raise DemoFailed(f"{stood_still} ({self._committed} of {committed} messages committed)")
