"""The risk commands on a published store."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest
from click.testing import CliRunner, Result

from analysis.risk.card import load
from analysis.risk.cli import risk
from tests.risk_mill import planted_mill
from tests.risk_store import store_of


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = planted_mill(3, days=20, tags=4, causes=(1.2, -1.0), memory_min=180, per_day=8)
    return store_of(made, tmp_path_factory.mktemp("mill"))


def run(mill: Path, *arguments: str) -> Result:
    return CliRunner().invoke(risk, list(arguments), obj=mill)


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_judge_begins_with_the_verdict_and_ends_with_the_safety_notice(mill: Path) -> None:
    found = run(mill, "judge")

    assert found.exit_code == 0, found.output
    assert re.match(r"PM 2, judged .*: The model (beats|does not beat|shows no)", found.stdout.replace("\n", " "))
    assert "How the warnings scored" in found.stdout
    assert "unrelated tags" in re.sub(r"\s+", " ", found.stdout)
    assert "Do not enter, reach into or" in found.stderr


def test_looking_writes_nothing(mill: Path) -> None:
    before = files_of(mill.parent)

    for command in ("judge", "replay"):
        assert run(mill, command, "--json").exit_code == 0

    assert files_of(mill.parent) == before


def test_json_holds_the_same_verdict_and_every_contender(mill: Path) -> None:
    told = json.loads(run(mill, "replay", "--json", "--budget", "2").stdout)

    (result,) = told["results"]
    assert told["answer"] == "risk replay"
    assert result["settings"]["budget"] == 2
    assert {c["name"] for c in result["contenders"]} > {"additive model", "boosted challenger", "best single tag"}
    assert len(result["breaks"]) == result["primary_breaks"]
    assert result["beats_plain_rules"] == ("The model beats" in result["sentence"])
    assert result["unrelated"]["finding"] == "shows no skill"


def test_tables_are_written_as_csv_and_workbook(mill: Path, tmp_path: Path) -> None:
    found = run(mill, "judge", "--csv", str(tmp_path / "risk.csv"), "--xlsx", str(tmp_path / "risk.xlsx"))

    assert found.exit_code == 0, found.output
    header, first, *_ = (tmp_path / "risk.csv").read_text(encoding="utf-8").splitlines()
    assert header.startswith("machine,forecaster")
    assert first.startswith("pm2,additive model")
    assert (tmp_path / "risk.xlsx").read_bytes()[:2] == b"PK"


def test_a_page_carries_picture_verdict_and_safety_notice(mill: Path, tmp_path: Path) -> None:
    found = run(mill, "replay", "--html", str(tmp_path / "risk.html"), "--demo-data")

    page = (tmp_path / "risk.html").read_text(encoding="utf-8")
    assert found.exit_code == 0, found.output
    assert "<svg" in page
    assert "The model " in page
    assert "Advisory only" in page
    assert "an invented mill" in page
    assert "a hazard of our own making" in page


def test_fit_keeps_a_model_that_may_warn_only_if_it_beats_the_plain_rules(mill: Path, tmp_path: Path) -> None:
    file = tmp_path / "pm2-risk.json"

    found = run(mill, "fit", "--out", str(file))

    card = load(file)
    assert found.exit_code == 0, found.output
    assert card.live == ("The model beats the plain rules" in re.sub(r"\s+", " ", found.stdout))
    assert "What goes with breaks on this machine" in found.stdout
    assert card.machine == "pm2"


def test_too_few_breaks_end_with_one_line_and_the_way_out(mill: Path) -> None:
    found = run(mill, "judge", "--to", "2026-03-03")

    assert found.exit_code == 1
    assert re.fullmatch(r"Error: \d+ primary breaks are too few .*; wait for more data, or widen .*\n", found.stderr)


def test_an_unbearable_budget_is_a_wrong_use(mill: Path) -> None:
    assert run(mill, "judge", "--budget", "5").exit_code == 2


def test_an_unknown_machine_is_named_with_those_there_are(mill: Path) -> None:
    found = run(mill, "judge", "--machine", "pm9")

    assert found.exit_code == 1
    assert "there is no machine 'pm9'; this mill has pm2" in found.stderr


def test_one_file_is_not_for_several_machines(mill: Path) -> None:
    found = run(mill, "fit", "--out", "one.json", "--machine", "pm2", "--machine", "pm3")

    assert found.exit_code == 2


@cache
def examples() -> dict[str, list[str]]:
    """The example of each help text, as arguments."""
    runner = CliRunner()
    found = {}
    for name in ("judge", "replay", "fit"):
        text = re.sub(r"\s+", " ", runner.invoke(risk, [name, "--help"]).output)
        example = re.search(r"Example: breakhorn risk (.*?) Options:", text)
        assert example, text
        found[name] = example.group(1).split()
    return found


@pytest.mark.parametrize("name", ["judge", "replay", "fit"])
def test_the_example_of_each_help_text_runs(mill: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(mkdtemp())

    found = run(mill, *examples()[name])

    assert found.exit_code == 0, found.output
