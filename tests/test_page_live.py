"""The whole way of a note: from a touch on the page, over a real broker and collector, to the published store."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from collector.load import load
from collector.mqtt.broker import embedded_broker, free_port
from collector.publish import publish
from collector.store import Store
from tests.page import said
from tests.servers import accepts, wait_until
from tests.test_service import golden_messages, mill_at

ROOT = Path(__file__).parent.parent
SHIFT = "/machine/pm2/shift/2026-03-03/night"


@contextmanager
def breakhorn(path: Path, *command: str, ends: int = signal.SIGTERM) -> Iterator[subprocess.Popen[str]]:
    """A process of ours; it must end cleanly when it is told to."""
    whole = [sys.executable, "-m", "breakhorn", "--mill", str(path), *command]
    process = subprocess.Popen(whole, cwd=ROOT, stderr=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.send_signal(ends)
        _, errors = process.communicate(timeout=30)
    assert process.returncode == 0, errors


class Browser:
    """Somebody at the page over the network."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client

    def sees(self) -> str:
        return said(self.client.get(SHIFT))

    def adds(self, lost: str, back: str) -> None:
        """Add a loss of the sheet that no detector saw."""
        found = re.search(r'name="form" value="(\w+)"', self.client.get(SHIFT).text)
        assert found is not None
        day, name = SHIFT.split("/")[-2:]
        fields = {"form": found[1], "day": day, "name": name, "from": lost, "to": back, "back": SHIFT}
        assert self.client.post("/machine/pm2/missed", data=fields).status_code == 200

    def touch_first_target(self) -> str:
        """Code the first break that waits with the first cause it is offered; gives the cause."""
        shown = self.client.get(SHIFT).text
        form = re.search(r'<form method="post" action="([^"]+/cause)">(.*?)</form>', shown, re.S)
        assert form is not None
        fields = dict(re.findall(r'name="(form|certainty)" value="([^"]+)"', form[2]))
        (cause, *_) = re.findall(r'name="cause" value="([^"]+)"', form[2])
        assert self.client.post(form[1], data=fields | {"cause": cause}).status_code == 200
        return str(cause)


@contextmanager
def browser_at(port: int) -> Iterator[Browser]:
    wait_until(lambda: accepts(port), what="the page's start")
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", follow_redirects=True, trust_env=False) as client:
        yield Browser(client)


@pytest.fixture
def night(tmp_path: Path) -> tuple[Path, int]:
    """The recorded night in the store, and the port at which there will be a broker."""
    port = free_port()
    mill = mill_at(tmp_path, port, publish_every_s=0.5)
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        store.begin_run(0, "test")
        load(mill, store, golden_messages())
        publish(store, mill, now_ms=1)
    return tmp_path / "mill.toml", port


@pytest.mark.broker
def test_a_touch_made_while_the_broker_was_away_is_in_the_figures_once_it_is_back(night: tuple[Path, int]) -> None:
    path, broker_port = night
    page_port = free_port()
    outbox = path.parent / "page" / "outbox"

    with breakhorn(path, "page", "--port", str(page_port), ends=signal.SIGINT), browser_at(page_port) as browser:
        cause = browser.touch_first_target()
        early = browser.sees()
    assert len(list(outbox.glob("*.json"))) == 1

    with (
        embedded_broker(port=broker_port),
        breakhorn(path, "collect"),
        breakhorn(path, "page", "--port", str(page_port)),
        browser_at(page_port) as browser,
    ):
        browser.adds("23:30", "23:35")
        wait_until(lambda: not list(outbox.glob("*.json")), seconds=60, what="the notes in the published store")
        late = browser.sees()

    assert "waits here for the broker" in early
    assert f"{cause} · likely" in early
    assert f"{cause} · likely" in late
    assert "23:30 break" in late
    assert "The broker cannot be reached" not in late
    assert "waits here for the broker" not in late
