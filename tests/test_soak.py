"""The soak test itself runs; the ten minutes at full rate are by hand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.servers import needs


@pytest.mark.broker
@pytest.mark.slow
def test_some_seconds_at_full_rate_stay_below_the_memory_that_was_set() -> None:
    needs("mosquitto")

    done = subprocess.run(
        [sys.executable, "-m", "tests.soak", "--quick"],
        cwd=Path(__file__).parent.parent,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert "samples" in done.stdout
