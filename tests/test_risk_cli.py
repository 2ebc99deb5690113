"""The risk commands on a published store."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from analysis.read import open_store, store_folder
from analysis.risk.asked import card_file
from analysis.risk.card import Card, fit, load
from analysis.risk.cli import risk
from analysis.risk.exposure import build
from analysis.risk.judge import judge
from analysis.risk.retrain import put_in_place
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import RiskSettings
from tests.risk_mill import MINUTE_MS, START_MINUTE, planted_mill
from tests.risk_store import store_of

FITTED_MS = START_MINUTE * MINUTE_MS + 13 * DAY_MS


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = planted_mill(3, days=20, tags=4, causes=(1.2, -1.0), memory_min=180, per_day=8)
    named = replace(made.minutes, tags=("press.draw", *made.minutes.tags[1:]))
    return store_of(replace(made, minutes=named), tmp_path_factory.mktemp("mill"), shifts=40)


@pytest.fixture
def fitted(mill: Path, tmp_path: Path) -> Path:
    """The same mill with a model of its first days, which a test may replace; gives a mill.toml beside it."""
    text = mill.read_text(encoding="utf-8")
    store = store_folder(mill)
    (tmp_path / "mill.toml").write_text(re.sub(r'folder = ".*"', f'folder = "{store}"', text), encoding="utf-8")
    assert store_folder(tmp_path / "mill.toml") == store
    put_in_place(model_of(mill), card_file(tmp_path / "mill.toml", "pm2"))
    return tmp_path / "mill.toml"


@cache
def model_of(mill: Path) -> Card:
    """A model of the first two weeks."""
    with open_store(mill) as store:
        exposure = build(store.connection, "pm2", RiskSettings(), until_ms=FITTED_MS)
    return fit(exposure, judge(exposure, challenger=False), made_ms=FITTED_MS)


def run(mill: Path, *arguments: str) -> Result:
    return CliRunner().invoke(risk, list(arguments), obj=mill)


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_judge_begins_with_the_verdict_and_ends_with_the_safety_notice(
    mill: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Narrower, the name of a forecaster may be broken over two lines.
    monkeypatch.setenv("COLUMNS", "160")

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


def test_fit_gives_every_partial_effect_to_programs(mill: Path, tmp_path: Path) -> None:
    file = tmp_path / "pm2-risk.json"

    (told,) = json.loads(run(mill, "fit", "--out", str(file), "--json").stdout)["results"]

    card = load(file)
    assert told["model_id"] == card.model_id
    assert {e["factor"] for e in told["effects"]} == {t.feature.name for t in card.model.terms}
    for effect in told["effects"]:
        assert len(effect["value"]) == len(effect["log_odds"]) == len(effect["low"]) == len(effect["high"])
        assert effect["odds_times"]["low"] <= effect["odds_times"]["high"]


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


def test_one_shift_of_the_replay_is_shown_by_its_name(mill: Path) -> None:
    whole = json.loads(run(mill, "replay", "--json").stdout)["results"][0]
    part = json.loads(run(mill, "replay", "--json", "--from", "2026-03-01", "--shift", "2026-03-19 day").stdout)

    (shift,) = part["results"]
    counts = shift["shift"]["counts"]
    assert shift["sentence"].startswith("PM 2, day shift of 2026-03-19, crew ")
    assert shift["sentence"].endswith(f" {counts['false_warnings']} of them false.") or not counts["warnings"]
    assert (counts["breaks"], counts["warnings"]) == (len(shift["breaks"]), len(shift["warnings"]))
    assert counts["warned_of"] == sum(b["lead_min"] is not None for b in shift["breaks"])
    assert shift["verdict"] == whole["sentence"].split(": ", 1)[1]
    assert {b["downtime_id"] for b in shift["breaks"]} < {b["downtime_id"] for b in whole["breaks"]}
    assert all("2026-03-19T04:00" <= w["at"] < "2026-03-19T16:00" for w in shift["warnings"])


def test_of_one_shift_its_own_answer_comes_before_the_verdict_on_all(mill: Path) -> None:
    found = run(mill, "replay", "--from", "2026-03-01", "--shift", "2026-03-19 day")

    said = re.sub(r"\s+", " ", found.stdout)
    assert re.match(r"PM 2, day shift of 2026-03-19, crew \w: (no|\d+) primary breaks?", said)
    assert said.index("Breaks, hit and missed") < said.index("How the warnings scored")
    assert re.search(r"! All judged days, .* to .*: The model ", said)


def test_a_shift_that_was_learnt_from_is_not_replayed(mill: Path) -> None:
    found = run(mill, "replay", "--shift", "2026-03-02 day")

    assert found.exit_code == 1
    assert "nothing was judged in the day shift of 2026-03-02" in found.stderr


def test_now_says_what_would_be_published_of_the_newest_minute(fitted: Path) -> None:
    found = run(fitted, "now", "--json")

    (told,) = json.loads(found.stdout)["results"]
    assert told["state"] in ("scored", "quiet")
    assert told["model"]["id"] == model_of_file(fitted).model_id
    assert told["last_days"]["breaks"] > 0
    assert told["drift"]["sentence"].startswith("In 7.0 days since it was fitted")
    assert "Do not enter, reach into" in told["notice"]


def test_now_says_of_which_days_its_record_is(fitted: Path) -> None:
    (told,) = json.loads(run(fitted, "now", "--json").stdout)["results"]
    found = re.sub(r"\s+", " ", run(fitted, "now").stdout)

    days = [datetime.fromisoformat(told["last_days"][end]) for end in ("from", "to")]
    since, until = (day.astimezone(ZoneInfo("Europe/Helsinki")).strftime("%Y-%m-%d %H:%M") for day in days)
    assert f"What was judged of the last 30 days: {since} to {until}" in found


def test_now_says_of_a_minute_the_model_had_learnt_from_that_it_had(fitted: Path) -> None:
    found = re.sub(r"\s+", " ", run(fitted, "now", "--at", "2026-03-05 12:00").stdout)

    assert "PM 2, 2026-03-05 12:00: " in found
    assert "The model has learnt from this minute" in found


def test_looking_at_a_model_writes_nothing(fitted: Path) -> None:
    before = files_of(fitted.parent) | files_of(store_folder(fitted))

    for arguments in (["now"], ["drift"], ["what-if", "--set", "press.draw=50"]):
        assert run(fitted, *arguments).exit_code == 0

    assert files_of(fitted.parent) | files_of(store_folder(fitted)) == before


def test_retrain_switches_only_if_the_new_one_is_not_worse_and_keeps_the_old(fitted: Path) -> None:
    old = model_of_file(fitted)

    (told,) = json.loads(run(fitted, "retrain", "--json").stdout)["results"]

    at_work = model_of_file(fitted)
    assert told["switched"] == (told["difference"]["value"] <= 0)
    assert at_work.model_id == told["model_id"]
    if told["switched"]:
        assert at_work.replaces == old.model_id
        assert load(fitted.parent / "risk" / "pm2.previous.json") == old
    else:
        assert at_work == old


def test_retrain_switches_all_the_same_where_it_is_told_yes(fitted: Path) -> None:
    old = model_of_file(fitted)

    assert run(fitted, "retrain", "--yes").exit_code == 0

    assert model_of_file(fitted).replaces == old.model_id


def test_retraining_the_newest_model_is_too_soon(fitted: Path) -> None:
    run(fitted, "retrain", "--yes")

    found = run(fitted, "retrain")

    assert found.exit_code == 1
    assert "days since the model at work was fitted are too few" in found.stderr


def test_what_if_says_that_it_is_association(fitted: Path) -> None:
    found = re.sub(r"\s+", " ", run(fitted, "what-if", "--set", "press.draw=52").stdout)

    assert "The chance of a break would have been" in found
    assert "Association, not proof" in found
    assert run(fitted, "what-if", "--set", "press.draw").exit_code == 2
    assert run(fitted, "what-if", "--set", "no.such=1").exit_code == 2


@pytest.mark.parametrize("command", [["now"], ["drift"], ["retrain"], ["live"], ["what-if", "--set", "press.draw=1"]])
def test_without_a_model_it_says_how_to_come_by_one(mill: Path, command: list[str]) -> None:
    found = run(mill, *command)

    assert found.exit_code == 1
    assert "there is no model of pm2 yet; fit it with 'breakhorn risk fit'" in found.stderr


@pytest.mark.parametrize("command", [["now"], ["drift"], ["retrain"], ["what-if", "--set", "press.draw=1"]])
def test_a_file_that_is_no_model_ends_with_one_line(fitted: Path, command: list[str]) -> None:
    card_file(fitted, "pm2").write_bytes(b"\x80\x04\x95\x1c\x00\x00\x00")

    found = run(fitted, *command)

    assert found.exit_code == 1
    assert "is no model of Breakhorn" in found.stderr
    assert "Traceback" not in found.stderr


def model_of_file(mill: Path) -> Card:
    return load(card_file(mill, "pm2"))


NAMES = ("judge", "replay", "fit", "now", "drift", "retrain", "what-if")


@cache
def examples() -> dict[str, list[str]]:
    """The example of each help text, as arguments."""
    runner = CliRunner()
    found = {}
    for name in (*NAMES, "live"):
        text = re.sub(r"\s+", " ", runner.invoke(risk, [name, "--help"]).output)
        example = re.search(r"Example: breakhorn risk (.*?) Options:", text)
        assert example, text
        found[name] = example.group(1).split()
    return found


@pytest.mark.parametrize("name", NAMES)
def test_the_example_of_each_help_text_runs(
    fitted: Path, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    found = run(fitted, *examples()[name])

    assert found.exit_code == 0, found.output


def test_the_example_of_live_is_what_its_own_tests_run_and_kill() -> None:
    assert examples()["live"] == ["live"]
