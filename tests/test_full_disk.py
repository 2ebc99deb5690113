"""A collector whose disk fills up and gets room again loses nothing, doubles nothing, and needs nobody to start it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def in_a_name_space(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run Python in a name space of its own, where a small disk can be mounted."""
    probe = subprocess.run(["unshare", "-rm", "true"], check=False, capture_output=True)
    if probe.returncode:
        pytest.skip("needs a user name space, to mount a small disk")
    return subprocess.run(
        ["unshare", "-rm", sys.executable, *arguments],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.parametrize(
    ("harm", "said"),
    [
        ("commit", "store full: no space left on the disk of"),
        ("checkpoint", "store full: no space left on the disk of"),
        ("guard", "of min_free_mb under [store]: make room"),
    ],
)
def test_a_disk_that_fills_up_and_gets_room_again_costs_nothing(
    broker_port: int, tmp_path: Path, harm: str, said: str
) -> None:
    done = in_a_name_space("-m", "tests.full_disk", str(tmp_path), str(broker_port), harm)

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert said in found.pop("status")
    assert found.pop("samples") > 0
    assert found == {"kept back": True, "uncounted": 0, "inconsistencies": [], "different": {}}
