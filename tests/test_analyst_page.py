"""Every block of the analyst's page runs as it stands there, beside mill.toml, while a real collector writes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher, replay
from collector.service.serve import Collector
from collector.settings import Mill
from tests.servers import wait_until
from tests.test_service import collecting, golden_messages, mill_at

PAGE = (Path(__file__).parent.parent / "analysis" / "ANALYST.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"(?P<bare><!-- without pyarrow -->\n)?```(?P<language>\w+)\n(?P<text>.*?)```", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """A block of the page; ``bare``: it must do without pyarrow."""

    language: str
    text: str
    bare: bool


BLOCKS = [Block(found["language"], found["text"], found["bare"] is not None) for found in BLOCK.finditer(PAGE)]


@contextmanager
def writing(mill: Mill, collector: Collector) -> Iterator[None]:
    """A recorded night, and then a scan each 50 ms for as long as the block lasts."""
    messages = golden_messages()
    stop = threading.Event()
    last_ms = messages[-1].received_ms

    def go_on() -> None:
        number = 0
        with Publisher(mill.broker) as publisher:
            replay(publisher, messages)
            while not stop.wait(0.05):
                number += 1
                at_ms = last_ms + number * 1000
                payload = json.dumps({"ts": at_ms, "values": {"press.draw": 1.8, "reel.speed": 780.0}}).encode()
                replay(publisher, [Message(received_ms=at_ms, topic="ellerholm/pm2/scan", payload=payload)])

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        wait_until(lambda: collector.counts.messages > len(messages), what="the first commits")
        yield
    finally:
        stop.set()
        thread.join(30)


@pytest.fixture(scope="module")
def at_work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Collector]]:
    """The folder of a mill whose collector is writing all the time, and publishes each 0.2 s."""
    folder = tmp_path_factory.mktemp("analyst")
    with embedded_broker() as port:
        mill = mill_at(folder, port, publish_every_s=0.2)
        with collecting(mill) as collector:
            wait_until(lambda: collector.connected, what="the collector's connection")
            with writing(mill, collector):
                wait_until(lambda: published_samples(folder) > 10_000, what="the night in the published store")
                yield folder, collector


def published_samples(folder: Path) -> int:
    for _ in range(3):
        try:
            with duckdb.connect(folder / "store" / "published.duckdb", read_only=True) as store:
                return int((store.execute("SELECT count(*) FROM sample").fetchone() or (0,))[0])
        except duckdb.IOException:
            time.sleep(0)
    return 0


def run(folder: Path, *command: str) -> None:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = os.environ | {"PATH": path, "PYTHONPATH": str(Path(__file__).parent.parent)}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=60, check=False
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def shell(folder: Path, texts: list[str]) -> None:
    run(folder, "sh", "-euc", "".join(texts))


def sql(folder: Path, texts: list[str]) -> None:
    with duckdb.connect(folder / "store" / "published.duckdb", read_only=True) as store:
        for statement in duckdb.extract_statements("".join(texts)):
            store.execute(statement)


def python(folder: Path, texts: list[str], first: str = "") -> None:
    """Each block for itself, in one process, since starting takes longer than they do."""
    run(folder, sys.executable, "-c", f"{first}\nfor text in {texts!r}: exec(text, {{}})")


def python_without_pyarrow(folder: Path, texts: list[str]) -> None:
    python(folder, texts, "import sys; sys.modules['pyarrow'] = None")


WAYS: dict[tuple[str, bool], Callable[[Path, list[str]], None]] = {
    ("sh", False): shell, ("sql", False): sql, ("python", False): python, ("python", True): python_without_pyarrow,
}  # fmt: skip


@pytest.mark.parametrize("way", WAYS, ids=lambda way: f"{way[0]}{' without pyarrow' if way[1] else ''}")
def test_the_blocks_of_the_page_run_while_the_collector_writes(
    at_work: tuple[Path, Collector], way: tuple[str, bool]
) -> None:
    folder, collector = at_work
    committed = collector.counts.messages
    texts = [block.text for block in BLOCKS if (block.language, block.bare) == way]

    assert texts
    WAYS[way](folder, texts)

    wait_until(lambda: collector.counts.messages > committed, what="the next commit")


def test_every_block_of_the_page_is_of_a_kind_that_is_run() -> None:
    assert {(block.language, block.bare) for block in BLOCKS} == set(WAYS)


def test_what_a_reader_sees_grows_while_it_is_written(at_work: tuple[Path, Collector]) -> None:
    folder, _ = at_work
    before = published_samples(folder)

    wait_until(lambda: published_samples(folder) > before, what="a newer published store")
