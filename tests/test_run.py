"""`./run` sets up what it needs once, says what is missing, and never goes on in an environment that is not whole."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Stands in for Python: makes "environments" and "installs" without a network, and writes down what pip was asked for.
PYTHON = """#!/bin/sh
case "$*" in
    "-c "*) exit "${TOO_OLD:-0}" ;;
    "-m venv --clear .venv")
        rm -rf .venv && mkdir -p .venv/bin && cp "$0" .venv/bin/python
        exit "${NO_ENSUREPIP:-0}" ;;
    "-m pip "*)
        [ -z "${NO_NETWORK:-}" ] || exit 1
        echo "$*" >> pip.log
        printf '#!/bin/sh\\necho ran "$@"\\n' > .venv/bin/breakhorn && chmod +x .venv/bin/breakhorn ;;
esac
"""


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder, with a space in its name, with what `run` looks at."""
    folder = tmp_path / "a checkout"
    (folder / "requirements").mkdir(parents=True)
    shutil.copy(ROOT / "run", folder)
    (folder / "requirements" / "run.txt").write_text("first lock\n")
    (tmp_path / "python").write_text(PYTHON)
    (tmp_path / "python").chmod(0o755)
    return folder


def run(checkout: Path, *, beside: str = "python", **circumstances: str) -> subprocess.CompletedProcess[str]:
    """`./run status` from another folder, as somebody would who has `beside` for a Python."""
    environment = os.environ | {"PYTHON": str(checkout.parent / beside)} | circumstances
    return subprocess.run(
        [checkout / "run", "status"], cwd="/", env=environment, capture_output=True, text=True, timeout=60
    )


def times_set_up(checkout: Path) -> int:
    return (checkout / "pip.log").read_text().count("--require-hashes")


def test_it_sets_up_once_and_leaves_stdout_to_the_command(checkout: Path) -> None:
    first, second = run(checkout), run(checkout)

    assert first.stdout == second.stdout == "ran status\n"
    assert "Setting up" in first.stderr
    assert second.stderr == ""
    assert times_set_up(checkout) == 1


def test_a_lock_that_changed_is_installed(checkout: Path) -> None:
    run(checkout)
    (checkout / "requirements" / "run.txt").write_text("second lock\n")

    assert run(checkout).stdout == "ran status\n"
    assert times_set_up(checkout) == 2


def test_a_folder_that_moved_gets_its_environment_anew(checkout: Path) -> None:
    run(checkout)
    moved = checkout.rename(checkout.parent / "elsewhere")

    assert run(moved).stdout == "ran status\n"
    assert times_set_up(moved) == 2


def test_a_command_is_told_what_was_typed_to_call_it(checkout: Path) -> None:
    run(checkout)
    (checkout / ".venv" / "bin" / "breakhorn").write_text('#!/bin/sh\necho "$BREAKHORN_CALLED"\n')

    by_name = subprocess.run(["sh", "run", "x"], cwd=checkout, capture_output=True, text=True, timeout=60, check=True)

    assert run(checkout).stdout == f"{checkout}/run\n"
    assert by_name.stdout == "./run\n"


@pytest.mark.parametrize("broken", ["NO_ENSUREPIP", "NO_NETWORK"])
def test_a_set_up_that_broke_off_is_made_up_for(checkout: Path, broken: str) -> None:
    assert run(checkout, **{broken: "1"}).returncode == 1

    assert run(checkout).stdout == "ran status\n"
    assert times_set_up(checkout) == 1


@pytest.mark.parametrize("circumstances", [{"TOO_OLD": "1"}, {"beside": "no-such-python"}])
def test_without_a_python_that_will_do_it_says_which_is_needed(checkout: Path, circumstances: dict[str, str]) -> None:
    done = run(checkout, **circumstances)

    assert done.returncode == 1
    assert "Breakhorn needs Python 3.11 or newer" in done.stderr
    assert "PYTHON=NAME ./run" in done.stderr
    assert not (checkout / ".venv").exists()
