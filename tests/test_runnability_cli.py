"""The commands of the statistics over a published store: sentence first, numbers that can be checked, honest words."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from analysis.runnability import cli
from tests.analysis_store import Break, HandMadeStore
from tests.published_checks import near
from tests.runnability_mill import DAYS, Written, sixty_days

pytestmark = pytest.mark.usefixtures("empty_folder")

COMMANDS = {c.name or "": c for c in (cli.rate, cli.compare, cli.trend, cli.threading)}
CHANGE = "compare --change 2026-03-08"


@dataclass(frozen=True)
class Mill:
    """The store and what was written into it."""

    path: Path
    written: Written


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Mill:
    """Sixty days of PM 2 from 2026-02-01; primary breaks fall from 3.2 to 1.4 a day on 2026-03-08."""
    written = sixty_days(tmp_path_factory.mktemp("mill"), lambda day: 3.2 if day < 35 else 1.4)
    return Mill(path=written.mill_toml, written=written)


def run(path: Path, command: str) -> Result:
    """Run ``name arguments…``."""
    name, *arguments = shlex.split(command)
    return CliRunner().invoke(COMMANDS[name], arguments, obj=path, prog_name=f"breakhorn {name}")


def answers(mill: Mill, command: str) -> list[dict[str, Any]]:
    """The results of a command as JSON."""
    result = run(mill.path, f"{command} --json")
    assert (result.exit_code, result.exception) == (0, None)
    found: list[dict[str, Any]] = json.loads(result.stdout)["results"]
    return found


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_the_example_of_every_help_text_runs(mill: Mill, name: str) -> None:
    example = re.search(r"Example: breakhorn ([^\n]+)$", (COMMANDS[name].help or "").rstrip())

    assert example is not None
    result = run(mill.path, example[1])

    assert (result.exit_code, result.exception) == (0, None)


def test_the_rate_is_the_breaks_over_the_time_on_the_reel(mill: Mill) -> None:
    primary = len(mill.written.starts_ms) - mill.written.secondary
    on_reel_h = DAYS * 24 - mill.written.lost_ms / 3_600_000

    first = answers(mill, "rate")[0]

    exact = first["rate_per_on_reel_h"]["exact"]
    assert (exact["count"], exact["exposure"]) == (primary, near(on_reel_h))
    assert sum(section["count"] for section in first["sections"].values()) == primary
    assert list(first["sections"]) == ["couch", "press", "pre-dryer", "size press", "reel"]
    assert first["secondary"]["count"] == mill.written.secondary
    assert f"{24 * primary / on_reel_h:.2f} primary breaks a day on the reel" in first["sentence"]


def test_secondary_breaks_count_when_asked(mill: Mill) -> None:
    first = answers(mill, "rate --secondary")[0]

    assert first["rate_per_on_reel_h"]["exact"]["count"] == len(mill.written.starts_ms)
    assert first["counted"] == "breaks"


def test_charts_have_a_point_a_day_a_shift_and_an_interval(mill: Mill) -> None:
    _, days, intervals, reels, *_ = answers(mill, "rate")
    _, shifts, *_ = answers(mill, "rate --chart shift --limits sigma")

    primary = len(mill.written.starts_ms) - mill.written.secondary
    assert len(days["chart"]["values"]) == DAYS + 1
    assert len(shifts["chart"]["values"]) == 2 * DAYS
    assert shifts["chart"]["limits"] == "three sigma"
    assert len(intervals["chart"]["values"]) == primary - 1
    assert len(reels["chart"]["values"]) == primary - 1
    assert sum(days["chart"]["values"][1:-1]) > 0


def test_signals_are_no_alarms(mill: Mill) -> None:
    said = run(mill.path, "rate").stdout

    assert "These are points to ask about, not alarms." in said
    assert not re.search(r"\balarm\b", said.replace("not alarms", ""))


def test_the_time_after_a_restart_is_shown_to_be_worse(mill: Mill) -> None:
    lifetimes = answers(mill, "rate")[4]["time_to_break"]

    assert lifetimes["early"]["low"] > 1
    assert sum(band["rate"]["count"] for band in lifetimes["bands"]) == lifetimes["weibull"]["breaks"]
    assert lifetimes["bands"][-1]["to_min"] is None


def test_a_fall_that_happened_is_shown(mill: Mill) -> None:
    first, watched, plan = answers(mill, CHANGE)

    chosen = first["comparison"]["chosen"]
    assert chosen["high"] < 1
    assert "a fall is shown at 95 %" in first["sentence"]
    assert watched["monitor"]["fall_shown_at"] is not None
    assert "looked at every day, a fall has been shown since the end of" in watched["sentence"]
    assert plan["plan"]["change"] == -0.2
    before, after = first["comparison"]["before"], first["comparison"]["after"]
    assert before["events"] + after["events"] == len(mill.written.starts_ms) - mill.written.secondary


def test_nothing_is_shown_where_nothing_was_changed(mill: Mill) -> None:
    first, watched, _ = answers(mill, "compare --change 2026-02-18 --to 2026-03-07")

    assert "a change is not shown at 95 %" in first["sentence"]
    assert "nothing is shown yet" in watched["sentence"]


def test_the_time_in_which_a_change_settles_is_left_out(mill: Mill) -> None:
    first = answers(mill, f"{CHANGE} --settle 2")[0]

    assert first["before"]["to"] == "2026-03-07T22:00:00.000Z"
    assert first["after"]["from"] == "2026-03-09T22:00:00.000Z"


def test_regression_to_the_mean_is_always_mentioned(mill: Mill) -> None:
    assert "regression to the mean" in run(mill.path, CHANGE).stdout


def test_a_trend_is_said_with_its_best_model(mill: Mill) -> None:
    (found,) = answers(mill, "trend")

    assert "the rate of primary breaks is falling" in found["sentence"]
    assert found["models"][0]["model"] == "rate in steps"
    assert {test["name"] for test in found["tests"]} >= {"Laplace", "MIL-HDBK-189", "Anderson-Darling"}
    assert len(found["steps"]["changes"]) == 1


def test_breaks_add_up_over_the_lives_of_felts(mill: Mill) -> None:
    _, lives = answers(mill, "trend --clothing 'pickup felt' --weigh minutes")

    assert (lives["position"], lives["unit"], lives["left_out"]) == ("pickup felt", "min", 1)
    assert lives["curve"]["systems"] == 3
    assert "over 3 installations" in lives["sentence"]


def test_threading_counts_every_return(mill: Mill) -> None:
    whole, sections, crews = answers(mill, "threading")

    assert whole["threading"]["figures"]["returns"] == len(mill.written.starts_ms)
    assert sum(f["returns"] for f in sections["groups"]["figures"]) == len(mill.written.starts_ms)
    assert [f["name"] for f in crews["groups"]["figures"]] == list("ABCD")


def test_crews_drawn_alike_are_not_ranked_and_nobody_is_blamed(mill: Mill) -> None:
    said = run(mill.path, "threading --by crew").stdout.lower()

    assert "no crew can be told from another" in said
    assert "crews are not dealt the same breaks" in said
    for word in ("best", "worst", "rank ", "fault", "blame", "poor", "slowest"):
        assert word not in said


def test_sections_that_differ_are_told_apart_in_pairs(mill: Mill) -> None:
    assert "press takes longer than reel" in answers(mill, "threading --by section")[1]["sentence"]


@pytest.mark.parametrize(
    ("command", "pictures"),
    [
        ("rate", 5),
        (CHANGE, 1),
        ("trend --clothing 'pickup felt'", 2),
        ("threading --by section --by grade", 2),
    ],
)
def test_a_page_has_pictures_with_words_and_numbers(mill: Mill, command: str, pictures: int) -> None:
    result = run(mill.path, f"{command} --html page.html")

    assert (result.exit_code, result.exception) == (0, None)
    page = Path("page.html").read_text(encoding="utf-8")
    assert page.count("<svg") == pictures
    assert page.count("<desc>") == pictures
    assert "<script" not in page
    assert "NaN" not in page


@pytest.mark.parametrize("command", ["rate", CHANGE, "trend", "threading"])
def test_tables_and_pictures_are_written_to_files(mill: Mill, tmp_path: Path, command: str) -> None:
    result = run(mill.path, f"{command} --csv t.csv --xlsx t.xlsx --png p.png")

    assert (result.exit_code, result.exception) == (0, None)
    assert (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()[1].startswith("pm2,")
    assert (tmp_path / "t.xlsx").read_bytes()[:2] == b"PK"
    assert (tmp_path / "p.png").read_bytes()[1:4] == b"PNG"


def test_json_holds_no_number_that_json_has_not(mill: Mill) -> None:
    for command in ("rate", CHANGE, "trend", "threading", "compare --change 2026-03-08 --section reel"):
        said = run(mill.path, f"{command} --json").stdout
        assert not re.search(r"\b(NaN|Infinity)\b", said)


def test_looking_changes_no_byte_of_the_store(mill: Mill) -> None:
    files = sorted((mill.path.parent / "kept").rglob("*.duckdb"))
    before = [f.read_bytes() for f in files]

    for command in ("rate", CHANGE, "trend", "threading"):
        run(mill.path, command)

    assert [f.read_bytes() for f in files] == before


@pytest.mark.parametrize(
    ("command", "code", "said"),
    [
        ("rate --section attic", 2, "PM 2 has no section 'attic'; it has couch, press"),
        ("compare --change 2025-01-01", 2, "the change must lie inside the period"),
        ("compare --change 2026-03-08 --settle 400", 2, "shorten --settle"),
        ("compare --change 2026-03-08 --plan 0", 2, "--plan 0 is no change"),
        ("compare", 2, "Missing option '--change'"),
        ("trend --clothing 'couch roll'", 2, "no clothing at 'couch roll'; it has pickup felt"),
    ],
)
def test_wrong_questions_end_with_the_way_out(mill: Mill, command: str, code: int, said: str) -> None:
    result = run(mill.path, command)

    assert result.exit_code == code
    assert said in " ".join(result.stderr.replace("│", " ").split())


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of PM 2 with a single break, still open."""
    store = HandMadeStore(tmp_path_factory.mktemp("quiet"))
    store.machine("2026-03-01 06:00", "2026-03-03 06:00")
    store.insert("sheet_detector", machine="pm2", number=1, tag="sheet.reel", section="reel")
    store.states(("2026-03-01 06:00", "on_reel"), ("2026-03-03 05:00", "down"))
    store.breaks(Break("2026-03-03 05:00", None, section="reel"))
    return store.close(published="2026-03-03 06:01", data_to="2026-03-03 06:00")


def test_a_day_without_breaks_has_an_upper_bound(quiet: Path) -> None:
    result = run(quiet, "rate --to 2026-03-02")

    # 42 h on the reel to midnight; 3.6889/42·24 = 2.11 a day
    assert result.exit_code == 0
    assert "no primary breaks in 42.0 h on the reel; at 95 % their rate is below 2.11 a day on the reel" in " ".join(
        result.stdout.split()
    )


def test_what_too_few_breaks_cannot_tell_is_said(quiet: Path) -> None:
    said = " ".join(run(quiet, "trend").stdout.split())

    assert "a trend needs at least 2 breaks, there are 1; ask for a longer period" in said
    assert "Too few days to tell" in run(quiet, "compare --change 2026-03-02").stdout
    threading = run(quiet, "threading")
    assert threading.exit_code == 1
    assert "no break of this period was threaded back" in threading.stderr


def test_the_power_of_a_trial_is_said_as_other_percentages_are(mill: Mill) -> None:
    said = run(mill.path, f"{CHANGE} --power 0.9").stdout

    assert "Power 90 %, 95 % two-sided" in said


def test_a_period_without_running_time_has_no_rate(quiet: Path) -> None:
    result = run(quiet, "rate --from '2026-03-03 05:10'")

    assert result.exit_code == 1
    assert "never on the reel" in result.stderr


@pytest.fixture(scope="module")
def uneven(tmp_path_factory: pytest.TempPathFactory) -> Mill:
    """Sixty days of which every sixth has many breaks and the others few."""
    written = sixty_days(tmp_path_factory.mktemp("uneven"), lambda day: 40.0 if int(day) % 6 == 0 else 1.6, seed=5)
    return Mill(path=written.mill_toml, written=written)


def test_where_breaks_come_in_clusters_every_answer_allows_for_it_and_says_so(uneven: Mill) -> None:
    rate, days, *_ = answers(uneven, "rate")
    compared, watched, plan = answers(uneven, CHANGE)
    (trend,) = answers(uneven, "trend")

    assert rate["rate_per_on_reel_h"]["widened"]
    assert days["chart"]["limits"] == "three sigma, widened by the scatter between neighbours"
    assert compared["comparison"]["chosen"]["method"] == "quasi-Poisson"
    assert watched["monitor"]["dispersion"] > 2
    assert plan["plan"]["by_exact_test"] is None
    assert plan["plan"]["dispersion"] > 2
    assert trend["tests"][0]["name"] == "Lewis-Robinson"
    for command in ("rate", CHANGE, "trend"):
        assert "Breaks come in clusters" in run(uneven.path, command).stdout
    exact = rate["rate_per_on_reel_h"]["exact"]
    assert f"it is {24 * exact['low']:.2f} to {24 * exact['high']:.2f}." in " ".join(
        run(uneven.path, "rate").stdout.split()
    )


def test_bad_days_are_named_with_the_date(uneven: Mill) -> None:
    clusters = answers(uneven, "rate")[5]

    assert clusters["clustering"]["bad_days"]
    assert "had more breaks than chance gives in so many days" in clusters["sentence"]


def test_without_shifts_the_chart_of_shifts_says_what_is_missing(quiet: Path) -> None:
    assert "give mill.toml a [shifts] table" in run(quiet, "rate --chart shift").stdout


def test_one_machine_without_an_answer_does_not_hide_the_others(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    for machine, state in (("pm1", "stopped"), ("pm2", "on_reel")):
        store.machine("2026-03-01 06:00", "2026-03-03 06:00", machine=machine, name=machine.upper())
        store.states(("2026-03-01 06:00", state), machine=machine)
    path = store.close(published="2026-03-03 06:01", data_to="2026-03-03 06:00")

    result = run(path, "rate")

    assert result.exit_code == 0
    assert "PM1: the sheet was never on the reel" in result.stderr
    assert "no primary breaks in 48.0 h on the reel" in result.stdout


def test_a_change_too_small_for_the_exact_test_is_still_planned(mill: Mill) -> None:
    plan = answers(mill, f"{CHANGE} --plan -1")[2]

    assert plan["plan"]["by_exact_test"] is None
    assert plan["plan"]["each_side"] > 100_000
