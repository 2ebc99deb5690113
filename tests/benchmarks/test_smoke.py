"""Every benchmark still runs and prints its table; how fast it is, nobody asserts."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
BENCHMARKS = sorted(path.stem for path in HERE.glob("*.py") if not path.stem.startswith(("test_", "__")))


@pytest.mark.slow
@pytest.mark.parametrize("name", BENCHMARKS)
def test_a_benchmark_runs_and_prints_a_table(name: str) -> None:
    command = [sys.executable, "-m", f"tests.benchmarks.{name}", "--quick"]

    done = subprocess.run(command, cwd=HERE.parent.parent, capture_output=True, text=True, timeout=300, check=False)

    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) > 1
