"""The query command as its user meets it: files, stdin, the cookbook, pipes that close, and Ctrl-C."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from analysis.query_cli import query
from tests.analysis_store import Break, HandMadeStore
from tests.servers import wait_until
from tests.workbook import cells


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day with two breaks in the press and one at the reel."""
    store = HandMadeStore(tmp_path_factory.mktemp("mill"))
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    store.breaks(
        Break("2026-03-02 07:00", "2026-03-02 07:30", cause="PR-FLT"),
        Break("2026-03-02 09:00", "2026-03-02 09:10"),
        Break("2026-03-02 12:00", "2026-03-02 12:20", section="reel"),
    )
    return store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")


def run(mill: Path, *arguments: str, stdin: str | None = None) -> Result:
    return CliRunner().invoke(query, arguments, obj=mill, prog_name="breakhorn query", input=stdin)


def started(mill: Path, *arguments: str) -> subprocess.Popen[str]:
    """The command as a process that hears Ctrl-C, also where whoever started the tests does not."""
    code = "import signal, sys, breakhorn; signal.signal(signal.SIGINT, signal.default_int_handler); breakhorn.main()"
    command = [sys.executable, "-c", code, "--mill", str(mill), "query", *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


COUNT = "SELECT section, count(*) AS breaks FROM sheet_break WHERE lost_s >= $least::DOUBLE GROUP BY section ORDER BY 1"


def test_sql_comes_from_a_file_or_from_stdin(mill: Path, tmp_path: Path) -> None:
    file = tmp_path / "question.sql"
    file.write_text(COUNT, encoding="utf-8")

    asked = run(mill, "--file", str(file), "--param", "least=1000", "--format", "json")
    piped = run(mill, "--file", "-", "--param", "least=0", "--format", "json", stdin=COUNT)

    assert json.loads(asked.stdout) == [{"section": "press", "breaks": 1}, {"section": "reel", "breaks": 1}]
    assert json.loads(piped.stdout) == [{"section": "press", "breaks": 2}, {"section": "reel", "breaks": 1}]


def test_a_table_sets_the_points_of_a_column_under_each_other_and_data_stay_as_they_are(mill: Path) -> None:
    sql = (
        "SELECT unnest([2408.97, 2774.758, NULL]::DOUBLE[]) AS even, unnest([1, 2, 3]) AS whole, "
        "unnest([0.00001, 5, 1e20]::DOUBLE[]) AS wide, unnest([1/3, 0.25, 'nan']::DOUBLE[]) AS many"
    )

    told = [line.split() for line in run(mill, sql).stdout.splitlines() if "2408" in line or "2774" in line]

    assert told == [["2408.970", "1", "1e-05", "0.333333"], ["2774.758", "2", "5.0", "0.250000"]]
    first = json.loads(run(mill, sql, "--format", "json").stdout)[0]
    assert (first["even"], first["many"]) == (2408.97, 1 / 3)


def test_the_end_of_the_file_says_what_it_becomes(mill: Path, tmp_path: Path) -> None:
    for name in ("rows.csv", "rows.json", "rows.jsonl", "rows.parquet", "rows.arrow", "rows.xlsx"):
        assert run(mill, "FROM sheet_break", "--out", str(tmp_path / name)).exit_code == 0

    lengths = {
        pl.read_csv(tmp_path / "rows.csv").height,
        len(json.loads((tmp_path / "rows.json").read_text())),
        len((tmp_path / "rows.jsonl").read_text().splitlines()),
        pl.read_parquet(tmp_path / "rows.parquet").height,
        pl.read_ipc(tmp_path / "rows.arrow").height,
        len(cells(tmp_path / "rows.xlsx")["rows"]) - 1,
    }
    assert lengths == {3}
    columns = dict(cells(tmp_path / "rows.xlsx")["columns"])
    assert columns["lost_s"] == "Loss to sheet back on the reel; null while open. [s]"


def test_the_options_of_other_commands_are_short_for_format_and_out(mill: Path, tmp_path: Path) -> None:
    for name in ("csv", "parquet", "xlsx"):
        assert run(mill, "FROM sheet_break", f"--{name}", str(tmp_path / name)).exit_code == 0
    told = run(mill, "FROM sheet_break", "--json")
    written = run(mill, "FROM sheet_break", "--json", "--out", str(tmp_path / "any name"))

    assert len(json.loads(told.stdout)) == len(json.loads((tmp_path / "any name").read_text())) == 3
    assert written.exit_code == 0
    assert pl.read_csv(tmp_path / "csv").height == pl.read_parquet(tmp_path / "parquet").height == 3
    assert len(cells(tmp_path / "xlsx")["rows"]) == 4


@pytest.mark.parametrize("two", ["--json --csv x", "--format csv --json", "--csv x --out y", "--xlsx x --parquet y"])
def test_an_answer_goes_out_in_one_way(mill: Path, two: str) -> None:
    result = run(mill, "FROM sheet_break", *two.split())

    assert result.exit_code == 2
    assert "give one of" in result.stderr
    assert not Path("x").exists()


@pytest.mark.parametrize("shape", ["parquet", "arrow", "xlsx"])
def test_what_is_not_text_goes_into_a_pipe_as_it_goes_into_a_file(mill: Path, tmp_path: Path, shape: str) -> None:
    sql = "FROM sheet_break ORDER BY downtime_id"
    piped = run(mill, sql, "--format", shape)
    (tmp_path / f"piped.{shape}").write_bytes(piped.stdout_bytes)
    run(mill, sql, "--out", str(tmp_path / f"rows.{shape}"))

    readers: dict[str, Callable[[Path], object]] = {
        "parquet": pl.read_parquet, "arrow": pl.read_ipc, "xlsx": lambda file: cells(file)["rows"],
    }  # fmt: skip
    first, second = (readers[shape](tmp_path / f"{name}.{shape}") for name in ("piped", "rows"))
    assert str(first) == str(second)


def test_what_is_not_text_is_kept_from_a_terminal(mill: Path) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "breakhorn", "--mill", str(mill), "query", "SELECT 1", "--format", "parquet"]
    done = subprocess.run(command, stdout=theirs, stderr=subprocess.PIPE, text=True, timeout=60, check=False)
    os.close(theirs)
    os.close(ours)

    assert done.returncode == 2
    assert "--format parquet is nothing for a terminal; say where to with --out FILE" in done.stderr


def test_a_query_that_fails_half_way_leaves_no_file(mill: Path, tmp_path: Path) -> None:
    # The text that is no number comes after what fits into the first batch.
    sql = "SELECT CASE WHEN range < 300000 THEN '1' ELSE 'x' END::INTEGER AS n FROM range(300001)"

    result = run(mill, sql, "--out", str(tmp_path / "rows.csv"))

    assert result.exit_code == 1
    assert "Could not convert" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_rows_that_stand_when_the_time_is_over_are_followed_by_an_error_as_the_help_says(mill: Path) -> None:
    endless = run(mill, "FROM range(100000000000)", "--format", "csv", "--time-limit", "0.3")

    assert endless.stdout.splitlines()[:2] == ["range", "0"]
    assert (endless.exit_code, "stopped after 0.3 s" in endless.stderr) == (1, True)
    assert "on stdout the first rows may stand then" in " ".join(run(mill, "--help").stdout.split())


@pytest.mark.parametrize("name", ["rows.csv", "rows.parquet"])
def test_a_folder_that_is_not_there_is_told_by_the_name_that_was_given(mill: Path, tmp_path: Path, name: str) -> None:
    result = run(mill, "FROM sheet_break", "--out", str(tmp_path / "nowhere" / name))

    assert result.exit_code == 1
    assert f"{tmp_path / 'nowhere' / name}: No such file or directory; give another path" in result.stderr


def test_a_fault_in_the_sql_is_shown_with_its_place(mill: Path) -> None:
    result = run(mill, "SELECT section FROM sheet_break\nWHERE lost_s > > 5")

    lines = result.stderr.splitlines()
    assert result.exit_code == 1
    assert lines[1] == "LINE 2: WHERE lost_s > > 5"
    assert lines[2].strip("^ ") == ""


def test_a_plan_is_shown_as_it_is_drawn(mill: Path) -> None:
    result = run(mill, "EXPLAIN ANALYZE SELECT count(*) FROM sheet_break")

    assert result.exit_code == 0
    assert "Total Time" in result.stdout
    assert "explain_value" not in result.stdout


def test_a_question_of_the_cookbook_is_answered_and_shown(mill: Path) -> None:
    answer = run(mill, "--ask", "hardest threadings", "--param", "most=1", "--format", "jsonl")
    shown = run(mill, "--ask", "hardest_threadings", "--param", "most=1", "--show").stdout
    again = run(mill, "--file", "-", "--format", "jsonl", stdin=shown)

    assert "LIMIT '1'::INTEGER" in shown
    assert json.loads(answer.stdout)["lost_min"] == 30.0
    assert again.stdout == answer.stdout


def test_the_list_of_questions_names_each_with_its_parameters(mill: Path) -> None:
    listed = run(mill, "--questions").stdout

    assert "  costliest_nights             Which ten nights cost most?" in listed
    assert "most = 10: how many to list" in listed


def test_whoever_has_seen_enough_ends_a_query_without_a_word(mill: Path) -> None:
    with started(mill, "FROM range(3000000)", "--format", "csv") as child:
        assert child.stdout is not None
        assert child.stderr is not None
        assert child.stdout.readline() == "range\n"
        child.stdout.close()

        assert child.wait(30) == -signal.SIGPIPE
        assert child.stderr.read() == ""


def test_ctrl_c_twice_ends_a_query_without_a_traceback(mill: Path) -> None:
    with started(mill, "SELECT count(*) FROM range(1000000000000) AS a WHERE a.range % 7 = 3") as child:
        cpu = Path(f"/proc/{child.pid}/stat")
        wait_until(lambda: sum(map(int, cpu.read_text().split()[13:15])) > 150, what="the query's start")

        child.send_signal(signal.SIGINT)
        # Bit 1 of SigCgt (proc(5)): the first was heard, and the next one is no longer caught.
        caught = Path(f"/proc/{child.pid}/status")
        wait_until(
            lambda: child.poll() is not None or not int(caught.read_text().split("SigCgt:")[1].split()[0], 16) & 2,
            what="the first to be heard",
        )
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=30)

    assert "Traceback" not in said
    assert child.returncode in {1, -signal.SIGINT}


def test_ctrl_c_ends_a_query_at_once_and_in_a_word(mill: Path) -> None:
    endless = "SELECT 'begun', count(*) FROM range(1000000000000) AS a WHERE a.range % 7 = 3"
    with started(mill, endless) as child:
        cpu = Path(f"/proc/{child.pid}/stat")
        # Fields 14 and 15 are ticks of processor time (proc(5)): beyond what starting takes, the query is under way.
        wait_until(lambda: sum(map(int, cpu.read_text().split()[13:15])) > 150, what="the query's start")

        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=30)

    assert child.returncode == 1
    assert said.split() == ["Aborted!"]
