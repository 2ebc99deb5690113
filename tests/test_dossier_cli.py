"""The dossier over a published store: which break is meant, what it says, and a page that refers to nothing outside."""

from __future__ import annotations

import hashlib
import json
import re
import shlex
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import CliRunner, Result

from analysis.dossier.cli import dossier
from analysis.read import PUBLISHED, store_folder
from tests.analysis_store import Break, HandMadeStore, at
from tests.risk_mill import Mill, planted_mill
from tests.risk_store import store_of

pytestmark = pytest.mark.usefixtures("empty_folder")


@pytest.fixture(scope="module")
def mill() -> Mill:
    """Twenty days in which three of six tags drive the breaks."""
    return planted_mill(2, days=20, tags=6, causes=(1.5, -1.2, 1.2))


@pytest.fixture(scope="module")
def store(mill: Mill, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That machine, with two detectors, causes, and a code for every second break."""
    path = store_of(mill, tmp_path_factory.mktemp("mill"), use={"tag05": "result"})
    with duckdb.connect(str(store_folder(path) / PUBLISHED)) as connection:
        connection.execute("INSERT INTO base.cause (code, section, name) VALUES ('PR-DRW', 'press', 'Draw')")
        for n, loss in enumerate(mill.past.losses):
            connection.execute(
                "UPDATE base.downtime SET speed_before_m_min = 780, grade = 'C80' WHERE downtime_id = ?",
                [loss.downtime_id],
            )
            if n % 2:
                connection.execute(
                    "INSERT INTO base.note (receipt, note_id, machine, kind, noted_at, received_at, downtime_id, "
                    "cause, certainty) VALUES (?, ?, 'pm2', 'cause', ?, ?, ?, 'PR-DRW', 'likely')",
                    [n, f"note-{n}", at(loss.started_ms), at(loss.started_ms), loss.downtime_id],
                )
        _detectors(connection, mill)
    return path


def _detectors(connection: duckdb.DuckDBPyConnection, mill: Mill) -> None:
    """A detector at the press and one 130 m further on, which loses the sheet ten seconds later."""
    for number, (tag, section, position, late_ms) in enumerate(
        (("sheet.press", "press", 32.0, 0), ("sheet.reel", "reel", 162.0, 10_000)), start=1
    ):
        tag_id = 100 + number
        connection.execute(
            "INSERT INTO base.sheet_detector (machine, number, tag, section, position_m) VALUES ('pm2', ?, ?, ?, ?)",
            [number, tag, section, position],
        )
        first = at(int(mill.past.on_reel_ms[0, 0]))
        connection.execute(
            "INSERT INTO base.tag (tag_id, machine, tag, first_at, last_at) VALUES (?, 'pm2', ?, ?, ?)",
            [tag_id, tag, first, at(mill.past.until_ms - 1)],
        )
        for start_ms, end_ms in mill.past.on_reel_ms.tolist():
            for when, value in ((start_ms, 1.0), (end_ms + late_ms, 0.0)):
                connection.execute("INSERT INTO base.hot_sample VALUES (?, ?, ?, 0)", [tag_id, at(when), value])


def run(path: Path, arguments: str) -> Result:
    return CliRunner().invoke(dossier, shlex.split(arguments), obj=path, prog_name="breakhorn dossier")


def parts(path: Path, arguments: str) -> list[dict[str, Any]]:
    result = run(path, f"{arguments} --json")
    assert (result.exit_code, result.exception) == (0, None)
    found: list[dict[str, Any]] = json.loads(result.stdout)["results"]
    return found


def primary(mill: Mill) -> str:
    """A primary break late in the history, long after a return."""
    starts = mill.past.on_reel_ms[:, 0]
    long_back = [
        loss.downtime_id
        for loss in mill.past.losses[20:]
        if loss.started_ms - int(starts[starts < loss.started_ms][-1]) > 3 * 3_600_000
    ]
    return long_back[0]


def test_the_example_of_the_help_text_runs(store: Path) -> None:
    example = re.search(r"Example: breakhorn dossier ([^\n]+)$", (dossier.help or "").rstrip())

    assert example is not None
    result = run(store, example[1])

    assert (result.exit_code, result.exception) == (0, None)
    assert "Advisory only" in result.stdout


def test_last_is_the_newest_break_and_an_id_is_itself(store: Path, mill: Mill) -> None:
    newest = mill.past.losses[-1].downtime_id

    assert parts(store, "last")[0]["downtime"]["downtime_id"] == newest
    assert parts(store, newest)[0]["downtime"]["downtime_id"] == newest


def test_the_tonnes_of_a_break_that_is_open_are_said_not_to_be_reckoned_yet(small_mill: Path) -> None:
    said = re.sub(r"\s+", " ", run(small_mill, "last").stdout)

    assert "still open, 1 attempt at threading; not coded." in said
    assert "not made not reckoned while it is open" in said
    assert "broke made, at reel moisture not reckoned while it is open" in said


def test_one_that_does_not_exist_is_answered_with_those_there_are(store: Path, mill: Mill) -> None:
    result = run(store, "pm9-19700101T000000Z")

    assert result.exit_code == 1
    assert "there is no downtime 'pm9-19700101T000000Z'; the newest are" in result.stderr
    assert mill.past.losses[-1].downtime_id in result.stderr


def test_the_beginning_of_several_names_them_and_of_one_is_enough(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-04 00:00")
    made.states(("2026-03-01 00:00", "on_reel"))
    made.breaks(
        Break("2026-03-01 10:00", "2026-03-01 10:20"),
        Break("2026-03-02 10:00", "2026-03-02 10:20"),
        Break("2026-03-02 12:00", "2026-03-02 12:20"),
    )
    path = made.close(published="2026-03-04 00:00", data_to="2026-03-04 00:00")

    several = run(path, "20260302")

    assert several.exit_code == 1
    assert "2 downtimes begin with '20260302': pm2-20260302T080000Z, pm2-20260302T100000Z" in several.stderr
    assert parts(path, "20260301")[0]["downtime"]["downtime_id"] == "pm2-20260301T080000Z"
    assert parts(path, "pm2-20260302T10")[0]["downtime"]["downtime_id"] == "pm2-20260302T100000Z"


def test_a_loss_that_was_not_seen_says_so_and_claims_no_order(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-04 00:00")
    made.states(("2026-03-01 00:00", "on_reel"))
    made.breaks(Break("2026-03-01 10:00", "2026-03-01 10:20", kind="unknown", start_uncertain=True))

    clock, detectors, tags, similar, _ = parts(
        made.close(published="2026-03-04 00:00", data_to="2026-03-04 00:00"), " 20260301T08 "
    )

    assert clock["downtime"]["kind"] == "unknown"
    assert detectors["detectors"] == []
    assert "no detector was seen to lose the sheet" in detectors["sentence"]
    assert tags["reason"] == "it is no break whose loss was seen"
    assert "only breaks are compared" in similar["sentence"]


def test_a_store_without_breaks_says_so(tmp_path: Path) -> None:
    made = HandMadeStore(tmp_path)
    made.machine("2026-03-01 00:00", "2026-03-04 00:00")

    result = run(made.close(published="2026-03-04 00:00", data_to="2026-03-04 00:00"), "last")

    assert result.exit_code == 1
    assert "holds no downtime yet" in result.stderr


def test_the_clock_says_when_what_happened(store: Path, mill: Mill) -> None:
    loss = next(one for one in mill.past.losses if one.downtime_id == primary(mill))
    back_ms = int(mill.past.on_reel_ms[:, 0][mill.past.on_reel_ms[:, 0] > loss.started_ms][0])

    clock = {step["step"]: step["after_ms"] for step in parts(store, primary(mill))[0]["clock"]}

    assert clock["t0 sheet lost"] == 0
    assert clock["t4 back on the reel"] == back_ms - loss.started_ms
    assert clock["t5 back at target speed"] is None


def test_the_detectors_are_laid_beside_path_and_speed(store: Path, mill: Mill) -> None:
    found = parts(store, primary(mill))[1]

    # 130 m at 780 m/min, 13 m a second, are 10 s.
    assert [(d["seen_s"], d["expected_s"], d["verdict"]) for d in found["detectors"]] == [
        (0.0, 0.0, "lost it first"),
        (10.0, 10.0, "as the tail ran out"),
    ]
    assert "reel followed as the tail ran out" in found["sentence"]


def test_tags_are_ranked_and_results_stand_apart(store: Path, mill: Mill) -> None:
    found = parts(store, primary(mill))[2]

    assert {t["tag"] for t in found["tags"]} == {"tag00", "tag01", "tag02", "tag03", "tag04"}
    assert [t["tag"] for t in found["results"]] == ["tag05"]
    off = [abs(t["off"]) for t in found["tags"]]
    assert off == sorted(off, reverse=True)
    assert 5 <= len(found["quiet_runs_end_at"]) <= 10


def test_likenesses_suggestions_and_notes_are_there(store: Path, mill: Mill) -> None:
    _, _, _, suggested, similar, notes = parts(store, primary(mill))

    assert suggested["causes"][0]["cause"] == "PR-DRW"
    assert suggested["causes"][0]["note_a_person_could_send"] == {
        "downtime": primary(mill),
        "kind": "cause",
        "cause": "PR-DRW",
        "certainty": "suspected",
    }
    assert similar["similar"]
    distances = [s["distance"] for s in similar["similar"]]
    assert distances == sorted(distances)
    assert all(s["downtime_id"] != primary(mill) for s in similar["similar"])
    assert notes["notes"] == []


def test_a_break_soon_after_a_return_says_why_it_shows_no_tags(store: Path, mill: Mill) -> None:
    starts = mill.past.on_reel_ms[:, 0]
    soon = next(
        loss
        for loss in mill.past.losses
        if 0 < loss.started_ms - int(starts[starts < loss.started_ms][-1]) < 8 * 60_000
    )

    found = parts(store, soon.downtime_id)

    assert found[2]["tags"] == []
    assert found[2]["reason"] == "the sheet was back for less than 10 min"
    # Every second break is coded: of those before it, half.
    assert found[3]["learned_from"] == mill.past.losses.index(soon) // 2


def test_the_page_refers_to_nothing_outside_and_carries_the_notice(store: Path, mill: Mill) -> None:
    result = run(store, f"{primary(mill)} --html page.html")

    page = Path("page.html").read_text(encoding="utf-8")
    assert result.exit_code == 0
    assert "Advisory only" in page
    assert "<script" not in page
    # What an <svg> names as its namespace is an address that nobody fetches.
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert page.count("<svg") == 3
    assert page.count("<title>") == 1 + 3
    assert page.count("<desc>") == 3
    assert "The most unusual tags" in page


def test_looking_never_writes(store: Path, mill: Mill) -> None:
    files = sorted(p for p in store.parent.rglob("*") if p.is_file())
    before = [hashlib.sha256(p.read_bytes()).hexdigest() for p in files]

    run(store, primary(mill))

    assert sorted(p for p in store.parent.rglob("*") if p.is_file()) == files
    assert [hashlib.sha256(p.read_bytes()).hexdigest() for p in files] == before
