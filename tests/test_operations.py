"""The guide for operation is so: its commands run as they stand, and what ships for a service does what it says."""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from breakhorn import cli
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.replay import Publisher
from collector.settings import load_mill, parse_mill
from replay_data.demo import write_mill
from tests.servers import needs, wait_until
from tests.test_stopping import events, service

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "collector" / "OPERATIONS.md").read_text()
BROKER_GUIDE = (ROOT / "collector" / "deploy" / "mosquitto" / "README.md").read_text()
GUIDES = (GUIDE, (ROOT / "collector" / "FLEET.md").read_text(), BROKER_GUIDE)
UNIT = ROOT / "collector" / "deploy" / "breakhorn.service"
CONTAINERFILE = (ROOT / "collector" / "deploy" / "Containerfile").read_text()


def blocks(kind: str, guide: str = GUIDE) -> list[str]:
    """The lines of all blocks of a kind, in order."""
    return [line for block in re.findall(rf"```{kind}\n(.*?)```", guide, re.DOTALL) for line in block.splitlines()]


@pytest.fixture
def at_work(tmp_path: Path) -> Iterator[Path]:
    """A folder with mill.toml and a collector that has just taken in something."""
    with embedded_broker() as port:
        path = write_mill(tmp_path, port)
        path.write_text(path.read_text().replace("[store]", "[store]\npublish_every_s = 0.5"))
        with service(tmp_path):
            wait_until(lambda: "connected" in events(tmp_path), what="the connection")
            with Publisher(load_mill(path).broker) as publisher:
                now_ms = time.time_ns() // 1_000_000
                payload = json.dumps({"ts": now_ms, "values": {"reel.speed": 780.0}}).encode()
                publisher.send(Message(received_ms=now_ms, topic="ellerholm/pm2/scan", payload=payload))
            yield tmp_path


@pytest.mark.slow
def test_every_command_of_the_guide_runs_as_it_stands(at_work: Path) -> None:
    environment = os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}

    def run(line: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            line, shell=True, cwd=at_work, env=environment, capture_output=True, text=True, timeout=120, check=False
        )

    wait_until(lambda: run("breakhorn --mill mill.toml status").returncode == 0, what="a healthy collector")
    lines = blocks("sh")

    failed = {line: done.stdout + done.stderr for line in lines if (done := run(line)).returncode}

    assert len(lines) >= 10
    assert failed == {}


def test_what_the_guide_installs_is_there_and_is_what_the_unit_starts() -> None:
    lines, unit = "\n".join(blocks("root")), UNIT.read_text()

    named = re.findall(r"(?:requirements|collector)/[\w./-]+", lines)
    assert all((ROOT / name).exists() for name in named)
    assert len(named) == 6
    for told in ("/opt/breakhorn/bin", "/etc/breakhorn/mill.toml"):
        assert told in lines
        assert told in unit


def test_what_root_is_to_copy_can_be_copied(tmp_path: Path) -> None:
    """As somebody who is not root: without the group, below another root."""
    lines = [line for line in blocks("root") if line.startswith("install ")]
    for folder in ("etc/systemd/system", "etc/mosquitto/conf.d"):
        (tmp_path / folder).mkdir(parents=True)

    for line in lines:
        here = line.replace(" -g breakhorn", "").replace(" mill.toml", " replay_data/mill.toml")
        subprocess.run(here.replace(" /etc/", f" {tmp_path}/etc/"), shell=True, cwd=ROOT, check=True)

    copied = sorted(path.name for path in tmp_path.rglob("*") if path.is_file())
    assert copied == ["breakhorn-loss-sheet.service", "breakhorn-loss-sheet.timer", "breakhorn.service", "mill.toml"]


def test_the_broker_is_set_up_as_its_guide_says(tmp_path: Path) -> None:
    needs("mosquitto_passwd")
    (tmp_path / "etc/mosquitto/conf.d").mkdir(parents=True)
    said = "\n".join(blocks("sh", BROKER_GUIDE)).replace(" -g mosquitto", "").replace("root:mosquitto ", "$(id -u) ")
    script = f"set -e; systemctl() {{ echo $* > {tmp_path}/restarted; }}\n{said.replace(' /etc/', f' {tmp_path}/etc/')}"

    subprocess.run(["bash", "-c", script], cwd=ROOT / "collector" / "deploy" / "mosquitto", input="rope and tail\n" * 2,
        text=True, capture_output=True, check=True, timeout=30)  # fmt: skip

    conf = (tmp_path / "etc/mosquitto/conf.d/breakhorn.conf").read_text()
    assert (tmp_path / "restarted").read_text() == "restart mosquitto\n"
    for name in ("breakhorn.acl", "breakhorn.passwd"):
        assert f" /etc/mosquitto/{name}\n" in conf
        assert (tmp_path / "etc/mosquitto" / name).stat().st_mode & 0o777 == 0o640


def test_every_piece_of_mill_toml_in_a_guide_can_stand_in_one(tmp_path: Path) -> None:
    pieces = [piece for guide in GUIDES for piece in re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)]
    whole = (ROOT / "replay_data" / "mill.toml").read_text()

    for piece in pieces:
        (table,) = re.findall(r"^\[\w+\]$", piece, re.MULTILINE)
        others = re.sub(rf"^{re.escape(table)}\n(?:[^\[].*\n|\n)*", "", whole, flags=re.MULTILINE)
        without = piece.replace('folder = "/mnt/lake"', f'folder = "{tmp_path}"').replace("\n# ", "\n")
        for text in (piece, without if table == "[lake]" else piece):
            assert parse_mill(f"{others}\n{text}", file=tmp_path / "mill.toml")

    assert len(pieces) == 3


def test_every_command_that_a_guide_names_is_one() -> None:
    named = {line for guide in GUIDES for line in re.findall(r"`(breakhorn [^`]+)`", guide)}
    named |= {
        line.split("/opt/breakhorn/bin/")[1]
        for line in blocks("root")
        if "/opt/breakhorn/bin/breakhorn " in line and not line.startswith("sed ")
    }

    for line in named:
        words = shlex.split(line)[1:]
        started_with(words[2:] if words[0] == "--mill" else words)

    assert len(named) > 8


@pytest.mark.parametrize(
    ("name", "description", "command"),
    [("risk", "live break risk", "risk live"), ("page", "the page of the crew", "page")],
)
def test_the_units_of_other_services_are_made_from_the_collectors(
    tmp_path: Path, name: str, description: str, command: str
) -> None:
    unit = f"breakhorn-{name}.service"
    (line,) = (line for line in blocks("root") if line.startswith("sed ") and line.endswith(unit))

    made = tmp_path / unit
    subprocess.run(line.replace(f"/etc/systemd/system/{unit}", str(made)), shell=True, cwd=ROOT, check=True)

    changed = set(made.read_text().splitlines()) - set(UNIT.read_text().splitlines())
    assert changed == {
        f"Description=Breakhorn, {description}", "Type=exec", f"ExecStart=/opt/breakhorn/bin/breakhorn {command}",
    }  # fmt: skip


@pytest.mark.parametrize("event", sorted(set(re.findall(r'about\(\s*"([^"]+)"', "\n".join(
    path.read_text() for path in (ROOT / "collector").rglob("*.py"))))))  # fmt: skip
def test_every_event_that_is_logged_stands_in_the_guide(event: str) -> None:
    (row,) = [line for line in GUIDE.splitlines() if line.startswith("| `event` |")]

    assert event in re.split(r"[:,;] ", row)


def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    program = needs("systemd-analyze")
    command = Path(sys.executable).with_name("breakhorn")
    copy = tmp_path / UNIT.name
    copy.write_text(UNIT.read_text().replace("/opt/breakhorn/bin/breakhorn", f'"{command}"'))

    done = subprocess.run([program, "verify", copy], capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.parametrize("kind", ["service", "timer"])
def test_systemd_finds_nothing_wrong_with_the_timer_of_the_loss_sheet(tmp_path: Path, kind: str) -> None:
    program = needs("systemd-analyze")
    command = Path(sys.executable).with_name("breakhorn")
    for file in UNIT.parent.glob("breakhorn-loss-sheet.*"):
        (tmp_path / file.name).write_text(file.read_text().replace("/opt/breakhorn/bin/breakhorn", f'"{command}"'))

    done = subprocess.run(
        [program, "verify", tmp_path / f"breakhorn-loss-sheet.{kind}"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )

    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def started_with(arguments: list[str]) -> None:
    """Fails unless the command knows the arguments."""
    with click.Context(cli) as context:
        command = cli.get_command(context, arguments[0])
        if isinstance(command, click.Group) and len(arguments) > 1:
            command, arguments = command.get_command(context, arguments[1]), arguments[1:]
        assert command is not None
        command.make_context(arguments[0], arguments[1:], parent=context, resilient_parsing=len(arguments) == 1)


def test_unit_and_container_start_what_there_is() -> None:
    (start,) = re.findall(r"^ExecStart=(.*)$", UNIT.read_text(), re.MULTILINE)
    (sheet,) = re.findall(r"^ExecStart=(.*)$", (UNIT.parent / "breakhorn-loss-sheet.service").read_text(), re.MULTILINE)
    (run,) = re.findall(r"^CMD (\[.*\])$", CONTAINERFILE, re.MULTILINE)
    (check,) = re.findall(r"^HEALTHCHECK .* CMD (\[.*\])$", CONTAINERFILE, re.MULTILINE)

    started_with(shlex.split(start)[1:])
    started_with(shlex.split(sheet)[1:])
    started_with(json.loads(run))
    started_with(json.loads(check)[1:])
    assert f'ENTRYPOINT ["{json.loads(check)[0]}"]' in CONTAINERFILE
    assert re.search(r"^USER breakhorn$", CONTAINERFILE, re.MULTILINE)


@pytest.mark.slow
def test_what_is_copied_into_the_container_is_enough_to_build_from(tmp_path: Path) -> None:
    for line in re.findall(r"^COPY (?!--from)(.*)$", CONTAINERFILE, re.MULTILINE):
        *sources, target = line.split()
        for name in sources:
            assert (ROOT / name).exists()
            where = tmp_path / target / (name if (ROOT / name).is_file() else ".")
            where.parent.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-r", ROOT / name, where.resolve()], check=True)

    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path / "dist")]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=120)

    assert list((tmp_path / "dist").glob("*.whl"))
    assert (tmp_path / "requirements" / "run.txt").exists()


def test_systemd_is_told_when_the_collector_is_ready_and_when_it_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_mill(tmp_path, 9)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with service(tmp_path) as process:
            assert systemd.recv(100) == b"READY=1"
            assert (tmp_path / "store" / "published.duckdb").exists()
            process.terminate()
            assert systemd.recv(100) == b"STOPPING=1"
            assert process.wait(30) == 0


@pytest.mark.parametrize(("umask", "others"), [(0o027, 0o640), (0o077, 0o600), (0o022, 0o644)])
def test_files_of_the_store_are_made_with_the_umask_of_the_service(tmp_path: Path, umask: int, others: int) -> None:
    write_mill(tmp_path, 9)
    before = os.umask(umask)
    try:
        with service(tmp_path) as process:
            wait_until(lambda: "no broker" in events(tmp_path), what="the collector")
            wait_until((tmp_path / "store" / "published.duckdb").exists, what="the published file")
            modes = {
                path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "store").rglob("*") if path.is_file()
            }
            process.terminate()
            process.wait(30)
    finally:
        os.umask(before)

    assert {"collector.duckdb", "published.duckdb"} <= set(modes)
    assert set(modes.values()) == {others}
    assert (tmp_path / "store").stat().st_mode & 0o777 == 0o777 & ~umask
