"""The command that suggests: only what waits, with reasons, never stored; and the shift that shows two of them."""

from __future__ import annotations

import hashlib
import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from analysis.cli import shift
from analysis.suggest.cli import suggest
from tests.analysis_store import Break, HandMadeStore, at

pytestmark = pytest.mark.usefixtures("empty_folder")

CAUSES = (
    ("PR-DRW", "press", "Draw too high or too low"),
    ("GS-STU", "grade and start", "Unsteady after a restart"),
    ("XX-UNK", "other", "Unknown"),
)


def written(folder: Path, *, causes: bool = True, coded: bool = True) -> Path:
    """Ten days with a break at noon and one at three; the newest is soon after a return, and not coded."""
    made = HandMadeStore(folder)
    made.machine("2026-03-01 00:00", "2026-03-11 08:00")
    made.shifts("2026-03-01 06:00", 20)
    made.states(("2026-03-01 00:00", "on_reel"))
    for code, section, name in CAUSES if causes else ():
        made.insert("cause", code=code, section=section, name=name)
    for day in range(1, 11):
        early = f"2026-03-{day:02} 12:00"
        made.breaks(Break(early, f"2026-03-{day:02} 12:20", cause="PR-DRW" if coded and day < 10 else None))
        late = f"2026-03-{day:02} 15:00"
        name = "XX-UNK" if day == 2 else "GS-STU"
        later = name if coded and day < 10 else None
        made.breaks(Break(late, f"2026-03-{day:02} 15:10", cause=later, on_reel_before_min=4.0, section="couch"))
    return made.close(published="2026-03-11 08:00", data_to="2026-03-11 08:00")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("mill"))


def run(path: Path, arguments: str = "") -> Result:
    return CliRunner().invoke(suggest, shlex.split(arguments), obj=path, prog_name="breakhorn suggest")


def answer(path: Path, arguments: str = "") -> dict[str, Any]:
    result = run(path, f"{arguments} --json")
    assert (result.exit_code, result.exception) == (0, None)
    found: dict[str, Any] = json.loads(result.stdout)["results"][0]
    return found


def test_the_example_of_the_help_text_runs(store: Path) -> None:
    example = re.search(r"Example: breakhorn suggest ([^\n]+)$", (suggest.help or "").rstrip())

    assert example is not None
    assert run(store, example[1]).exit_code == 0


def test_breaks_that_wait_are_suggested_and_coded_ones_are_not(store: Path) -> None:
    found = answer(store, "--from 2026-03-01")["suggestions"]

    assert [(s["downtime_id"], s["cause_now"]) for s in found] == [
        ("pm2-20260302T130000Z", "XX-UNK"),
        ("pm2-20260310T100000Z", None),
        ("pm2-20260310T130000Z", None),
    ]


def test_without_a_period_it_is_the_last_shift_that_has_ended(store: Path) -> None:
    assert answer(store)["period"]["name"] == "night shift of 2026-03-10, crew D"


def test_reasons_and_a_note_that_a_person_could_send_go_with_each(store: Path) -> None:
    press, couch = answer(store, "--from 2026-03-10")["suggestions"]

    assert press["causes"][0]["cause"] == "PR-DRW"
    assert couch["causes"][0]["cause"] == "GS-STU"
    assert couch["causes"][0]["probability"] > 0.6
    words = [r["words"] for r in couch["causes"][0]["for"]]
    assert "soon after the sheet's return, as in 8 of 8 breaks of this cause" in words
    assert couch["causes"][0]["note_a_person_could_send"] == {
        "downtime": "pm2-20260310T130000Z",
        "kind": "cause",
        "cause": "GS-STU",
        "certainty": "suspected",
    }
    assert couch["signs"][0]["reason"] == "the sheet had been back on the reel for 4 min only"


def test_everything_is_marked_as_a_suggestion(store: Path) -> None:
    said = " ".join(run(store, "--from 2026-03-10").stdout.split())

    assert "Suggestions only: a person who saw the broken end decides." in said
    assert "Advisory only" in said


def test_with_nothing_coded_only_the_rules_speak(tmp_path: Path) -> None:
    found = answer(written(tmp_path, coded=False), "--from 2026-03-10")

    press, couch = found["suggestions"]
    assert found["judged"] is None
    assert {c["cause"] for c in couch["causes"]} == {"GS-STU"}
    assert couch["causes"][0]["probability"] > 4 * press["causes"][0]["probability"]


def test_a_mill_without_the_rules_codes_is_told_the_sign_in_words(tmp_path: Path) -> None:
    path = written(tmp_path, causes=False, coded=False)

    couch = answer(path, "--from 2026-03-10")["suggestions"][1]

    assert couch["causes"] == []
    assert couch["signs"][0]["cause"] is None
    assert "not settled" in run(path, "--from 2026-03-10").stdout


def test_it_says_whether_the_judgement_looked_at_tags(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-04-11 08:00")
    made.states(("2026-03-01 00:00", "on_reel"))
    made.insert("cause", code="PR-DRW", section="press", name="Draw")
    for day in range(1, 31):
        made.breaks(Break(f"2026-03-{day:02} 12:00", f"2026-03-{day:02} 12:20", cause="PR-DRW" if day < 30 else None))
    path = made.close(published="2026-04-11 08:00", data_to="2026-04-11 08:00")

    quick, whole = answer(path, "--from 2026-03-30"), answer(path, "--from 2026-03-30 --judge")

    assert (quick["judged_with_tags"], whole["judged_with_tags"]) == (False, True)
    assert quick["judged"]["first"] == whole["judged"]["first"]  # there are no tags in this store
    assert quick["judged"]["first"]["hits"] == quick["judged"]["first"]["of"] == 9
    assert "was judged without tags" in run(path, "--from 2026-03-30").stdout
    assert "was judged without tags" not in run(path, "--from 2026-03-30 --judge").stdout


def test_its_page_carries_the_notices_and_refers_to_nothing_outside(store: Path) -> None:
    result = run(store, "--from 2026-03-10 --html page.html")

    page = Path("page.html").read_text(encoding="utf-8")
    assert result.exit_code == 0
    assert "Suggestions only" in page
    assert "Advisory only" in page
    assert "http" not in page.replace("http-equiv", "")


def test_when_nothing_waits_it_says_so(store: Path) -> None:
    found = answer(store, "--from 2026-03-03 --to 2026-03-05")

    assert found["suggestions"] == []
    assert "no break of this time waits for a cause" in found["sentence"]


def test_judging_and_leaving_tags_out_contradict_each_other(store: Path) -> None:
    result = run(store, "--judge --no-tags")

    assert result.exit_code == 2
    assert "leave out --no-tags" in result.stderr


def test_suggestions_are_never_stored(store: Path) -> None:
    files = sorted(p for p in store.parent.rglob("*") if p.is_file())
    before = [hashlib.sha256(p.read_bytes()).hexdigest() for p in files]

    run(store, "--from 2026-03-01 --judge")

    assert [hashlib.sha256(p.read_bytes()).hexdigest() for p in files] == before


def test_a_shift_shows_two_suggestions_for_each_break_still_to_be_coded(store: Path) -> None:
    arguments = ["--shift", "2026-03-10 day"]
    said = CliRunner().invoke(shift, arguments, obj=store).stdout
    found = json.loads(CliRunner().invoke(shift, [*arguments, "--json"], obj=store).stdout)["results"][0]

    assert re.search(r"not coded\s+\(PR-DRW \d+ %", " ".join(said.split()))
    assert "Causes in brackets are suggestions, not codes" in " ".join(said.split())
    assert [len(d["suggested"]) for d in found["downtimes"]] == [2, 2]
    assert found["downtimes"][0]["cause"] is None
    assert at("2026-03-10 12:00").isoformat()[:16] in found["downtimes"][0]["started_at"]
