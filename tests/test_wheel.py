"""The built wheel carries everything that the command needs, away from the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as it is laid into an environment."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True, timeout=120)
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
        wheel.extractall(folder / "site")
    return folder / "site"


def test_no_test_and_no_recorded_store_is_in_the_wheel(unpacked: Path) -> None:
    top = {path.name for path in unpacked.iterdir() if not path.name.endswith(".dist-info")}

    assert top == {"breakhorn.py", "collector", "analysis", "replay_data"}
    assert not (unpacked / "replay_data" / "pictures").exists()
    assert (unpacked / "replay_data" / "golden" / "night_shift" / "stream.jsonl.gz").exists()  # the tutorial's night


def test_the_command_runs_from_the_wheel_alone(unpacked: Path, tmp_path: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(unpacked)}
    where = "import breakhorn, collector, sys; print(breakhorn.__file__, collector.__file__)"
    mill = unpacked / "replay_data" / "mill.toml"

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, *arguments]
        return subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120)

    assert all(str(unpacked) in name for name in run("-c", where).stdout.split())
    assert run("-m", "breakhorn", "--mill", str(mill), "check").returncode == 0
    done = run("-m", "breakhorn", "simulate", "stream", "--days", "1")
    assert done.returncode == 0, done.stderr
    (tmp_path / "mill.toml").write_text(mill.read_text())
    loaded = run("-m", "breakhorn", "load", *done.stdout.split())
    assert loaded.returncode == 0, loaded.stderr
    report = run("-m", "breakhorn", "report", "--html", "report.html")
    assert report.returncode == 0, report.stderr
    assert (tmp_path / "report.html").read_text().startswith("<!doctype html>")
