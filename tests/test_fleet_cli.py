"""The commands of lake and fleet, as somebody would use them one after the other."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result

from breakhorn import cli
from collector.message import Message
from collector.stream import StreamWriter
from replay_data.demo import write_mill


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


def stream(path: Path, days: int) -> Path:
    """An hourly speed for some days from 1 March 2026 on, UTC."""
    with StreamWriter(path) as writer:
        for hour in range(24 * days):
            at = f"2026-03-{1 + hour // 24:02}T{hour % 24:02}:00:00Z"
            payload = json.dumps({"ts": at, "values": {"reel.speed": 700.0 + hour}}).encode()
            writer.write(
                Message(received_ms=1_772_323_200_000 + 3_600_000 * hour, topic="ellerholm/pm2/scan", payload=payload)
            )
    return path


def test_a_lake_is_made_filled_by_load_checked_and_asked(tmp_path: Path) -> None:
    path = write_mill(tmp_path, 9)
    path.write_text(path.read_text().replace("[store]", '[lake]\nfolder = "lake"\n\n[store]'))
    mill, lake = ("--mill", str(path)), str(tmp_path / "lake")
    file = str(stream(tmp_path / "days.jsonl.gz", 3))

    first = run(*mill, "load", file)
    assert first.exit_code == 0
    assert "Not all is in the lake" in first.stderr
    assert "make it one once with 'breakhorn lake make'" in first.stderr

    assert run(*mill, "lake", "make").exit_code == 0
    copied = run(*mill, "lake", "copy")
    assert copied.exit_code == 0, copied.stderr
    assert "all as their manifests say" in run(*mill, "lake", "check").stderr

    # Three whole days in the past are closed by now: 72 values 700, 701 … 771.
    asked = run(
        "fleet",
        "--lake",
        lake,
        "--format",
        "json",
        "SELECT mill, count(*) AS n, max(value) AS most FROM sample GROUP BY 1",
    )
    assert json.loads(asked.stdout) == [{"mill": "Ellerholm", "n": 72, "most": 771.0}]
    of_a_day = run(
        *mill,
        "fleet",
        "--from",
        "2026-03-02",
        "--to",
        "2026-03-02",
        "--format",
        "json",
        "SELECT count(*) AS n FROM sample",
    )
    assert json.loads(of_a_day.stdout) == [{"n": 24}]
    assert "breaks_a_day" in run("fleet", "--questions").stdout
    asked = run(*mill, "fleet", "--ask", "breaks_a_day")
    assert asked.exit_code == 0
    assert run(*mill, "fleet", "--ask", "Breaks a day").stdout == asked.stdout
    views = "SELECT view_name FROM duckdb_views() WHERE schema_name = 'main' AND NOT internal"
    of_store, of_lake = (
        {row["view_name"] for row in json.loads(run(*mill, command, views, "--format", "json").stdout)}
        for command in ("query", "fleet")
    )
    # As collector/FLEET.md says.
    assert of_store - of_lake == {"configuration", "rejected_message", "numbered_sample"}
    assert of_lake < of_store


def test_what_is_not_there_is_said_with_the_way_out(tmp_path: Path) -> None:
    path = write_mill(tmp_path, 9)
    mill = ("--mill", str(path))

    assert "names no lake" in run(*mill, "lake", "copy").stderr
    assert "say where one is with --lake FOLDER" in run(*mill, "fleet", "SELECT 1").stderr
    assert "is no lake" in run("fleet", "--lake", str(tmp_path), "SELECT 1").stderr
    unknown = run("fleet", "--lake", str(tmp_path), "--ask", "no_such")
    assert (unknown.exit_code, "--questions" in unknown.stderr) == (2, True)
    for both_or_none in ((), ("SELECT 1", "--ask", "breaks_a_day")):
        wrong = run("fleet", "--lake", str(tmp_path), *both_or_none)
        assert (wrong.exit_code, "one of" in wrong.stderr) == (2, True)


def test_nothing_can_be_written_through_the_fleet(tmp_path: Path) -> None:
    path = write_mill(tmp_path, 9)
    path.write_text(path.read_text().replace("[store]", '[lake]\nfolder = "lake"\n\n[store]'))
    run("--mill", str(path), "lake", "make")
    run("--mill", str(path), "load", str(stream(tmp_path / "days.jsonl.gz", 1)))

    for sql in ("COPY (SELECT 1) TO '/tmp/x.csv'", "DROP VIEW downtime", "SELECT * FROM read_text('/etc/hostname')"):
        done = run("--mill", str(path), "fleet", sql)
        assert done.exit_code == 1
        assert "only SELECT" in done.stderr or "disabled by configuration" in done.stderr
