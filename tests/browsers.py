"""Debian's chromium, as tests look through it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.servers import needs, needs_library

SOON_MS = 30_000
"""So long a computer that is shared may take for what a browser is to show. [ms]"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser, without a screen."""
    program = needs("chromium")
    needs_library("atomic", package="libatomic1")  # for what drives the browser
    expect.set_options(timeout=SOON_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def browser_page(width: int = 1920, height: int = 1080) -> Iterator[Page]:
    """One page of a browser of its own, which waits long enough for a computer that is shared."""
    with chromium() as browser:
        page = browser.new_page(viewport={"width": width, "height": height})
        page.set_default_timeout(SOON_MS)
        yield page
