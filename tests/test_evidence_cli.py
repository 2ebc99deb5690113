"""The command over a published store: sentence first, what JSON lets one check, pictures described, no false claim."""

from __future__ import annotations

import html
import json
import re
import shlex
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from analysis.cli import report
from analysis.evidence.ages import Ageing
from analysis.evidence.answer import Question, seek
from analysis.evidence.brief import STRONGEST, in_short
from analysis.evidence.cells import Cells, Tag
from analysis.evidence.cli import evidence
from analysis.evidence.lead import Kind
from analysis.evidence.reading import read_cells, read_tags
from analysis.evidence.tell import NOT_A_CAUSE, tell_evidence
from analysis.evidence.tell_where import tell_ages
from analysis.history import Downtime
from analysis.period import Period
from analysis.read import Store, open_store
from analysis.suggest.reading import read_few
from tests.analysis_store import HandMadeStore, at
from tests.evidence_mill import cells_of
from tests.risk_mill import START_MINUTE, Mill, noise_mill, planted_mill
from tests.risk_store import store_of

pytestmark = pytest.mark.usefixtures("empty_folder")


@pytest.fixture(scope="module")
def mill() -> Mill:
    """Sixty days in which three of six tags drive the breaks."""
    return planted_mill(1, days=60, tags=6, causes=(1.2, -1.0, 1.0))


@pytest.fixture(scope="module")
def store(mill: Mill, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_of(mill, tmp_path_factory.mktemp("mill"), use={"tag05": "result"})


def run(path: Path, arguments: str = "") -> Result:
    return CliRunner().invoke(evidence, shlex.split(arguments), obj=path, prog_name="breakhorn evidence")


def answers(path: Path, arguments: str = "") -> list[dict[str, Any]]:
    result = run(path, f"{arguments} --json")
    assert (result.exit_code, result.exception) == (0, None)
    found: list[dict[str, Any]] = json.loads(result.stdout)["results"]
    return found


def test_the_example_of_the_help_text_runs(store: Path) -> None:
    example = re.search(r"Example: breakhorn evidence ([^\n]+)$", (evidence.help or "").rstrip())

    assert example is not None
    result = run(store, example[1])

    # The machine of this store has one section only, and no detectors: press is known from its breaks.
    assert (result.exit_code, result.exception) == (0, None)


def test_the_first_sentence_says_what_differs_and_how_sure(store: Path) -> None:
    said = run(store).stdout.splitlines()

    assert re.search(r"before primary breaks tag0[012] was (higher|lower)", " ".join(said[:4]))
    assert "50 % would be chance" in " ".join(said[:8])
    assert "need not cause them" in run(store).stdout


def test_what_is_planted_is_shown_and_results_are_left_out(store: Path) -> None:
    first, matched, strata = answers(store)

    assert set(first["shown"]) <= {"tag00", "tag01", "tag02"}
    assert len(first["shown"]) >= 2
    assert "tag05" not in {f["tag"] for f in first["findings"]}
    assert first["tests"] == 5 * 3 * 6
    assert set(strata["strata"]) == set(first["shown"])
    shown = first["shown"]
    assert {(p["first"], p["second"]) for p in strata["pairs"]} == {
        (a, b) for n, a in enumerate(shown) for b in shown[n + 1 :]
    }
    assert all(p["q"] is None or p["p"] <= p["q"] for p in strata["pairs"])
    assert first["breaks"] == len(matched["matched"])


def test_every_break_is_listed_with_its_quiet_runs_or_its_reason(store: Path, mill: Mill) -> None:
    _, matched, _ = answers(store)

    asked = sum(not loss.secondary for loss in mill.past.losses)
    assert len(matched["matched"]) + len(matched["unmatched"]) == asked
    assert all(1 <= len(m["quiet_runs_end_at"]) <= 4 for m in matched["matched"])
    assert all(u["reason"] for u in matched["unmatched"])
    assert "Quiet runs of each break" in run(store, "--runs").stdout


def test_a_tag_that_looks_like_a_result_is_to_be_asked_for_by_section_before_it_is_declared_one(store: Path) -> None:
    with open_store(store) as opened:
        machine = opened.machine("pm2")
        period = Period(from_ms=machine.first_ms or 0, to_ms=machine.last_ms or 1)
        history = opened.history(machine, period)
        sought = seek(opened, history, period, Question())
    first, *others = sought.evidence.findings
    like = replace(sought.evidence, findings=(replace(first, result_like=Kind.AFTER), *others))

    told = tell_evidence(history, period, Question(), replace(sought, evidence=like))

    (left_out,) = (table for table in told.tables if table.title.startswith("Left out"))
    assert [row[0] for row in left_out.rows] == [first.tag.tag]
    assert "ask --section first" in left_out.note


def test_a_period_and_other_choices_are_kept(store: Path) -> None:
    first, matched, *_ = answers(store, "--from 2026-03-20 --to 2026-04-10 --controls 2 --secondary")

    assert first["asked"] == "breaks"
    assert all("2026-03-19T22" <= m["started_at"] < "2026-04-10T21" for m in matched["matched"])
    assert all(len(m["quiet_runs_end_at"]) <= 2 for m in matched["matched"])


def test_too_few_breaks_are_said_to_be_too_few(store: Path) -> None:
    result = run(store, "--from 2026-03-20 --to 2026-03-21")

    assert result.exit_code == 0
    assert "nothing is tested" in result.stdout


def test_nothing_planted_is_said_to_be_nothing(tmp_path: Path) -> None:
    path = store_of(noise_mill(3, days=20, tags=8, breaks=60), tmp_path)

    said = " ".join(run(path).stdout.split())

    assert "nothing is shown to differ before primary breaks beyond what chance brings" in said
    assert "Nearest to being shown, which is not shown" in said


@pytest.mark.parametrize(
    ("arguments", "says"),
    [("--section winder", "has no section 'winder'"), ("--cause XX-NO", "there is no cause 'XX-NO'")],
)
def test_what_the_machine_has_not_is_refused(store: Path, arguments: str, says: str) -> None:
    result = run(store, arguments)

    assert result.exit_code == 2
    assert says in result.stderr


def test_the_page_shows_effects_traces_and_lead_each_with_text_and_numbers(store: Path, tmp_path: Path) -> None:
    result = run(store, "--html page.html")

    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert result.exit_code == 0
    assert text.count("<svg") == text.count("<figcaption>") == text.count("The numbers behind the picture") >= 4
    assert "What tells breaks from quiet runs" in text
    assert "before breaks and in quiet runs" in text
    assert "From when on it shows" in text
    assert "<script" not in text


@pytest.mark.parametrize(
    ("question", "held"),
    [
        (Question(), {"primary", "unknown", "coded"}),
        (Question(secondary=True), {"primary", "unknown", "coded", "secondary"}),
        (Question(section="press"), {"primary", "coded"}),
        (Question(cause="PR-FLT"), {"coded"}),
    ],
)
def test_a_question_holds_the_breaks_it_asks_about(question: Question, held: set[str]) -> None:
    base: dict[str, Any] = {"kind": "break", "started_ms": 0, "ended_ms": None}
    downtimes = [
        Downtime(downtime_id="primary", section="press", secondary=False, **base),
        Downtime(downtime_id="secondary", section="couch", secondary=True, **base),
        Downtime(downtime_id="unknown", section="couch", **base),
        Downtime(downtime_id="coded", section="press", cause="PR-FLT", **base),
        Downtime(downtime_id="uncertain", section="press", start_uncertain=True, **base),
        Downtime(downtime_id="stop", kind="stop", started_ms=0, ended_ms=None),
    ]

    assert {d.downtime_id for d in downtimes if question.holds(d)} == held


def test_what_age_does_is_said_and_too_little_is_not_judged(store: Path) -> None:
    felt = Ageing(
        name="age of press felt",
        breaks=80,
        lives=4,
        young=3.0,
        old=27.0,
        times=2.5,
        low=1.4,
        high=4.4,
        p=0.002,
        q=0.004,
    )
    wire = Ageing(name="age of wire", breaks=80, lives=1)
    with open_store(store) as opened:
        machine = opened.machine("pm2")
        period = Period(from_ms=machine.first_ms or 0, to_ms=machine.last_ms or 1)
        history = opened.history(machine, period)
        sought = seek(opened, history, period, Question())

    told = tell_ages(history, period, Question(), replace(sought, ages=(felt, wire)))
    silent = tell_ages(history, period, Question(), replace(sought, ages=(wire,)))

    assert sought.ages == ()
    assert tell_ages(history, period, Question(), sought) is None
    assert told is not None
    assert told.sentence == "the rate of primary breaks goes with age: press felt × 2.5 (1.4 to 4.4) from young to old."
    assert told.cautions == (NOT_A_CAUSE,)
    assert told.tables[0].rows[1][5] == "too little to tell"
    assert silent is not None
    assert "is not shown" in silent.sentence


def test_cells_from_the_store_are_those_of_the_tags(store: Path, mill: Mill) -> None:
    minutes = START_MINUTE + np.array([5, 6, 7, 1_440, 20_000, 40_001, 86_000])

    with open_store(store) as opened:
        tags = read_tags(opened.connection, "pm2")
        cells = read_cells(opened.connection, tags, minutes)

    assert [t.tag for t in cells.tags] == ["reel.speed", "tag00", "tag01", "tag02", "tag03", "tag04"]
    there = cells_of(mill, minutes)
    expected = there.mean[:5] + there.origin[:5, None]
    assert cells.mean[1:] + cells.origin[1:, None] == pytest.approx(expected, abs=1e-4)
    assert cells.variance[1:] == pytest.approx(there.variance[:5], rel=1e-3)
    # A tag that never said anything has nothing.
    assert np.isnan(cells.mean[0]).all()


@pytest.mark.parametrize("read", [lambda store, *asked: read_cells(store.connection, *asked), read_few])
def test_a_tag_that_is_sent_only_when_it_changes_holds_and_bad_values_are_left_out(
    tmp_path: Path, read: Callable[[Store, Sequence[Tag], NDArray[np.int64]], Cells]
) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-02 00:00")
    made.insert(
        "tag", tag_id=7, machine="pm2", tag="steam.set", first_at=at("2026-03-01 00:00"), last_at=at("2026-03-02")
    )
    for when, value, flags in (("01:00", 4.0, 0), ("02:30", 6.0, 0), ("03:00", 99.0, 4), ("03:10", 98.0, 2)):
        made.insert("hot_sample", tag_id=7, sampled_at=at(f"2026-03-01 {when}"), value=value, flags=flags)
    path = made.close(published="2026-03-02 00:00", data_to="2026-03-02 00:00")
    first = at("2026-03-01 00:00").timestamp() // 60
    minutes = np.array([30, 61, 149, 150, 181, 200, 1_600], np.int64) + int(first)

    with open_store(path) as opened:
        cells = read(opened, (Tag(tag="steam.set", tag_id=7),), minutes)

    held = cells.mean[0] + cells.origin[0]
    assert np.isnan(held[0])
    assert held[1:6].tolist() == [4.0, 4.0, 6.0, 6.0, 6.0]
    # A day without a word is no value any more.
    assert np.isnan(held[6])


def test_the_report_has_the_evidence_in_short_with_its_caution(store: Path, tmp_path: Path) -> None:
    sentence = answers(store)[0]["sentence"]

    result = CliRunner().invoke(report, ["--html", str(tmp_path / "page.html")], obj=store)

    page = html.unescape((tmp_path / "page.html").read_text(encoding="utf-8"))
    part = page[page.index("What differs before breaks") :]
    assert (result.exit_code, result.exception) == (0, None)
    assert sentence.split(": ", 1)[1][1:] in page
    assert 0 < part.index("need not cause them") < part.index("All of it: breakhorn evidence")


def test_the_evidence_in_short_is_one_table_of_at_most_five_tags(store: Path) -> None:
    with open_store(store) as opened:
        machine = opened.machine("pm2")
        period = Period(from_ms=machine.first_ms or 0, to_ms=machine.last_ms or 1)

        told = in_short(opened, opened.history(machine, period), period)

    assert len(told.tables) == 1
    assert 0 < len(told.tables[0].rows) <= STRONGEST
