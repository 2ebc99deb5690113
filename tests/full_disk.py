"""A collector on a disk of its own that fills up and gets room again: run within a user name space.

    unshare -rm python -m tests.full_disk FOLDER PORT commit

Says in one line of JSON what was heard and found.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.message import Message
from collector.mqtt.replay import Publisher, replay
from collector.publish import publish
from collector.service.serve import Collector
from collector.settings import Mill, load_mill
from collector.store import Store
from tests.crash.harness import stream
from tests.servers import wait_until
from tests.stored import NOW_MS
from tests.test_service import loaded, mill_at, rows

MESSAGES = 300
DISK_MB = 60
PAGE = 4096
"""What a file system of memory gives out at once. [bytes]"""


class Listener:
    """Hears what the collector says of itself."""

    def __init__(self, port: int) -> None:
        """Listen at a broker."""
        self.heard: list[dict[str, object]] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_message = lambda _, __, message: self.heard.append(json.loads(message.payload))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        wait_until(self._client.is_connected, what="the listener's connection")
        self._client.subscribe("ellerholm/collector/health", 1)

    def status(self) -> str:
        """The last word."""
        return str(self.heard[-1]["status"]) if self.heard else ""

    def close(self) -> None:
        """Go."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def collecting_into(store: Store, mill: Mill) -> Iterator[Collector]:
    """A collector at work on an open store; an error in it is raised at the end."""
    collector, errors = Collector(mill, store), []

    def run() -> None:
        try:
            collector.run()
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield collector
    finally:
        collector.stop()
        thread.join(30)
    if errors:
        raise errors[0]


@contextmanager
def ballast(folder: Path, *, leave: int) -> Iterator[None]:
    """Take all the room but some bytes, and what becomes free meanwhile, as when a published file is replaced."""
    path, done = folder / "ballast", threading.Event()

    def spare() -> int:
        return shutil.disk_usage(folder).free - leave

    def fill() -> None:
        with path.open("ab", buffering=0) as file:
            while not done.wait(0.01):
                if spare() >= PAGE:
                    with suppress(OSError):  # the collector was quicker to take it
                        file.write(bytes(spare()))

    thread = threading.Thread(target=fill)
    thread.start()
    try:
        wait_until(lambda: spare() < PAGE, what="the full disk")
        yield
    finally:
        done.set()
        thread.join()
        path.unlink()


def limited(mill_file: Path, min_free_mb: float) -> Mill:
    """The mill with another reserve of room."""
    text = mill_file.read_text()
    mill_file.write_text(text.replace("[store]", f"[store]\nmin_free_mb = {min_free_mb}"))
    return load_mill(mill_file)


def fill_and_free(folder: Path, port: int, harm: str) -> dict[str, object]:
    """Publish a third, fill the disk, publish a third, make room, publish the rest; say what came of it.

    harm
        ``commit``: no room for the next commit; ``checkpoint``: the log still fits, but not the database;
        ``guard``: room enough, but less than min_free_mb.
    """
    small = folder / "small"
    small.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "none", str(small)], check=True)
    # Between two commits, publishing would take and give back the room that is not to be there for the next one.
    mill_at(small, port, publish_every_s=3600 if harm == "commit" else 0.5)
    mill = limited(small / "mill.toml", 20 if harm == "guard" else 0)
    messages = stream(MESSAGES)
    listener = Listener(port)
    said: dict[str, object] = {}
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "test")
        with collecting_into(store, mill) as collector:
            wait_until(lambda: collector.connected, what="the connection")
            publish_to(mill, messages[: MESSAGES // 3])
            wait_until(lambda: collector.counts.messages == MESSAGES // 3, what="the first third")
            with ballast(small, leave={"commit": 8_000, "checkpoint": 3_000_000, "guard": 15_000_000}[harm]):
                if harm == "checkpoint":
                    store.connection.cursor().execute("SET GLOBAL checkpoint_threshold = '1MB'")
                publish_to(mill, messages[MESSAGES // 3 : 2 * MESSAGES // 3])
                wait_until(lambda: listener.status().startswith("store"), what="word of the full disk")
                said["status"] = listener.status()
                said["kept back"] = collector.counts.messages < 2 * MESSAGES // 3
            publish_to(mill, messages[2 * MESSAGES // 3 :])
            wait_until(lambda: collector.counts.messages >= len(messages), seconds=60, what="the rest")
            wait_until(lambda: listener.status() == "up", what="word that all is well")
            said["uncounted"] = len(messages) - collector.counts.messages
        store.end_run(1, True, {})
        publish(store, mill, now_ms=NOW_MS)
        said["inconsistencies"] = [str(fault) for fault in store.inconsistencies()]
    listener.close()
    found, wanted = rows(mill), loaded(folder / "undisturbed", messages, flush=False)
    said["different"] = {
        view: [row for row in map(repr, found[view]) if row not in set(map(repr, wanted[view]))][:3]
        for view in wanted
        if found[view] != wanted[view]
    }
    said["samples"] = len(found["sample"])
    return said


def publish_to(mill: Mill, messages: list[Message]) -> None:
    """Publish all of it."""
    with Publisher(mill.broker) as publisher:
        replay(publisher, messages)


if __name__ == "__main__":
    print(json.dumps(fill_and_free(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3])))
