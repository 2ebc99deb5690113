"""Every block of the reliability engineer's page runs as it stands there, and what its text names can be asked."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from breakhorn import cli
from tests.risk_mill import planted_mill
from tests.risk_store import store_of
from tests.test_operations import started_with

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "analysis" / "ENGINEER.md").read_text(encoding="utf-8")
LINES = [line for block in re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL) for line in block.splitlines()]
OF_RISK = [line for line in LINES if line.startswith("breakhorn risk ")]
OTHERS = [line for line in LINES if line not in OF_RISK]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the commands write; they are told of the mill by the environment."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(line: str) -> Result:
    program, *arguments = shlex.split(line)
    assert program == "breakhorn"
    return CliRunner().invoke(cli, arguments)


def faults(lines: list[str]) -> dict[str, str]:
    """What went wrong, by line; a command that says nothing counts as wrong."""
    done = {line: run(line) for line in lines}
    return {line: found.output for line, found in done.items() if found.exit_code or not found.output.strip()}


def test_every_command_of_the_page_runs_as_it_stands(
    small_mill: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BREAKHORN_MILL", str(small_mill))

    assert faults(OTHERS) == {}
    assert {path.name for path in folder.iterdir()} == {"press.xlsx", "press.html"}


def test_every_command_about_risk_runs_as_it_stands_where_there_are_breaks_enough(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = planted_mill(3, days=12, tags=2, causes=(1.2,), memory_min=180, per_day=12)
    monkeypatch.setenv("BREAKHORN_MILL", str(store_of(made, folder, shifts=24)))

    assert faults(OF_RISK) == {}


def test_commands_that_the_text_names_take_what_they_are_given() -> None:
    named = re.findall(r"`(breakhorn [^`]+)`", PAGE)

    assert len(named) >= 5
    for line in named:
        started_with(shlex.split(line)[1:])


def test_the_page_asks_with_every_command_that_answers_the_engineer() -> None:
    asked = {shlex.split(line)[1] for line in LINES}

    assert asked == {
        "efficiency", "query", "pareto", "rate", "trend", "dossier", "suggest", "evidence", "threading", "broke",
        "compare", "risk",
    }  # fmt: skip


def test_nothing_in_a_block_is_left_out() -> None:
    assert PAGE.count("```") == 2 * len(re.findall(r"^```sh\n", PAGE, re.MULTILINE))
    assert len(LINES) == len(OTHERS) + len(OF_RISK) >= 15
