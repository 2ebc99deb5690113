"""The page: one file, safe, dated, and honest about its data."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from analysis.history import History
from analysis.period import Period
from analysis.read import open_store
from analysis.report import page, report_chapter
from analysis.result import RiskSection
from tests.analysis_store import Break, HandMadeStore, at, ms

HOSTILE = "<script>alert('1')</script>"
PERIOD = Period(from_ms=ms("2026-03-02 06:00"), to_ms=ms("2026-03-04 06:00"))


def a_mill(folder: Path) -> Path:
    """Two days of PM 2: breaks, one of them open, a data gap, detector faults, rejected messages, an orphan note."""
    store = HandMadeStore(folder)
    store.machine("2026-03-02 06:00", "2026-03-04 06:00")
    store.insert("cause", code="PR-FLT", name=HOSTILE)
    store.states(
        ("2026-03-02 06:00", "on_reel"),
        ("2026-03-02 09:00", "down"),
        ("2026-03-02 09:22", "on_reel"),
        ("2026-03-02 20:00", "no_data"),
        ("2026-03-02 21:30", "on_reel"),
        ("2026-03-03 10:00", "down"),
        ("2026-03-03 10:35", "on_reel"),
        ("2026-03-04 05:50", "down"),
    )
    store.breaks(
        Break("2026-03-02 09:00", "2026-03-02 09:22", cause="PR-FLT"),
        Break("2026-03-03 10:00", "2026-03-03 10:35", section="reel", tied=True),
        Break("2026-03-04 05:50", None),
    )
    store.shifts("2026-03-02 06:00", 5)
    store.produced("2026-03-02 08:00", "2026-03-02 09:00", 12.0)
    store.insert("grade_run", machine="pm2", grade="C80", shade="white", started_at=at("2026-03-02 06:00"))
    fault = {"machine": "pm2", "tag": "sheet.press", "kind": "blind"}
    store.insert("detector_fault", **fault, started_at=at("2026-03-02 12:00"), ended_at=at("2026-03-02 14:00"))
    store.insert(
        "detector_flicker",
        machine="pm2",
        tag="sheet.reel",
        day=at("2026-03-02 12:00").date(),
        first_at=at("2026-03-02 12:00"),
        last_at=at("2026-03-02 13:00"),
        count=17,
    )
    store.insert("message_count", machine="pm2", day=at("2026-03-02 12:00").date(), late=41, bad=5)
    store.insert("message_count", machine="", day=at("2026-03-02 12:00").date(), rejected=2)
    for _ in range(2):
        store.insert(
            "rejected_message", received_at=at("2026-03-02 12:00"), reason=f"unknown machine {HOSTILE}", payload=b""
        )
    store.note("pm2-20250101T000000Z", cause="PR-FLT", noted="2026-03-02 12:00")
    return store.close(published="2026-03-04 06:01", data_to="2026-03-04 06:00")


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> History:
    """The history of that mill's PM 2."""
    with open_store(a_mill(tmp_path_factory.mktemp("mill"))) as store:
        return store.history(store.machine("pm2"), PERIOD)


@pytest.fixture(scope="module")
def written(past: History) -> str:
    """Its report, with what the risk model found."""
    risk = RiskSection(
        headline="The model does not beat the plain rules.",
        columns=("rule", "warned"),
        rows=(("model", "3 of 20"), ("base rate", HOSTILE)),
        svg='<svg xmlns="http://www.w3.org/2000/svg" role="img"><title>risk</title></svg>',
        text="Judged forward in time.",
    )
    return page("Ellerholm", "runnability report", [report_chapter(past, PERIOD, risk)], demo=True)


class Outline(HTMLParser):
    """Tags, ids and text of a page, and whether every tag is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in {"meta", "link", "br", "hr", "img"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def outline(written: str) -> Outline:
    """What stands in the report."""
    return Outline(written)


def test_the_page_is_well_formed_and_runs_nothing(written: str, outline: Outline) -> None:
    assert outline.open == []
    assert "script" not in outline.tags
    assert "default-src 'none'" in written
    assert not re.search(r"\son\w+=", written)


def test_the_page_fetches_nothing(written: str) -> None:
    links = set(re.findall(r"https?://[^\s\"'<)]+", written))

    assert links <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert not re.search(r"<(img|link|iframe)|@import|url\((?!#)", written)


def test_what_people_wrote_is_shown_as_text(written: str, outline: Outline) -> None:
    assert HOSTILE not in written
    assert any("unknown machine <script>" in words for words in outline.words)


def test_no_id_stands_twice(outline: Outline) -> None:
    assert len(outline.ids) == len(set(outline.ids))


def test_two_machines_in_one_page_share_no_id(past: History) -> None:
    other = replace(past, machine=replace(past.machine, machine="pm3", name="PM 3"))

    both = Outline(page("Ellerholm", "report", [report_chapter(p, PERIOD) for p in (past, other)]))

    assert len(both.ids) == len(set(both.ids))


def test_every_picture_has_its_text_and_its_numbers(outline: Outline) -> None:
    assert outline.tags.count("figure") == outline.tags.count("svg") == outline.tags.count("figcaption") == 7


def test_the_page_says_whose_figures_of_when_and_how_fresh(outline: Outline) -> None:
    words = " ".join(outline.words)

    for said in (
        "Ellerholm",
        "PM 2",
        "2026-03-02 06:00 to 2026-03-04 06:00",
        "data up to 2026-03-04 06:00, published 2026-03-04 06:01",
        "Demo data: an invented mill",
    ):
        assert said in words


def test_figures_of_a_real_mill_are_not_called_demo_data(past: History) -> None:
    assert "Demo data" not in page("Ellerholm", "report", [report_chapter(past, PERIOD)])


def test_the_headline_can_be_checked_by_hand(outline: Outline) -> None:
    # 48 h less a gap of 1.5 h are 46.5 h available; breaks of 22, 35 and (still open) 10 min leave 45.383 h: 97.6 %.
    words = " ".join(" ".join(outline.words).split())

    assert "Time efficiency 97.6 %, with the sheet on the reel for 45.4 h of 46.5 h available." in words
    assert "3 primary breaks; breaks took 67.0 min" in words


def test_the_page_is_honest_about_its_data(outline: Outline) -> None:
    words = " ".join(" ".join(outline.words).split())

    for said in (
        "Nothing is known of 90.0 min of the period",
        "A downtime is still open",
        "90.0 min without data",
        "2 of 3 breaks not coded",
        "1 note without a break",
        "2 messages rejected",
        "sheet.press",
        "blind",
        "flicker",
        "17",
        "no such downtime",
    ):
        assert said in words


def test_the_page_says_what_its_words_mean_and_what_was_set(outline: Outline) -> None:
    words = " ".join(" ".join(outline.words).split())

    for said in ("longer than 24 h", "within 30 min", "3.40 m", "margin a lost tonne 300 EUR", "Garwood"):
        assert said in words


def test_every_advisory_view_carries_the_safety_notice(outline: Outline) -> None:
    words = " ".join(" ".join(outline.words).split())

    # at the headline, at the risk section, and at the foot
    assert words.count("Do not enter, reach into or thread the machine") == 3


def test_the_risk_section_begins_with_its_verdict(outline: Outline) -> None:
    words = " ".join(" ".join(outline.words).split())

    assert "Break risk, replayed The model does not beat the plain rules." in words
    assert "Judged forward in time." in words


def test_a_mill_without_prices_is_told_so_and_not_zero(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path, money=False)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    store.states(("2026-03-02 06:00", "on_reel"))
    period = Period(from_ms=ms("2026-03-02 06:00"), to_ms=ms("2026-03-02 18:00"))
    with open_store(store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")) as opened:
        quiet = opened.history(opened.machine("pm2"), period)

    written = page("Ellerholm", "report", [report_chapter(quiet, period)])

    assert "margin a lost tonne not set" in written
    assert "margin not set" in written
    assert "no primary break" in written.lower()


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[History]:
    """A machine of which nothing was heard but that it exists."""
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    with open_store(store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")) as opened:
        yield opened.history(opened.machine("pm2"), PERIOD)


def test_a_period_in_which_nothing_was_heard_still_makes_a_page(empty: History) -> None:
    written = page("Ellerholm", "report", [report_chapter(empty, PERIOD)])

    assert "Time efficiency not known" in written
