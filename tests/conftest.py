"""Hypothesis profiles, and the servers that tests talk to."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from collector.broker import embedded_broker, free_port

settings.register_profile("quick", max_examples=25, deadline=None)
settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True, print_blob=True)
settings.register_profile(
    "thorough", max_examples=3000, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "quick"))


def needs(program: str) -> str:
    """The path of a program that a test cannot do without: missing, it skips the test here and fails it in CI."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{program} is not installed; .ci/run installs it")
        pytest.skip(f"{program} is not installed")
    return found


def wait_until(condition: object, *, seconds: float = 20.0, what: str = "it") -> None:
    """Wait until a callable gives something true; fail when it does not in time."""
    assert callable(condition)
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            pytest.fail(f"{what} did not happen within {seconds:g} s")
        time.sleep(0.01)


def accepts(port: int) -> bool:
    """Whether somebody listens on a port of this computer."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[int]:
    """The port of a real Mosquitto that keeps its sessions, for one test."""
    program = needs("mosquitto")
    port = free_port()
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    folder.chmod(0o777)
    configuration = folder / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_queued_bytes 0\n"
        f"persistence true\npersistence_location {folder}/\nautosave_interval 1\n"
    )
    with (folder / "log").open("w") as log, subprocess.Popen([program, "-c", configuration], stderr=log) as server:
        wait_until(lambda: accepts(port), what="Mosquitto's start")
        yield port
        server.terminate()


@pytest.fixture(params=["embedded", "mosquitto"])
def broker_port(request: pytest.FixtureRequest) -> Iterator[int]:
    """The port of each broker in turn."""
    if request.param == "mosquitto":
        yield request.getfixturevalue("mosquitto")
    else:
        with embedded_broker() as port:
            yield port
