"""The data dictionary: complete, true of the store, and its keys really join."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from analysis.dictionary.catalogue import Dictionary, dictionary
from analysis.dictionary.cli import say
from analysis.dictionary.keys import EXAMPLES, KEYS
from analysis.dictionary.picture import entity_picture, placed
from analysis.read import Store, open_store

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def known(small_mill: Path) -> Dictionary:
    with open_store(small_mill) as opened:
        return dictionary(opened)


@pytest.fixture(scope="module", params=["by hand", "recorded"])
def store(request: pytest.FixtureRequest, small_mill: Path, night_mill: Path) -> Iterator[Store]:
    """The store that is written by hand, and that of the recorded night."""
    with open_store(small_mill if request.param == "by hand" else night_mill) as opened:
        yield opened


def run(mill: Path, *arguments: str) -> Result:
    return CliRunner().invoke(say, arguments, obj=mill, prog_name="breakhorn dictionary")


def test_every_column_is_told_and_units_stand_apart(known: Dictionary) -> None:
    columns = {(view.name, c.name): c for view in known.views for c in view.columns}

    assert columns["downtime", "lost_s"].unit == "s"
    assert columns["downtime", "lost_s"].meaning == "Loss to sheet back on the reel; null while open."
    assert [name for name, c in columns.items() if not c.meaning or "[" in c.meaning] == []


def test_keys_that_may_lack_a_partner_have_one_where_the_recorded_night_has_it(night_mill: Path) -> None:
    with open_store(night_mill) as opened:
        joined = {
            key: opened.rows(
                f"SELECT count(*) AS n FROM {key.view} AS v SEMI JOIN {key.target} AS t ON {key.condition}"
            )
            for key in KEYS
            if not key.always
        }

    assert {(key.view, key.target) for key, (row,) in joined.items() if row["n"]} >= {
        ("downtime", "shift"), ("downtime", "grade"), ("sheet_detector", "tag"), ("signal", "tag"),
        ("grade_run", "grade"),
    }  # fmt: skip


def test_a_key_names_one_row_at_most_and_always_where_it_says_so(store: Store) -> None:
    # Kept apart: a view such as note is worked out anew with every query.
    for view in {key.view for key in KEYS} | {key.target for key in KEYS}:
        store.connection.execute(f"CREATE TEMP TABLE kept_{view} AS FROM {view}")

    for key in KEYS:
        target = ", ".join(key.target_columns)
        assert store.rows(f"FROM kept_{key.target} SELECT {target} GROUP BY ALL HAVING count(*) > 1") == [], key
        if key.always:
            assert store.rows(f"FROM kept_{key.view} AS v ANTI JOIN kept_{key.target} AS t ON {key.condition}") == [], (
                key
            )


def test_every_view_with_a_machine_has_a_key_to_it(known: Dictionary) -> None:
    with_machine = {view.name for view in known.views for c in view.columns if c.name == "machine"} - {"machine"}

    assert {key.view for key in known.keys if key.target == "machine"} == with_machine


def test_the_picture_has_a_box_for_each_view_and_says_the_same_as_text(known: Dictionary) -> None:
    picture = ElementTree.fromstring(entity_picture(known))

    names = {text.text for text in picture.iter(f"{SVG}text")}
    described = picture.findtext(f"{SVG}desc") or ""
    assert set(placed()) == {view.name for view in known.views} <= names
    assert described.count("names one row of") == len(KEYS)
    assert len(list(picture.iter(f"{SVG}path"))) == len([k for k in KEYS if k.target != "machine"]) + 2


def test_no_two_boxes_of_the_picture_lie_over_each_other() -> None:
    assert len(set(placed().values())) == len(placed())


def test_every_macro_has_an_example_that_answers(small_mill: Path, known: Dictionary) -> None:
    with open_store(small_mill) as opened:
        answers = {macro.name: opened.rows(macro.example) for macro in known.macros}

    assert set(answers) == set(EXAMPLES)
    # Tuesday: 24 h less 60, 20, 10 and 20 min. Around B3 the draw is 3.0 until the loss.
    assert answers["on_reel_hours"] == [{"hours": 22.17}]
    assert [(row["offset_s"], row["value"]) for row in answers["samples_around"]] == [
        (-1200.0, 3.0), (-600.0, 3.0), (0.0, 2.0), (600.0, 2.0),
    ]  # fmt: skip


def test_the_command_tells_one_view_or_all(small_mill: Path) -> None:
    assert "lost_s" in run(small_mill, "downtime").stdout
    assert "sheet_break" in run(small_mill).stdout
    assert {view["name"] for view in json.loads(run(small_mill, "--json").stdout)["views"]} >= {"sample", "downtime"}
    assert run(small_mill, "--markdown").stdout.startswith("# Data dictionary")


def test_a_view_that_is_not_there_is_told_with_those_that_are(small_mill: Path) -> None:
    result = run(small_mill, "downtimes")

    assert result.exit_code == 2
    assert "sheet_break" in result.stderr


def test_the_page_stands_alone(small_mill: Path, tmp_path: Path) -> None:
    result = run(small_mill, "--html", str(tmp_path / "page.html"), "--svg", str(tmp_path / "picture.svg"))

    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert result.stdout == ""
    assert "<svg" in page
    assert "Ellerholm" in page
    assert not [mark for mark in ("<script", "src=", "<link", "@import") if mark in page]
    assert (tmp_path / "picture.svg").read_text(encoding="utf-8").startswith("<svg")


def test_a_macro_is_told_by_its_name_with_an_example(night_mill: Path) -> None:
    told = run(night_mill, "on_reel_hours").stdout

    assert "null: no such machine" in " ".join(told.split())
    assert "SELECT round(on_reel_hours('pm2'" in told
