"""The crew's page in a real browser: a night reviewed and coded, for everybody's hands and eyes, and nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pytest
from playwright.sync_api import Browser, Locator, expect

from collector.load import load
from collector.mqtt.broker import free_port
from collector.publish import publish
from collector.settings import Mill
from collector.store import Store
from tests.browser import PageServer, grave_findings, looking, too_small
from tests.browsers import chromium
from tests.page import CODED, NIGHT, UNCODED, night_store
from tests.servers import mosquitto_at, needs, wait_until
from tests.test_service import collecting, golden_messages, mill_at

WALL: dict[str, Any] = {"viewport": {"width": 1920, "height": 1080}}
TABLET: dict[str, Any] = {"viewport": {"width": 1024, "height": 768}, "has_touch": True}
VIEWS = {
    "shift": NIGHT,
    "coding": f"/machine/pm2/downtime/{UNCODED.downtime_id}",
    "coded": f"/machine/pm2/downtime/{CODED.downtime_id}",
    "break": f"/machine/pm2/break/{UNCODED.downtime_id}",
    "losses": "/machine/pm2/losses",
    "nothing": "/machine/pm2/nothing",
}


CUT_OFF = """[...document.querySelectorAll('.scroll')]
    .filter(one => one.scrollWidth > one.clientWidth).map(one => one.ariaLabel)"""

LIKE_A_MONTH = """document.querySelectorAll('main table')[0].querySelectorAll('tbody tr').forEach(row =>
    ['after-dryer', '14', '10,7 bis 23,5', '100 %', '344,5 (174 bis 734)', '71,6 (36,4 bis 154)',
     '42.556 (24.900 bis 79.900)', '10 · 10 · 10 · 10', '3,92 (2,49 bis 5,89)'].forEach((text, at) => {
        row.cells[at].innerHTML = text.split(' (').map((part, nth) =>
            `<span class="whole">${nth ? '(' : ''}${part}</span>`).join(' ');
    }))"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    needs("chromium")
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageServer]:
    """The page of a night written by hand, without a broker."""
    with PageServer(night_store(tmp_path_factory.mktemp("night"))) as server:
        yield server


@pytest.fixture
def port() -> int:
    """Where a broker listens, once a test starts it."""
    return free_port()


@pytest.fixture
def mill(tmp_path: Path, port: int) -> Mill:
    """A recorded night of which nobody has said anything yet, published; without broker and collector."""
    found = mill_at(tmp_path / "mill", port, publish_every_s=0.5)
    night = [message for message in golden_messages() if not message.topic.endswith("/note")]
    store = Store.open(found.store.folder, found, now_ms=0)
    store.begin_run(0, "test")
    load(found, store, night, flush=False)
    publish(store, found, now_ms=1)
    store.close()
    return found


@contextmanager
def at_work(mill: Mill, port: int) -> Iterator[None]:
    """A real broker, and the collector that hears by it."""
    with mosquitto_at(mill.store.folder.parent / "mosquitto", port=port), collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the collector's connection")
        yield


def to_code(mill: Mill) -> list[str]:
    """Breaks without a cause, as readers find them."""
    return column(mill, "SELECT downtime_id FROM downtime WHERE kind = 'break' AND cause IS NULL")


def column(mill: Mill, sql: str) -> list[Any]:
    published = mill.store.folder / "published.duckdb"
    if not published.exists():
        return []
    with duckdb.connect(published, read_only=True) as connection:
        return [row[0] for row in connection.execute(sql).fetchall()]


@pytest.mark.parametrize(
    ("screen", "light"), [(WALL, "light"), (TABLET, "dark")], ids=["wall by day", "tablet by night"]
)
def test_no_view_keeps_anybody_out(browser: Browser, night: PageServer, screen: dict[str, Any], light: str) -> None:
    with looking(browser, night.address, but="404 (Not Found)", color_scheme=light, **screen) as page:
        for name, path in VIEWS.items():
            page.goto(path)
            assert grave_findings(page) == [], name
            assert too_small(page) == [], name


def test_whoever_has_colours_of_their_own_can_read_what_is_to_be_coded(browser: Browser, night: PageServer) -> None:
    with looking(browser, night.address, forced_colors="active", **TABLET) as page:
        page.goto(NIGHT)

        assert grave_findings(page) == []


def test_nothing_reaches_beyond_the_edge_of_a_tablet(browser: Browser, night: PageServer) -> None:
    with looking(browser, night.address, but="404 (Not Found)", **TABLET) as page:
        for name, path in VIEWS.items():
            page.goto(path)
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            assert page.evaluate("document.documentElement.scrollWidth") <= TABLET["viewport"]["width"], name
            assert page.evaluate(CUT_OFF) == [], name


def test_german_losses_with_numbers_of_a_month_fit_onto_a_tablet(browser: Browser, night: PageServer) -> None:
    """German headings are longer, and one night's numbers shorter than those of a month."""
    with looking(browser, night.address, **TABLET) as page:
        page.goto(VIEWS["losses"])
        page.locator("button[name=language][value=de]").click()
        expect(page.get_by_role("table", name="Erste Abrisse nach Partie")).to_be_visible()
        page.evaluate(LIKE_A_MONTH)

        assert page.evaluate(CUT_OFF) == []


def test_a_telephone_scrolls_wide_tables_alone_and_shades_the_edge_they_go_on_beyond(
    browser: Browser, night: PageServer
) -> None:
    with looking(browser, night.address, but="404 (Not Found)", viewport={"width": 390, "height": 844}) as page:
        for name, path in (VIEWS | {"now": "/now"}).items():
            page.goto(path)
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, name
        page.goto(VIEWS["losses"])

        assert page.evaluate(CUT_OFF) != []
        shades = page.locator(".scroll").first.evaluate("one => getComputedStyle(one).backgroundAttachment")
        assert shades == "local, local, scroll, scroll"


def test_what_stands_below_a_picture_does_not_jump_while_it_is_drawn_anew(browser: Browser, night: PageServer) -> None:
    with looking(browser, night.address, **TABLET) as page:
        page.goto(VIEWS["losses"])
        picture = page.locator("main img").first
        picture.scroll_into_view_if_needed()
        wait_until(lambda: picture.evaluate("one => one.naturalHeight") > 0, what="the picture")
        before = picture.evaluate("one => one.offsetHeight")
        page.route("**/picture/**", lambda _: None)  # one that takes for ever

        page.evaluate("renew()")

        assert before > 100
        assert picture.evaluate("one => one.naturalHeight") == 0
        assert picture.evaluate("one => one.offsetHeight") == before


def test_on_paper_a_shift_is_dark_on_white_without_anything_to_touch(browser: Browser, night: PageServer) -> None:
    with looking(browser, night.address, color_scheme="dark", **WALL) as page:
        page.goto(NIGHT)
        page.emulate_media(media="print")

        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        expect(page.locator("button:visible, nav a:visible, summary:visible")).to_have_count(0)
        expect(page.get_by_text("Where the minutes went")).to_be_visible()


@pytest.mark.parametrize("screen", [WALL, TABLET], ids=["wall", "tablet"])
def test_a_night_is_reviewed_from_its_opening_to_the_last_break_coded(
    browser: Browser, mill: Mill, port: int, screen: dict[str, Any]
) -> None:
    breaks = to_code(mill)
    with at_work(mill, port), PageServer(path_of(mill)) as server, looking(browser, server.address, **screen) as page:
        page.goto("/")
        crew = page.locator("form.who button[name=who]").first
        who = crew.inner_text()
        crew.click()
        for left in reversed(range(len(breaks))):
            press(page.locator("article.break button.target").first, touch="has_touch" in screen)  # one touch each
            expect(page.locator("article.break")).to_have_count(left)
        page.get_by_text("every break has a cause").wait_for()

        wait_until(lambda: not to_code(mill), what="the last cause in the figures")

    assert len(breaks) > 2
    assert column(mill, "SELECT DISTINCT noted_by FROM note WHERE kind = 'cause'") == [who]


def test_a_cause_is_taken_back_and_both_notes_are_kept(browser: Browser, mill: Mill, port: int) -> None:
    before = len(to_code(mill))
    with at_work(mill, port), PageServer(path_of(mill)) as server, looking(browser, server.address, **TABLET) as page:
        page.goto("/")
        page.locator("article.break button.target").first.click()
        wait_until(lambda: len(to_code(mill)) == before - 1, what="the cause")
        page.reload()
        page.locator("ul.others li", has_text="likely").get_by_role("link", name="Look, change").first.click()
        page.get_by_role("button", name="Take back").first.click()
        wait_until(lambda: len(to_code(mill)) == before, what="its withdrawal")

    assert column(mill, "SELECT kind FROM note ORDER BY kind") == ["cause", "withdrawal"]


def test_a_break_is_coded_by_keyboard_alone(browser: Browser, mill: Mill, port: int) -> None:
    before = len(to_code(mill))
    with at_work(mill, port), PageServer(path_of(mill)) as server, looking(browser, server.address, **WALL) as page:
        page.goto("/")
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.matches('article.break button.target')"):
                break
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        page.keyboard.press("Enter")
        wait_until(lambda: len(to_code(mill)) == before - 1, what="the cause")

    assert outline == "solid"


def test_a_note_made_while_the_broker_is_away_is_said_to_wait_and_outlasts_the_page_itself(
    browser: Browser, mill: Mill, port: int
) -> None:
    before = len(to_code(mill))
    waits = "waits here for the broker"

    with PageServer(path_of(mill)) as server, looking(browser, server.address, **TABLET) as page:
        page.goto("/")
        page.get_by_text("The broker cannot be reached").wait_for()
        page.locator("article.break button.target").first.click()
        page.get_by_text(waits).first.wait_for()
        server.kill()
        server.start()
        page.reload()
        page.get_by_text(waits).first.wait_for()
        with at_work(mill, port):
            wait_until(lambda: len(to_code(mill)) == before - 1, what="the cause in the figures")
            page.reload()
            expect(page.get_by_text(waits)).to_have_count(0)


def path_of(mill: Mill) -> Path:
    """Where its mill.toml is."""
    return mill.store.folder.parent / "mill.toml"


def press(target: Locator, *, touch: bool) -> None:
    """With a finger or with a mouse."""
    (target.tap if touch else target.click)()
