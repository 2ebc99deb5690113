"""A single break and the losses of a period on the crew's page: the same figures that the commands give."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from analysis.cli import pareto
from analysis.dossier.cli import dossier
from analysis.page.losses_asked import RANKED_BY, SPANS, losses_asked
from analysis.period import NothingThen
from analysis.read import open_store
from tests.page import CODED, NIGHT, UNCODED, Visitor, night_store, said, visited

A_BREAK = f"/machine/pm2/break/{UNCODED.downtime_id}"
LOSSES = "/machine/pm2/losses"


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("mill"))


@pytest.fixture(scope="module")
def page(mill: Path) -> Iterator[Visitor]:
    with visited(mill) as client:
        yield client


def pictures(page: Visitor, path: str) -> list[str]:
    """Addresses of the pictures that a page shows."""
    return [unescape(found) for found in re.findall(r'<img src="(/machine[^"]+)"', page.get(path).text)]


def test_a_break_says_what_the_command_says(page: Visitor, mill: Path) -> None:
    shown = said(page.get(A_BREAK))

    told = CliRunner().invoke(dossier, [UNCODED.downtime_id, "--json"], obj=mill)
    assert told.exit_code == 0, told.output
    results = json.loads(told.stdout)["results"]
    assert len(results) == 6
    for result in results:
        assert result["sentence"].partition(": ")[2].lower() in unescape(shown).lower()
    assert "26.0" in shown  # 23:10 to 23:36


def test_a_break_leads_to_those_beside_it(page: Visitor) -> None:
    shown = page.get(A_BREAK).text

    before, after = re.findall(r'rel="(?:prev|next)" href="([^"]+)"', shown)
    assert after.endswith(CODED.downtime_id)
    assert page.get(before).status_code == page.get(after).status_code == 200


def test_a_break_leads_back_to_its_shift_and_on_to_its_coding_which_leads_back(page: Visitor) -> None:
    coding = f"/machine/pm2/downtime/{UNCODED.downtime_id}"

    told, asked = page.get(A_BREAK).text, page.get(coding).text

    assert f'<a href="{NIGHT}">' in told
    assert f'<a href="{coding}">' in told
    assert f'<a href="{A_BREAK}">' in asked


def test_breaks_that_an_answer_names_are_links(page: Visitor) -> None:
    assert f'<a href="/machine/pm2/break/{CODED.downtime_id}">{CODED.downtime_id}</a>' in page.get(A_BREAK).text


def test_a_break_of_another_machine_or_none_is_not_there(page: Visitor) -> None:
    for path in (A_BREAK.replace("pm2/break", "pm3/break"), A_BREAK + "x"):
        assert page.get(path).status_code == 404


def test_losses_are_those_of_the_command(page: Visitor, mill: Path) -> None:
    shown = said(page.get(f"{LOSSES}?from=2026-03-01&to=2026-03-04&by=cause"))

    arguments = ["--machine", "pm2", "--from", "2026-03-01", "--to", "2026-03-04", "--by", "cause", "--json"]
    told = CliRunner().invoke(pareto, arguments, obj=mill)
    (answer,) = json.loads(told.stdout)["results"]
    bars = answer["primary"]
    # Three of Draw, one of Felt and one uncoded: see night_store.
    assert sorted(bar["count"] for bar in bars) == [1, 1, 3]
    for bar in bars:
        assert bar["label"] in shown


@pytest.mark.parametrize("by", RANKED_BY)
def test_losses_are_ranked_by_whatever_the_command_ranks_by(page: Visitor, by: str) -> None:
    shown = page.get(f"{LOSSES}?span=week&by={by}")

    assert shown.status_code == 200
    assert f'<option value="{by}" selected>' in shown.text


def test_the_span_that_is_shown_is_marked(page: Visitor) -> None:
    for span in SPANS:
        marked = re.findall(r'span=(\w+)&amp;by=section" aria-current="true"', page.get(f"{LOSSES}?span={span}").text)
        assert marked == [span]


def test_without_a_period_the_last_week_is_shown_as_far_as_there_are_data(page: Visitor) -> None:
    assert "Sun 1 March 2026 – Wed 4 March 2026" in said(page.get(LOSSES))


@pytest.mark.parametrize(
    "query", ["from=yesteryear", "from=2026-03-04&to=2026-03-01", "from=2027-01-01", "span=aeon", "by=moon"]
)
def test_a_period_that_is_none_is_said_in_words(page: Visitor, query: str) -> None:
    shown = page.get(f"{LOSSES}?{query}")

    assert shown.status_code == 404
    assert "There is nothing here" in said(shown)


def test_a_machine_without_data_has_no_losses(mill: Path) -> None:
    with open_store(mill) as store:
        machine, zone = store.machine("pm2"), store.mill().zone
    unheard = replace(machine, first_ms=None, last_ms=None)

    with pytest.raises(NothingThen, match="nothing has been heard of PM 2"):
        losses_asked({}, unheard, zone)


def test_each_picture_is_an_image_with_words_in_its_place(page: Visitor) -> None:
    shown = page.get(LOSSES).text
    addresses = pictures(page, LOSSES)

    assert len(addresses) == 3
    assert all(len(words) > 30 for words in re.findall(r'alt="([^"]*)" loading', shown))
    for address in addresses:
        image = page.get(address)
        assert image.headers["content-type"] == "image/svg+xml"
        assert ElementTree.fromstring(image.text).tag == "{http://www.w3.org/2000/svg}svg"


def test_a_picture_that_is_none_is_not_there(page: Visitor) -> None:
    for part, which in ((0, 7), (9, 0)):
        assert page.get(f"{LOSSES}/picture/{part}/{which}").status_code == 404


def test_both_say_how_fresh_they_are(page: Visitor) -> None:
    for path in (A_BREAK, LOSSES):
        assert "Data up to Wed 4 March 2026 06:05, published 06:05; mill time." in said(page.get(path))


def test_both_say_that_they_are_advice_only(page: Visitor) -> None:
    for path in (A_BREAK, LOSSES, NIGHT):
        assert "Advisory only" in said(page.get(path))
