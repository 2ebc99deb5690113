"""The commands that look: data on stdout, all else on stderr, and exit codes that scripts can rely on."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from analysis import cli, query_cli
from analysis.dictionary.cli import say
from analysis.package.cli import export
from analysis.pareto import ALL_KINDS, DIMENSIONS
from tests.analysis_store import Break, HandMadeStore, at, ms

pytestmark = pytest.mark.usefixtures("empty_folder")

COMMANDS = {
    c.name or "": c
    for c in (query_cli.query, say, export, cli.efficiency, cli.pareto, cli.shift, cli.broke, cli.report)
}


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten days of PM 2 up to 2026-03-10 18:00 with a break in each of its last two shifts, the last one uncoded."""
    store = HandMadeStore(tmp_path_factory.mktemp("mill"))
    store.machine("2026-03-01 06:00", "2026-03-10 18:00")
    store.insert("machine", machine="pm3", name="PM 3")
    store.insert("cause", code="PR-FLT", name="Felt plugged")
    store.states(
        ("2026-03-01 06:00", "on_reel"),
        ("2026-03-10 02:00", "down"),
        ("2026-03-10 02:20", "on_reel"),
        ("2026-03-10 12:00", "down"),
        ("2026-03-10 12:30", "on_reel"),
    )
    store.breaks(
        Break("2026-03-10 02:00", "2026-03-10 02:20", cause="PR-FLT"),
        Break("2026-03-10 12:00", "2026-03-10 12:30", section="reel"),
    )
    store.insert("grade_run", machine="pm2", grade="C80", shade="white", started_at=at("2026-03-01 06:00"))
    store.shifts("2026-03-01 06:00", 19)
    return store.close(published="2026-03-10 18:01", data_to="2026-03-10 18:00")


def run(mill: Path, command: str) -> Result:
    """Run ``name arguments…``."""
    name, *arguments = shlex.split(command)
    return CliRunner().invoke(COMMANDS[name], arguments, obj=mill, prog_name=f"breakhorn {name}")


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_the_example_of_every_help_text_runs(mill: Path, name: str) -> None:
    shown = CliRunner().invoke(COMMANDS[name], ["--help"]).stdout
    example = re.search(r"Example: breakhorn (.+?)\n\nOptions", " ".join(shown.split("\n  ")), re.DOTALL)

    assert example is not None
    result = run(mill, " ".join(example[1].split()))

    assert (result.exit_code, result.exception) == (0, None)


def test_every_help_text_ends_with_its_example() -> None:
    for command in COMMANDS.values():
        assert re.search(r"Example: breakhorn [^\n]+$", (command.help or "").rstrip())


@pytest.mark.parametrize("name", ["efficiency", "pareto", "shift", "broke"])
def test_every_answer_says_that_it_is_advisory_once(mill: Path, name: str) -> None:
    told, as_json = run(mill, name), run(mill, f"{name} --json")

    assert told.stderr.count("Do not enter, reach into or thread the machine") == 1
    assert json.loads(as_json.stdout)["advisory"].startswith("Advisory only")


def test_the_sentence_comes_first_and_can_be_checked_by_hand(mill: Path) -> None:
    # 9.5 days less 20 and 30 min: 13,680 - 50 = 13,630 min: 99.6 %.
    result = run(mill, "efficiency")

    assert result.stdout.startswith("PM 2, 2026-03-01 06:00 to 2026-03-10 18:00: time efficiency 99.6 %")
    assert "the whole period" in result.stdout
    assert "data up to 2026-03-10 18:00, published 2026-03-10 18:01" in result.stderr
    assert "published" not in result.stdout


def test_json_is_the_whole_of_stdout_and_sums_exactly(mill: Path) -> None:
    result = run(mill, "efficiency --from 2026-03-10 --by crew --by state --json")

    (found,) = json.loads(result.stdout)["results"]
    assert found["machine"] == "pm2"
    assert found["period"] == {
        "from": "2026-03-09T22:00:00.000Z",
        "to": "2026-03-10T16:00:00.000Z",
        "ms": 18 * 3_600_000,
        "name": None,
        "time_zone": "Europe/Helsinki",
    }
    assert sum(found["ledger_ms"].values()) == 18 * 3_600_000
    assert sum(part["ms"] for part in found["by"]["crew"]) == 18 * 3_600_000
    assert found["ledger_ms"]["break"] == 50 * 60_000
    assert found["data_to"] == "2026-03-10T16:00:00.000Z"
    assert found["settings"]["planned_cutoff_h"] == 24.0
    assert {f["name"]: f["value"] for f in found["figures"]}["quality"] is None


def test_every_level_of_the_answer_adds_up_for_programs(mill: Path) -> None:
    result = run(mill, "efficiency --from 2026-03-10 --by downtime --json")

    (found,) = json.loads(result.stdout)["results"]
    tree, losses = found["drill_down"], found["losses"]
    assert tree["ms"] == 18 * 3_600_000
    (lost,) = [node for node in tree["below"] if node["label"] == "break"]
    assert lost["ms"] == sum(section["ms"] for section in lost["below"]) == 50 * 60_000
    assert [leaf["label"] for s in lost["below"] for c in s["below"] for leaf in c["below"]] == [
        "pm2-20260310T100000Z",
        "pm2-20260310T000000Z",
    ]
    assert losses["on_reel_ms"] + losses["total_ms"] == losses["available_ms"]
    assert [clock["lost_ms"] for clock in found["paper"]["clocks"]] == [20 * 60_000, 30 * 60_000]
    assert found["tonnes"]["by_reel"] == {}


def test_quality_is_known_where_it_is_given(mill: Path) -> None:
    result = run(mill, "efficiency --saleable-t 90 --reel-t 100 --json")

    (found,) = json.loads(result.stdout)["results"]
    figures = {f["name"]: f["value"] for f in found["figures"]}
    assert figures["quality"] == pytest.approx(0.9)
    assert figures["overall machine efficiency"] == pytest.approx(0.9 * 13_630 / 13_680)


def test_the_last_shift_is_the_one_that_ended_and_lists_what_is_to_be_coded(mill: Path) -> None:
    result = run(mill, "shift")

    assert "day shift of 2026-03-10, crew C" in result.stdout
    assert "1 break still to be coded" in result.stdout
    assert "not coded" in result.stdout


def test_last_night_is_a_shift(mill: Path) -> None:
    (found,) = json.loads(run(mill, "shift --shift 'last night' --json").stdout)["results"]

    assert found["period"]["name"] == "night shift of 2026-03-09, crew B"
    assert found["to_code"] == 0
    assert [d["cause"] for d in found["downtimes"]] == ["PR-FLT"]
    assert sum(found["ledger_ms"].values()) == 12 * 3_600_000


def test_a_pareto_can_be_asked_by_several_things(mill: Path) -> None:
    found = json.loads(run(mill, "pareto --by cause --by hour --json").stdout)["results"]

    assert [(r["by"], [bar["label"] for bar in r["primary"]]) for r in found] == [
        ("cause", ["PR-FLT", "not coded"]),
        ("hour", [f"{hour:02d} h" for hour in range(24)]),
    ]
    assert [bar["label"] for bar in found[1]["primary"] if bar["count"]] == ["02 h", "12 h"]
    # PR-FLT: 20 min at 12 t/h: 4 t not made at 300 EUR, 4 t of broke at 100 EUR
    assert found[0]["primary"][0]["money"] == pytest.approx(4 * 300 + 4 * 100)


def test_the_dimensions_and_kinds_that_can_be_asked_for_are_those_there_are() -> None:
    assert set(cli.DIMENSIONS) == set(DIMENSIONS)
    assert set(cli.KINDS) == ALL_KINDS


def test_a_pareto_can_be_drilled_down_to_the_single_downtime(mill: Path) -> None:
    (found,) = json.loads(run(mill, "pareto --within section=reel --by cause --json").stdout)["results"]

    assert found["within"] == {"section": "reel"}
    assert [(bar["label"], bar["count"]) for bar in found["primary"]] == [("not coded", 1)]
    assert [d["downtime_id"] for d in found["downtimes"]] == ["pm2-20260310T100000Z"]


def test_a_pareto_of_every_kind_and_of_machines_is_one_answer_each(mill: Path) -> None:
    found = json.loads(run(mill, "pareto --by kind --by machine --json").stdout)["results"]

    assert [(r["by"], r["machine"], r["counted"]) for r in found] == [
        ("kind", "pm2", "downtime"),
        ("machine", None, "downtime"),
    ]
    assert [(bar["label"], bar["count"]) for bar in found[1]["primary"]] == [("PM 2", 2)]


def test_a_year_is_told_with_how_it_was_scaled(mill: Path) -> None:
    # 9.5 days are 228 h: 2,280 h are ten times that. 20 min at 12 t/h cost 1,600 EUR; ten times that is 16,000.
    _, year = json.loads(run(mill, "pareto --by cause --year-h 2280 --json").stdout)["results"]
    text = run(mill, "pareto --by cause --year").stdout

    assert year["year"] == {"available_h": 2280.0, "factor": pytest.approx(10), "given": True}
    assert {c["label"]: c["cost"][0] for c in year["costs"]}["PR-FLT"] == pytest.approx(16_000)
    assert "regression to the" in " ".join(text.split())
    assert "8,766 h in which the machine is available" in text


@pytest.mark.parametrize("name", ["efficiency", "pareto", "shift", "broke"])
def test_tables_are_written_as_csv_and_workbook(mill: Path, tmp_path: Path, name: str) -> None:
    result = run(mill, f"{name} --csv {tmp_path / 'out.csv'} --xlsx {tmp_path / 'out.xlsx'}")

    assert (result.exit_code, result.exception) == (0, None)
    assert (tmp_path / "out.csv").read_text(encoding="utf-8").startswith("machine,")
    assert (tmp_path / "out.xlsx").read_bytes()[:2] == b"PK"
    assert result.stderr.count("wrote ") >= 2


@pytest.mark.parametrize("name", ["efficiency", "pareto", "shift"])
def test_pictures_are_written_where_they_are_asked_for(mill: Path, tmp_path: Path, name: str) -> None:
    result = run(mill, f"{name} --svg {tmp_path / 'out.svg'} --png {tmp_path / 'out.png'}")

    assert (result.exit_code, result.exception) == (0, None)
    assert (tmp_path / "out.svg").read_text(encoding="utf-8").startswith("<svg")
    assert (tmp_path / "out.png").read_bytes()[1:4] == b"PNG"


@pytest.mark.parametrize("name", ["efficiency", "pareto", "shift", "broke", "report"])
def test_a_page_is_written_where_it_is_asked_for(mill: Path, tmp_path: Path, name: str) -> None:
    result = run(mill, f"{name} --html {tmp_path / 'page.html'} --demo-data")

    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert result.exit_code == 0
    assert "wrote" in result.stderr
    assert page.startswith("<!doctype html>")
    assert "Demo data" in page
    assert ("<svg" in page) is (name != "broke")


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ("efficiency --from 1.3.2026", "write a date"),
        ("efficiency --from 2026-03-05 --to 2026-03-01", "swap"),
        ("efficiency --shift last --from 2026-03-01", "leave out"),
        ("efficiency --saleable-t 3", "belong together"),
        ("shift --shift 'last noon'", "day, night"),
        ("pareto --by colour", "section"),
        ("pareto --within press", "DIMENSION=LABEL"),
        ("pareto --kind planned --year", "prices breaks"),
        ("pareto --within section=pres", "there is press, reel"),
        ("report --html x --csv y", "page"),
        ("report", "--html"),
        ("report --html x --json", "page"),
        ("query 'SELECT 1' --param x", "name=value"),
        ("query 'SELECT 1' --out rows.txt", "--format"),
        ("query 'SELECT 1' --out rows.csv --format table", "terminal"),
        ("query 'SELECT 1' --memory lots", "500MB"),
        ("query", "--ask"),
        ("query 'SELECT 1' --ask causes", "one of"),
        ("query 'SELECT 1' --show", "--ask"),
        ("query --ask nix", "--questions"),
        ("query --ask causes --param nix=1", "it has none"),
    ],
)
def test_wrong_usage_ends_with_2_and_says_what_is_right(mill: Path, command: str, says: str) -> None:
    result = run(mill, command)

    assert (result.exit_code, result.stdout) == (2, "")
    assert says in result.stderr


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ("efficiency --from 2027-01-01", "newest data are of 2026-03-10 18:00"),
        ("efficiency --machine pm9", "pm2, pm3"),
        ("efficiency --machine pm3", "no data"),
        ("shift --shift '2026-03-10 night'", "no shift"),
        ("query 'DROP VIEW downtime'", "only SELECT"),
        ("query 'SELECT $x'", "x"),
    ],
)
def test_what_cannot_be_done_ends_with_1_and_one_line(mill: Path, command: str, says: str) -> None:
    result = run(mill, command)

    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("Error: ")
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_mill_without_a_store_says_what_to_run(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_text("", encoding="utf-8")

    result = run(tmp_path / "mill.toml", "efficiency")

    assert result.exit_code == 1
    assert "breakhorn collect" in result.stderr


def test_a_page_that_cannot_be_written_is_one_line(mill: Path, tmp_path: Path) -> None:
    result = run(mill, f"report --html {tmp_path / 'nowhere' / 'page.html'}")

    assert result.exit_code == 1
    assert "nowhere" in result.stderr


def test_a_query_answers_in_the_format_asked_for(mill: Path, tmp_path: Path) -> None:
    sql = "'SELECT section, lost_s FROM sheet_break WHERE section = $s'"

    table = run(mill, f"query {sql} --param s=reel").stdout
    lines = run(mill, f"query {sql} --param s=reel --format jsonl").stdout
    written = run(mill, f"query {sql} --param s=reel --format csv --out {tmp_path / 'rows.csv'}")
    binary = run(mill, f"query {sql} --param s=reel --format parquet --out {tmp_path / 'rows.parquet'}")

    assert "reel" in table
    assert json.loads(lines) == {"section": "reel", "lost_s": 1800.0}
    assert (tmp_path / "rows.csv").read_text(encoding="utf-8").splitlines() == ["section,lost_s", "reel,1800.0"]
    assert written.stdout == binary.stdout == ""
    assert (tmp_path / "rows.parquet").read_bytes()[:4] == b"PAR1"


def test_a_long_table_says_that_it_was_cut(mill: Path) -> None:
    result = run(mill, "query 'SELECT range FROM range(1001)'")

    assert "only the first 1,000 rows" in result.stderr
    assert result.stdout.count("\n") < 1_010


def test_commands_that_look_change_no_byte_of_the_mill(mill: Path) -> None:
    before = {file: file.read_bytes() for file in mill.parent.rglob("*") if file.is_file()}

    for command in (
        "efficiency",
        "pareto",
        "shift",
        "broke",
        "query 'FROM downtime'",
        "dictionary",
        "query --ask causes",
    ):
        assert run(mill, command).exit_code == 0

    assert {file: file.read_bytes() for file in mill.parent.rglob("*") if file.is_file()} == before


def test_two_machines_are_two_answers(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    for machine in ("pm2", "pm3"):
        store.machine("2026-03-02 06:00", "2026-03-02 18:00", machine=machine, name=machine.upper())
        store.states(("2026-03-02 06:00", "on_reel"), machine=machine)
    mill = store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")

    both = json.loads(run(mill, "efficiency --json").stdout)["results"]
    one = json.loads(run(mill, "efficiency --machine pm3 --json").stdout)["results"]

    assert [r["machine"] for r in both] == ["pm2", "pm3"]
    assert [r["machine"] for r in one] == ["pm3"]
    assert ms("2026-03-02 18:00") - ms("2026-03-02 06:00") == one[0]["ledger_ms"]["on_reel"]


def test_help_needs_none_of_the_heavy_libraries() -> None:
    script = (
        "import sys, analysis.cli; "
        "print([m for m in ('duckdb', 'polars', 'altair', 'scipy', 'rich', 'jinja2', 'numpy') if m in sys.modules])"
    )

    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)

    assert shown.stdout.strip() == "[]"


def test_every_command_knows_its_mill_from_the_context(mill: Path) -> None:
    @click.group()
    @click.pass_context
    def root(context: click.Context) -> None:
        context.obj = mill

    root.add_command(cli.efficiency)

    result = CliRunner().invoke(root, ["efficiency"])

    assert result.exit_code == 0
