"""The frame of the crew's page: a shift, in which language and light, and what is said when it cannot be shown."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from analysis.loss_sheet.cli import loss_sheet
from analysis.page.catalogue import words_of
from analysis.telling.common import SAFETY
from collector.mqtt.broker import free_port
from tests.analysis_store import HandMadeStore, at
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


def test_the_ledger_adds_up_to_the_shift_with_the_minutes_of_its_loss_sheet(
    page: Visitor, mill: Path, tmp_path: Path
) -> None:
    sheet = tmp_path / "night.html"
    asked = ["--machine", "pm2", "--shift", "2026-03-03 night", "--html", str(sheet)]
    assert CliRunner().invoke(loss_sheet, asked, obj=mill).exit_code == 0

    (table,) = re.findall(r'<h2 id="ledger-heading">.*?</table>', page.get(NIGHT).text, re.S)

    *parts, whole = [float(minutes) for minutes in re.findall(r'class="n">([\d.]+) min', table)]
    assert round(sum(parts), 1) == whole == 720.0  # 12 h
    on_sheet = unescape(re.sub(r"<[^>]+>", " ", sheet.read_text(encoding="utf-8")))
    assert all(f" {minutes:.1f} " in on_sheet for minutes in parts)


def test_the_tonnes_beside_the_breaks_are_those_of_breaks_and_not_of_stops(page: Visitor) -> None:
    told = page.get(NIGHT).text

    # 26 + 15 min of breaks and 30 min of a stop, before all of which 12 t/h were made
    assert "8.2 t not made for breaks" in told
    assert '<td class="n">14.2 t</td>' in told


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


def test_a_screen_on_the_wall_shows_it_larger(page: Visitor) -> None:
    page.send("/choose", size="wall", here=NIGHT)

    assert 'data-size="wall"' in page.get(NIGHT).text


def test_a_day_leads_to_its_first_shift_and_back_to_the_last_that_ended(page: Visitor) -> None:
    shown = page.get("/machine/pm2/shift?day=2026-03-02")

    assert "day shift Mon 2 March 2026" in said(shown)
    assert "last that ended" in said(shown)
    assert page.get("/machine/pm2/shift?day=2026-04-02").status_code == 404


@pytest.mark.parametrize("name", ["N/T", "#3 ?50% & früh"])
def test_a_shift_may_be_called_anything(tmp_path: Path, name: str) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-02 06:05")
    for began, ended in (("2026-03-01 06:00", "2026-03-01 18:00"), ("2026-03-01 18:00", "2026-03-02 06:00")):
        made.insert(
            "shift", shift_date=at(began).date(), shift=f"{began[11:13]} {name}", crew="A", started_at=at(began),
            ended_at=at(ended),
        )  # fmt: skip
    made.states(("2026-03-01 00:00", "on_reel"))
    path = made.close(published="2026-03-02 06:05", data_to="2026-03-02 06:05")
    path.write_text(f"{path.read_text()}\n[broker]\nport = {free_port()}\n")

    with visited(path) as page:
        newest = page.get("/machine/pm2/shift")
        (before,) = re.findall(r'rel="prev" href="([^"]+)"', newest.text)
        (sheet,) = re.findall(r'href="([^"]+loss-sheet.pdf)"', newest.text)
        by_day = page.get("/machine/pm2/shift?day=2026-03-01")
        chosen = page.send("/choose", seen=unescape(before), theme="night", here=unescape(before))

        assert f"06 {name}" in unescape(page.get(unescape(before)).text)
        assert f"06 {name}" in unescape(by_day.text)
        assert page.get(unescape(sheet)).content.startswith(b"%PDF")
        assert f"06 {name}" in unescape(page.get(chosen.headers["location"]).text)


def test_the_hour_that_comes_twice_is_told_apart(tmp_path: Path) -> None:
    """Clocks in Helsinki go back on 25 October 2026 at 04:00 (EU directive 2000/84/EC): to noon it is 13 h, 780 min.

    A mill without a rota has days in the place of shifts.
    """
    made = HandMadeStore(tmp_path)
    made.machine("2026-10-24 12:00", "2026-10-25 12:00")
    made.states(("2026-10-24 12:00", "on_reel"))
    first, second = at("2026-10-25 03:10"), at("2026-10-25 03:10") + timedelta(hours=1)
    for started in (first, second):
        made.insert(
            "downtime",
            downtime_id=f"pm2-{started:%Y%m%dT%H%M%SZ}",
            machine="pm2",
            kind="break",
            started_at=started,
            ended_at=started + timedelta(minutes=10),
            section="press",
        )
    path = made.close(published="2026-10-25 12:00", data_to="2026-10-25 12:00")
    path.write_text(f"{path.read_text()}\n[broker]\nport = {free_port()}\n")

    with visited(path) as page:
        shown = said(page.get("/machine/pm2/shift?day=2026-10-25"))

    assert "03:10 (+03:00) break, press" in shown
    assert "03:10 (+02:00) break, press" in shown
    assert "the shift 780.0 min" in shown


def test_what_is_not_there_is_said_in_words_and_leads_back(page: Visitor) -> None:
    for path in ("/nothing", "/machine/pm9/shift", "/machine/pm2/shift/2026-13-01/night", NIGHT + "x"):
        shown = page.get(path)

        assert shown.status_code == 404
        assert "There is nothing here" in said(shown)


def test_a_fault_of_ours_is_said_without_its_inside_and_stays_guarded(mill: Path) -> None:
    def fault(_: Request) -> Response:
        raise ZeroDivisionError("the inside")

    with visited(mill) as page:
        page.add(Route("/fault", fault))
        shown = page.get("/fault")

    assert shown.status_code == 500
    assert "The page has a fault" in said(shown)
    assert "inside" not in shown.text
    assert "default-src 'none'" in shown.headers["content-security-policy"]


def test_a_machine_of_which_nothing_was_heard_is_said_to_be_silent(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-02 00:00")
    made.connection.execute("DELETE FROM base.tag")
    path = made.close(published="2026-03-02 00:00", data_to=None)
    path.write_text(f"{path.read_text()}\n[broker]\nport = {free_port()}\n")

    with visited(path) as page:
        shown = page.get("/")

    assert shown.status_code == 404
    assert "nothing has been heard of PM 2 yet" in said(shown)


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
