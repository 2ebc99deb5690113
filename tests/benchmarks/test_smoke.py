"""Every benchmark still runs and prints the lines that the index looks for; how fast it is, nobody asserts."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.__main__ import NAMES, Ran, rows_of

HERE = Path(__file__).parent


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_benchmark_runs_and_prints_a_table(name: str) -> None:
    command = [sys.executable, "-m", f"tests.benchmarks.{name}", "--quick"]

    done = subprocess.run(command, cwd=HERE.parent.parent, capture_output=True, text=True, timeout=300, check=False)

    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) > 1
    rows = rows_of(Ran(name=name, status=0, said=done.stdout, took_s=0), quick=True)
    assert rows
    assert [row for row in rows if row[2] == "not printed"] == []
