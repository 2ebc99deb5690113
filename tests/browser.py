"""The crew's page in a real browser: Debian's chromium, driven as a hand or a keyboard would drive it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from collector.mqtt.broker import free_port
from tests.servers import accepts, wait_until

ROOT = Path(__file__).parent.parent
GRAVE = frozenset({"serious", "critical"})
GLOVE_PX = 48
"""Smallest side of what is touched with gloves; WCAG 2.2 (2.5.8) asks for 24 of everybody. [px]"""


class PageServer:
    """``breakhorn page`` as a program of its own, which may be killed and started anew at the same port."""

    def __init__(self, mill_toml: Path) -> None:
        """Not started yet."""
        self.port = free_port()
        self._mill_toml = mill_toml
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it, and wait until it answers."""
        command = [sys.executable, "-m", "breakhorn", "--mill", str(self._mill_toml), "page", "--port", str(self.port)]
        self._process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_until(lambda: accepts(self.port), what="the page")

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(timeout=30)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.wait(timeout=30)


@contextmanager
def looking(browser: Browser, address: str, *, but: str = "net::ERR_", **screen: Any) -> Iterator[Page]:
    """A page of a new visitor. What the browser complains of, such as a policy that was broken, fails the test.

    but
        Complaints with this in them are none: that the page's program is away is no fault of the page.
    """
    context = browser.new_context(base_url=address, **screen)
    context.set_default_timeout(30_000)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    try:
        yield page
    finally:
        context.close()
    ours = [text for text in complaints if but not in text]
    assert not ours, ours


def grave_findings(page: Page) -> list[str]:
    """What axe-core finds that keeps people out: rule and the elements."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {[node['target'] for node in one['nodes']]}" for one in found if one["impact"] in GRAVE]


def too_small(page: Page) -> list[str]:
    """What is to be touched and is smaller than a gloved finger needs; links within a text or table are let be."""
    small = []
    for one in page.locator("button, summary, select, input:not([type=hidden]), nav a, a.wide").all():
        box = one.bounding_box()
        if box is None or one.evaluate("e => e.closest('label') !== null && e.type === 'radio'"):
            continue
        if min(box["width"], box["height"]) < GLOVE_PX - 0.5:
            small.append(f"{one.inner_text()[:40]!r} {box['width']:.0f} × {box['height']:.0f}")
    return small
