"""The frame of the crew's page: a shift, in which language and light, and what is said when it cannot be shown."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.page.catalogue import words_of
from analysis.telling.common import SAFETY
from tests.page import NIGHT, Visitor, night_store, said, visited


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("mill"))


@pytest.fixture
def page(mill: Path) -> Iterator[Visitor]:
    with visited(mill) as client:
        yield client


def test_it_opens_with_the_newest_shift_that_has_ended(page: Visitor) -> None:
    shown = page.get("/")

    assert shown.status_code == 200
    assert "night shift Tue 3 March 2026, 18:00 – 06:00" in said(shown)


def test_the_ledger_in_whole_minutes_adds_up_to_the_shift(page: Visitor) -> None:
    table = re.search(r"<tfoot>.*?</tfoot>", page.get(NIGHT).text, re.S)

    assert table is not None
    assert "720" in table[0]


def test_the_shift_before_and_after_are_one_touch_away(page: Visitor) -> None:
    shown = page.get(NIGHT).text

    before, after = re.findall(r'rel="(?:prev|next)" href="([^"]+)"', shown)
    assert page.get(before).status_code == page.get(after).status_code == 200
    assert "2026-03-03/day" in before
    assert "2026-03-04/day" in after


def test_a_shift_that_still_runs_says_up_to_when_it_counts(page: Visitor) -> None:
    assert "counts up to 06:05" in said(page.get("/machine/pm2/shift/2026-03-04/day"))


def test_a_collector_that_is_silent_is_said_to_be(page: Visitor) -> None:
    assert "Nothing new since Wed 4 March 2026 06:05: the collector is silent." in said(page.get(NIGHT))


def test_each_machine_has_its_own_shift(page: Visitor) -> None:
    shown = page.get("/machine/pm3/shift")

    assert "PM 3 night shift" in said(shown)
    assert 'href="/machine/pm2/shift"' in shown.text


def test_another_language_is_kept_once_it_is_chosen(page: Visitor) -> None:
    answer = page.send("/choose", language="de", here=NIGHT)

    assert (answer.status_code, answer.headers["location"]) == (303, NIGHT)
    shown = page.get(NIGHT)
    assert '<html lang="de"' in shown.text
    assert "Di 3. März 2026" in said(shown)


def test_night_stays_night_once_it_is_chosen(page: Visitor) -> None:
    page.send("/choose", theme="night", here=NIGHT)

    assert 'data-theme="night"' in page.get(NIGHT).text


def test_what_is_not_there_is_said_in_words_and_leads_back(page: Visitor) -> None:
    for path in ("/nothing", "/machine/pm9/shift", "/machine/pm2/shift/2026-13-01/night", NIGHT + "x"):
        shown = page.get(path)

        assert shown.status_code == 404
        assert "There is nothing here" in said(shown)


def test_before_anything_is_published_it_says_so_and_goes_on_by_itself(mill: Path, tmp_path: Path) -> None:
    shutil.copytree(mill.parent, tmp_path / "mill")
    store = tmp_path / "mill" / "kept" / "published.duckdb"
    store.rename(tmp_path / "later")

    with visited(tmp_path / "mill" / "mill.toml") as page:
        early = page.get("/")
        (tmp_path / "later").rename(store)
        later = page.get("/")

    assert early.status_code == 503
    assert "not published anything" in said(early)
    assert later.status_code == 200


def test_the_store_is_not_touched(mill: Path, page: Visitor) -> None:
    before = {path: path.stat().st_mtime_ns for path in (mill.parent / "kept").rglob("*")}

    page.get(NIGHT)

    assert {path: path.stat().st_mtime_ns for path in (mill.parent / "kept").rglob("*")} == before


def test_the_safety_notice_has_the_words_that_every_answer_has() -> None:
    assert words_of("en")("safety") == SAFETY
