"""The view of the present in a real browser: live, plainly not live when its server is gone, and live again."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from analysis.page.now import hub, stream
from analysis.read import CannotRead
from collector.mqtt.broker import embedded_broker, free_port
from tests.analysis_store import HandMadeStore
from tests.browsers import browser_page
from tests.page import night_store
from tests.page_server import page_of, say
from tests.test_page_now import now_ms, with_broker
from tests.test_page_now_heard import health, opened, risk, state


def serious_of(page: Page) -> list[object]:
    """What axe-core finds that keeps somebody out."""
    found = Axe().run(page).response["violations"]
    return [violation for violation in found if violation["impact"] in ("serious", "critical")]


@pytest.mark.slow
def test_the_wall_follows_the_machine_and_says_when_it_does_not(tmp_path: Path) -> None:
    faults: list[str] = []
    with browser_page() as page, embedded_broker() as port:
        page.on("pageerror", lambda error: faults.append(str(error)))
        mill, page_port = with_broker(night_store(tmp_path), port), free_port()
        for topic, payload in (health(now_ms()), state("on_reel", now_ms()), risk(now_ms())):
            say(port, topic, payload)
        word = page.locator("[data-machine=pm2] .now-word")
        with page_of(mill, page_port) as served:
            page.goto(f"{served.url}/now")
            expect(word).to_have_text("on the reel")
            expect(page.locator(".now-odds")).to_contain_text("20")
            expect(page.locator("#now-lost")).to_be_hidden()

            say(port, *health(now_ms()))
            say(port, *state("down", now_ms()))
            say(port, *opened(now_ms() - 65_000))
            expect(word).to_have_text("sheet lost")
            expect(page.locator(".now-off [data-since]")).to_have_text("1:06")  # the clock runs by itself
            expect(page.locator("#now-spoken")).to_have_text("PM 2: sheet lost.")
            assert serious_of(page) == []

        expect(page.locator("#now-lost")).to_be_visible()
        assert "Not live" in page.locator("#now-lost").inner_text()
        assert serious_of(page) == []

        say(port, *health(now_ms()))
        say(port, *state("threading", now_ms()))
        with page_of(mill, page_port):
            expect(word).to_have_text("threading")
            expect(page.locator("#now-lost")).to_be_hidden()
    assert faults == []


@pytest.mark.slow
def test_a_machine_that_only_the_hub_still_knows_does_not_load_the_page_over_and_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(*_: object, **__: object) -> None:
        raise CannotRead("the file is torn")

    monkeypatch.setattr(stream, "BEAT_S", 0.2)
    (tmp_path / "renewed").mkdir()
    renewed = HandMadeStore(tmp_path / "renewed")
    renewed.machine("2026-03-01 00:00", "2026-03-04 06:05")
    renewed.close(published="2026-03-04 06:06", data_to="2026-03-04 06:05")
    with browser_page() as page, page_of(night_store(tmp_path)) as served:
        page.goto(f"{served.url}/now")
        expect(page.locator("[data-machine=pm3]")).to_be_visible()
        monkeypatch.setattr(hub, "known", unreadable)
        (tmp_path / "renewed" / "kept" / "published.duckdb").rename(tmp_path / "kept" / "published.duckdb")
        page.goto(f"{served.url}/now")
        page.wait_for_function("performance.getEntriesByType('navigation')[0].type === 'reload'")

        # Ends with an error if the page is left meanwhile.
        page.evaluate("new Promise(heard => source.addEventListener('beat', heard))")

        expect(page.locator("[data-machine]")).to_have_count(1)
