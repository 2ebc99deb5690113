"""Debian's chromium, as tests look through it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Page, sync_playwright

from tests.servers import needs

SOON_MS = 30_000


@contextmanager
def browser_page(width: int = 1920, height: int = 1080) -> Iterator[Page]:
    """One page of a browser of its own, which waits long enough for a computer that is shared."""
    program = needs("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        try:
            page = browser.new_page(viewport={"width": width, "height": height})
            page.set_default_timeout(SOON_MS)
            yield page
        finally:
            browser.close()
