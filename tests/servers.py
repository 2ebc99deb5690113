"""Servers that tests talk to, started and ended by them, on this computer only."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from ctypes.util import find_library
from pathlib import Path
from typing import NoReturn

import pytest

from collector.mqtt.broker import free_port


def needs(program: str) -> str:
    """The path of a program that a test cannot do without: missing, it skips the test here and fails it in CI."""
    return shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin") or _without(program)


def needs_library(name: str, *, package: str) -> None:
    """The same for a library of the system."""
    if find_library(name) is None:
        _without(package)


def _without(missing: str) -> NoReturn:
    if os.environ.get("CI"):
        pytest.fail(f"{missing} is not installed; .ci/run installs it")
    pytest.skip(f"{missing} is not installed")


def wait_until(condition: Callable[[], object], *, seconds: float = 30.0, what: str = "it") -> None:
    """Wait until a callable gives something true; fail when it does not in time."""
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            pytest.fail(f"{what} did not happen within {seconds:g} s")
        time.sleep(0.01)


def accepts(port: int) -> bool:
    """Whether somebody listens on a port of this computer."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def mosquitto_at(folder: Path, *, port: int | None = None, more: Iterable[str] = ()) -> Iterator[int]:
    """A real Mosquitto that keeps its sessions in a folder; gives its port."""
    port = port or free_port()
    lines = [f"listener {port} 127.0.0.1", "allow_anonymous true", "max_queued_messages 0", "max_queued_bytes 0"]
    lines += ["persistence true", f"persistence_location {folder}/", "autosave_interval 1", *more]
    with mosquitto_with("\n".join(lines) + "\n", folder, port=port):
        yield port


@contextmanager
def mosquitto_with(configuration: str, folder: Path, *, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """A real Mosquitto with this configuration, which must make it listen on the port; what it logs is in ``log``."""
    program = needs("mosquitto")
    folder.mkdir(exist_ok=True)
    folder.chmod(0o777)
    path = folder / "mosquitto.conf"
    # As root it would become the user mosquitto, who may not write into a test's folder.
    path.write_text(configuration + "user root\n" * (os.geteuid() == 0))
    with (folder / "log").open("a") as log, subprocess.Popen([program, "-c", path], stderr=log, stdout=log) as server:
        try:
            wait_until(lambda: accepts(port), what="Mosquitto's start")
            yield server
        finally:
            server.terminate()
