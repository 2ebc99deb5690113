"""The command as its users call it: in a process of its own, or through click."""

from __future__ import annotations

import io
import json
import os
import pty
import shlex
import signal
import subprocess
import sys
import threading
import time
from contextlib import redirect_stdout, suppress
from functools import partial
from pathlib import Path

import click
import duckdb
import pytest
from click.testing import CliRunner

from breakhorn import COMMANDS, cli, main
from collector.decode import Decoder
from collector.message import Message
from collector.mqtt.broker import embedded_broker
from collector.mqtt.record import record
from collector.settings import load_mill
from collector.stream import StreamWriter, read_stream
from replay_data.demo import write_mill
from replay_data.simulator import read_truth
from replay_data.simulator.scenario import random_scenario
from tests.servers import wait_until

GOLDEN = Path(__file__).parent.parent / "replay_data" / "golden" / "night_shift" / "stream.jsonl.gz"
BREAKHORN = [sys.executable, "-m", "breakhorn"]


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*BREAKHORN, *arguments], capture_output=True, text=True, timeout=120, check=False)


def count(mill: Path, view: str) -> int:
    with duckdb.connect(mill.parent / "store" / "published.duckdb", read_only=True) as connection:
        row = connection.execute(f"SELECT count(*) FROM {view}").fetchone()
    assert row is not None
    return int(row[0])


@pytest.fixture
def mill(tmp_path: Path) -> Path:
    """The demo mill's file, with nobody at its broker's port."""
    return write_mill(tmp_path, 9)


def test_the_list_of_commands_is_there_without_importing_anything_heavy() -> None:
    code = (
        "import sys, breakhorn\n"
        "try: breakhorn.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'duckdb', 'polars', 'sklearn', 'altair', 'scipy', 'paho', 'numpy', 'pydantic'} & set(sys.modules)\n"
        "sys.exit(f'imported {heavy}' if heavy else 0)\n"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 0, done.stderr
    assert all(f"  {name} " in done.stdout for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_text_ends_with_an_example_of_this_command(name: str) -> None:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None

    helps = [command.help or ""]
    if isinstance(command, click.Group):
        helps += [sub.help or "" for sub in command.commands.values()]

    for text in helps:
        example = text.rstrip().splitlines()[-1].strip()
        assert example.startswith("Example: breakhorn "), text
        words = shlex.split(example.removeprefix("Example: "))
        assert name in words


def test_what_goes_to_a_file_is_utf_8_whatever_the_locale() -> None:
    environment = os.environ | {"PYTHONIOENCODING": "latin-1"}  # which has no "…"
    command = [*BREAKHORN, "efficiency", "--help"]
    done = subprocess.run(command, env=environment, capture_output=True, timeout=120, check=True)

    assert "FILE, then FILE-2 …" in " ".join(done.stdout.decode("utf-8").split())


def test_a_terminal_that_knows_fewer_characters_shows_the_rest() -> None:
    ours, theirs = pty.openpty()
    environment = os.environ | {"PYTHONIOENCODING": "latin-1"}
    command = [*BREAKHORN, "efficiency", "--help"]
    shown = b""
    with subprocess.Popen(command, env=environment, stdout=theirs, stderr=theirs) as child:
        os.close(theirs)
        with suppress(OSError):  # how Linux says that nobody writes to this terminal any more
            while piece := os.read(ours, 4096):
                shown += piece
    os.close(ours)

    assert child.returncode == 0, shown
    assert b"FILE, then FILE-2 ?" in b" ".join(shown.split())


def test_a_name_that_no_locale_can_spell_is_still_told_in_one_line() -> None:
    environment = os.environ | {"LC_ALL": "POSIX", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}
    command = [*BREAKHORN, "--mill", os.fsdecode(b"a\xff.toml"), "efficiency"]
    done = subprocess.run(command, env=environment, capture_output=True, timeout=120, check=False)

    assert done.returncode == 1
    assert done.stderr.startswith(b"Error: a\\udcff.toml: No such file")
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["check"], ["check", "--json"]])
def test_a_stdout_that_takes_nothing_is_told_in_one_line(mill: Path, arguments: list[str]) -> None:
    command = [*BREAKHORN, "--mill", str(mill), *arguments]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120, check=False)

    assert (done.returncode, done.stderr) == (1, "Error: stdout cannot be written: No space left on device\n")


def test_a_stdout_in_memory_is_left_as_it_is() -> None:
    heard = io.StringIO()

    with redirect_stdout(heard), pytest.raises(SystemExit) as ended:
        main(["--version"])

    assert ended.value.code == 0
    assert heard.getvalue().startswith("breakhorn, version ")


def test_where_there_is_no_sigpipe_whoever_closes_the_pipe_ends_a_command_with_1() -> None:
    code = "import signal, breakhorn; del signal.SIGPIPE; breakhorn.main(['--help'])"
    command = [sys.executable, "-c", code]
    ours, theirs = os.pipe()
    os.close(ours)
    done = subprocess.run(command, stdout=theirs, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    os.close(theirs)

    assert (done.returncode, done.stderr) == (1, "")


def test_a_sound_mill_file_passes_the_check(mill: Path) -> None:
    done = run("--mill", str(mill), "check")

    assert done.returncode == 0, done.stderr


def test_every_fault_of_a_mill_file_is_named_with_its_line(mill: Path) -> None:
    text = mill.read_text().replace("trim_m = 3.40", 'trim_m = "wide"').replace("Europe/Helsinki", "Europe/Nowhere")
    mill.write_text(text)

    done = run("--mill", str(mill), "check", "--json")

    assert done.returncode == 1
    found = {finding["key"]: finding["line"] for finding in json.loads(done.stdout)}
    lines = text.splitlines()
    assert lines[found["machine[1].trim_m"] - 1] == 'trim_m = "wide"'
    assert "Europe/Nowhere" in lines[found["mill.time_zone"] - 1]


def test_a_command_on_a_broken_mill_file_says_why_in_words_and_exits_with_1(mill: Path) -> None:
    mill.write_text("[mill]\nname = 3\n")

    done = run("--mill", str(mill), "load", str(GOLDEN))

    assert done.returncode == 1
    assert "mill.name" in done.stderr
    assert "Traceback" not in done.stderr


def test_wrong_usage_exits_with_2(mill: Path) -> None:
    assert run("--mill", str(mill), "load").returncode == 2


def test_the_schema_that_is_printed_is_json_schema(mill: Path) -> None:
    done = run("--mill", str(mill), "check", "--schema")

    assert json.loads(done.stdout)["$schema"].startswith("https://json-schema.org/")


def test_loading_twice_stores_nothing_twice(mill: Path) -> None:
    first = CliRunner().invoke(cli, ["--mill", str(mill), "load", str(GOLDEN)])
    samples, downtimes = count(mill, "sample"), count(mill, "downtime")

    second = CliRunner().invoke(cli, ["--mill", str(mill), "load", str(GOLDEN)])

    assert (first.exit_code, second.exit_code) == (0, 0)
    assert samples > 10_000
    assert (count(mill, "sample"), count(mill, "downtime")) == (samples, downtimes)
    assert "0 new samples" in second.stderr


def an_hour_with_a_break(file: Path, mill: Path, *, day: str) -> Path:
    """An export, a row each 10 s, in which the whole sheet is off the reel for ten minutes."""
    machine = load_mill(mill).machines[0]
    eyes = [detector.tag for detector in machine.sheet_detectors]
    rows = [",".join(("ts", str(machine.signals.speed), *eyes))]
    for second in range(0, 3600, 10):
        seen = "0" if 1500 <= second < 2100 else "1"
        rows.append(",".join((f"{day}T10:{second // 60:02}:{second % 60:02}Z", "800", *[seen] * len(eyes))))
    file.write_text("\n".join(rows))
    return file


def test_history_older_than_what_is_there_is_late_and_a_rebuild_finds_its_breaks(mill: Path, tmp_path: Path) -> None:
    newer = an_hour_with_a_break(tmp_path / "newer.csv", mill, day="2026-03-02")
    older = an_hour_with_a_break(tmp_path / "older.csv", mill, day="2026-03-01")

    first = CliRunner().invoke(cli, ["--mill", str(mill), "load", str(newer)])
    second = CliRunner().invoke(cli, ["--mill", str(mill), "load", str(older)])
    before = count(mill, "sheet_break")
    rebuilt = CliRunner().invoke(cli, ["--mill", str(mill), "rebuild"])

    # 360 rows, one speed and seven eyes each: 2,880 samples.
    assert "2,880 new samples from 1 file (" in first.stderr
    assert "late" not in first.stderr.lower()
    assert "2,880 late" in second.stderr
    assert "'breakhorn rebuild'" in second.stderr
    assert (before, rebuilt.exit_code, count(mill, "sheet_break")) == (1, 0, 2)


def test_a_broken_line_of_a_stream_is_named_with_file_and_line(mill: Path, tmp_path: Path) -> None:
    stream = tmp_path / "night.jsonl"
    stream.write_text('{"received_at": "2026-02-02T00:00:00Z", "topic": "a", "payload": 1}\n{"received_at": \n')

    done = run("--mill", str(mill), "load", str(stream))

    assert done.returncode == 1
    assert "night.jsonl:2" in done.stderr


def test_replay_without_a_broker_says_so(mill: Path) -> None:
    done = run("--mill", str(mill), "replay", str(GOLDEN))

    assert done.returncode == 1
    assert "no broker answers at 127.0.0.1:9" in done.stderr


def test_what_record_wrote_is_what_replay_published(tmp_path: Path) -> None:
    recording, count = tmp_path / "recorded.jsonl.gz", len(list(read_stream(GOLDEN)))
    ready, stopping, written = threading.Event(), threading.Event(), [0]
    with embedded_broker() as port:
        mill = load_mill(write_mill(tmp_path, port))
        work = partial(
            record,
            mill.broker,
            Decoder(mill).subscriptions,
            recording,
            stopping=stopping,
            ready=ready.set,
            progress=written.append,
        )
        recorder = threading.Thread(target=work)
        recorder.start()
        assert ready.wait(20)
        assert run("--mill", str(tmp_path / "mill.toml"), "replay", str(GOLDEN)).returncode == 0
        wait_until(lambda: written[-1] == count, what="the last message")
        stopping.set()
        recorder.join(20)

    def said(path: Path) -> list[tuple[str, bytes]]:
        return sorted((message.topic, message.payload) for message in read_stream(path))

    assert said(recording) == said(GOLDEN)


def test_record_says_when_it_listens_and_leaves_a_whole_file_when_interrupted(tmp_path: Path) -> None:
    recording = tmp_path / "empty.jsonl"
    with embedded_broker() as port:
        mill = write_mill(tmp_path, port)
        command = [*BREAKHORN, "--mill", str(mill), "record", str(recording)]
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as recorder:
            assert recorder.stderr is not None
            assert recorder.stderr.readline().startswith(f"Recording from 127.0.0.1:{port}")
            recorder.send_signal(signal.SIGINT)
            assert recorder.wait(30) == 0

    assert list(read_stream(recording)) == []


def test_collect_ends_within_five_seconds_of_sigterm_and_leaves_a_clean_run(tmp_path: Path) -> None:
    with embedded_broker() as port:
        mill = write_mill(tmp_path, port)
        with subprocess.Popen([*BREAKHORN, "--mill", mill, "collect"], stderr=subprocess.PIPE) as service:
            wait_until((tmp_path / "store" / "published.duckdb").exists, what="the first published file")
            began = time.monotonic()
            service.send_signal(signal.SIGTERM)
            assert service.wait(20) == 0
            assert time.monotonic() - began < 5

    done = run("--mill", str(mill), "query", "--format", "json", "SELECT ended_cleanly FROM collector_run")
    assert json.loads(done.stdout) == [{"ended_cleanly": True}]


def test_simulate_writes_streams_that_load_reads(mill: Path, tmp_path: Path) -> None:
    done = run("simulate", str(tmp_path / "stream"), "--days", "1", "--seed", "3")

    files = done.stdout.split()
    assert done.returncode == 0, done.stderr
    assert [Path(file).suffix for file in files] == [".parquet"]
    assert run("--mill", str(mill), "load", *files).returncode == 0
    assert count(mill, "machine_state") > 0


def test_simulate_writes_a_drawn_scenario_with_its_mill_and_its_truth(tmp_path: Path) -> None:
    done = run("simulate", str(tmp_path), "--days", "2", "--scenario", "6")

    mill = tmp_path / "mill.toml"
    tables = read_truth(tmp_path / "truth" / "truth.jsonl.gz")
    assert done.returncode == 0, done.stderr
    assert run("--mill", str(mill), "check").returncode == 0
    assert run("--mill", str(mill), "load", *done.stdout.split()).returncode == 0
    assert len(tables["plant"]) == len(random_scenario(6).plants)
    assert count(mill, "downtime") == len(tables["downtime"]) > 0


def test_stream_files_keep_messages_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "one.jsonl"
    message = Message(received_ms=1_770_000_000_123, topic="a/b", payload=b"\xff\x00")
    with StreamWriter(path) as stream:
        stream.write(message)

    assert list(read_stream(path)) == [message]


def test_the_demo_accounts_for_its_days_through_a_real_broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "demo"
    monkeypatch.setenv("BREAKHORN_CALLED", "./run")

    done = run("demo", "--days", "1", "--folder", str(folder))

    assert done.returncode == 0, done.stderr
    assert "time efficiency" in done.stdout
    assert "Break risk was not judged" in " ".join(done.stdout.split())
    assert "Advisory only" in done.stdout
    assert len(done.stdout.splitlines()) < 60
    assert str(folder / "report.html") in done.stdout
    assert (folder / "store" / "published.duckdb").is_file()
    page = (folder / "report.html").read_text()
    assert "Demo data: an invented mill" in page
    asked = [shlex.split(line) for line in done.stdout.splitlines() if " --mill " in line]
    assert [command[0] for command in asked] == ["./run"] * 3
    assert done.stderr.count("planted") == 1
    for command in asked:
        assert CliRunner().invoke(cli, command[1:]).exit_code == 0, command
    again = run("demo", "--days", "1", "--folder", str(folder))
    assert again.returncode == 1
    assert "is not empty" in again.stderr
