"""What the collector is doing, as a person or a monitor asks it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from breakhorn import cli
from collector.fact import State
from collector.mqtt.replay import Publisher, replay
from collector.publish import publish
from collector.settings import Mill
from collector.status import Heard, Stored, as_json, as_text, judge, listen, look
from collector.status.judge import Running, age
from collector.status.stored import MachineStored
from collector.store import Store
from collector.writer import Writer
from tests.mills import readable_mill
from tests.servers import mosquitto_at, wait_until
from tests.stored import MINUTE, NOW_MS, T0, batch, commit, opened, opening, rows, scan, states
from tests.test_service import collecting, golden_messages, mill_at

HELSINKI = ZoneInfo("Europe/Helsinki")
UP = {"status": "up", "as_of": "2026-03-01T03:00:00.000Z", "version": "1", "messages": 5, "rejected": 2, "waiting": 0}


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def stored(tmp_path: Path, mill: Mill) -> Stored:
    """A store whose newest data are at T0 + 2 min, with a break that is open since T0, published at NOW_MS."""
    with opened(tmp_path) as store:
        store.begin_run(T0, "1")
        store.begin_run(T0 + 1, "2")
        store.keep_counts({"messages": 7})
        commit(store, mill, *states((T0 - MINUTE, State.ON_REEL), (T0, State.DOWN)), opening(T0))
        Writer(store, mill).commit(batch(scan(T0 + 2 * MINUTE, {"reel.speed": 780.0})))
        publish(store, mill, now_ms=NOW_MS)
    found = look(tmp_path / "store")
    assert found is not None
    return replace(found, free_bytes=10**12)


def test_a_collector_that_speaks_and_publishes_is_healthy(mill: Mill, stored: Stored) -> None:
    # T0 + 2 min are 58 min before NOW_MS.
    status = judge(mill, stored, Heard(health=UP), now_ms=NOW_MS + 5_000, silent_after_s=3_600)

    assert status.healthy
    assert status.running is Running.RUNNING
    assert as_text(status, HELSINKI).splitlines()[-1] == "healthy"


@pytest.mark.parametrize(
    ("heard", "running", "why"),
    [
        (Heard(why_not="no broker answers at x:1"), Running.UNKNOWN, "no broker answers at x:1"),
        (Heard(), Running.UNKNOWN, "the broker holds no word of the collector"),
        (Heard(health={"status": "gone"}), Running.GONE, "gone without a word"),
        (Heard(health={**UP, "status": "stopped"}), Running.STOPPED, "the collector was stopped"),
        (Heard(health={**UP, "as_of": "2026-03-01T02:59:00.000Z"}), Running.HANGING, "has said nothing for 65 s"),
        (
            Heard(health={**UP, "status": "store full: make room"}),
            Running.RUNNING,
            "nothing is taken or acknowledged: store full: make room",
        ),
        (
            Heard(health={**UP, "unpublished": "no space left"}),
            Running.RUNNING,
            "readers do not get what is new: no space left",
        ),
        (
            Heard(health={**UP, "lake": {"trouble": "/mnt/lake is no lake: mount it"}}),
            Running.RUNNING,
            "the lake lacks something: /mnt/lake is no lake: mount it",
        ),
    ],
    ids=["no broker", "no word", "gone", "stopped", "hanging", "full", "unpublished", "lake"],
)
def test_whatever_is_wrong_with_the_collector_is_said_in_one_line(
    mill: Mill, stored: Stored, heard: Heard, running: Running, why: str
) -> None:
    status = judge(mill, stored, heard, now_ms=NOW_MS + 5_000, silent_after_s=3_600)

    assert status.running is running
    (trouble,) = status.troubles
    assert why in trouble
    assert as_text(status, HELSINKI).splitlines()[-1] == f"not healthy: {trouble}"


def test_old_publication_silence_and_a_full_disk_are_troubles_too(mill: Mill, stored: Stored) -> None:
    status = judge(mill, replace(stored, free_bytes=10**8), Heard(health={"status": "up"}), now_ms=NOW_MS + 61_000)

    assert [trouble.split(" of ")[0] for trouble in status.troubles] == [
        "published 61 s ago",
        "0.1 GB free on the disk",
        "pm2 has sent nothing for 59 min",
    ]


def test_times_are_by_the_mills_clock_and_programs_get_both(mill: Mill, stored: Stored) -> None:
    heard = Heard(health={**UP, "started_at": "2026-03-01T01:30:00.000Z"})

    status = judge(mill, stored, heard, now_ms=NOW_MS)
    text, told = as_text(status, HELSINKI), as_json(status, HELSINKI)

    # Helsinki is two hours ahead of UTC in winter; NOW_MS is 03:00 UTC.
    assert "2026-03-01 05:00:00 (Europe/Helsinki)" in text
    assert "running since 2026-03-01 03:30:00" in text
    assert "newest data 2026-03-01 04:02:00 (58 min ago)" in text
    assert "T" not in re.sub(r"pm2-\d+T", "", text.replace("(Europe/Helsinki)", ""))
    assert (told["as_of"], told["as_of_mill_time"]) == ("2026-03-01T03:00:00.000Z", "2026-03-01T05:00:00.000+02:00")
    assert told["machines"][0]["newest_data_mill_time"] == "2026-03-01T04:02:00.000+02:00"
    assert told["time_zone"] == "Europe/Helsinki"


@pytest.mark.parametrize(
    ("said", "line"),
    [
        # Of a stopped collector the last word is its end; of a hanging one, what it was heard of last.
        ({"status": "stopped"}, "stopped since 2026-03-01 05:00:00, begun 2026-03-01 03:30:00"),
        ({"as_of": "2026-03-01T02:59:00.000Z"}, "hanging since 2026-03-01 04:59:00, begun 2026-03-01 03:30:00"),
    ],
    ids=["stopped", "hanging"],
)
def test_a_collector_that_does_not_run_is_told_by_its_end_and_by_its_start(
    mill: Mill, stored: Stored, said: dict[str, str], line: str
) -> None:
    heard = Heard(health={**UP, "started_at": "2026-03-01T01:30:00.000Z", **said})

    status = judge(mill, stored, heard, now_ms=NOW_MS + 5_000)

    assert line in as_text(status, HELSINKI)
    assert as_json(status, HELSINKI)["since"] == heard.health["as_of"]  # type: ignore[index]  # it is there
    assert as_json(status, HELSINKI)["started_at"] == "2026-03-01T01:30:00.000Z"


def test_before_the_first_publication_a_machine_is_not_called_silent(mill: Mill, stored: Stored) -> None:
    heard = Heard(health={**UP, "started_at": "2026-03-01T03:00:00+00:00"})
    silent = replace(stored, machines=(MachineStored(machine="pm2", newest_ms=None, state=None, since_ms=None),))
    first_s = round(2 * mill.store.publish_every_s)

    begun, later = (judge(mill, silent, heard, now_ms=NOW_MS + s * 1000) for s in (first_s, first_s + 1))
    again = judge(mill, stored, heard, now_ms=NOW_MS + 1_000)

    assert (begun.troubles, later.troubles) == ((), ("pm2 has never sent anything",))
    assert "pm2           no state yet, nothing published yet" in as_text(begun, HELSINKI)
    assert again.healthy


def test_in_the_hour_that_the_clock_shows_twice_the_offset_is_said(mill: Mill, stored: Stored) -> None:
    # On 2026-10-25 at 01:00 UTC Helsinki goes back from 04:00 (+03:00) to 03:00 (+02:00).
    first, second = (int(datetime(2026, 10, 25, hour, 30, tzinfo=UTC).timestamp() * 1000) for hour in (0, 1))

    told = [as_text(judge(mill, stored, Heard(health=UP), now_ms=ms), HELSINKI) for ms in (first, second)]

    assert "2026-10-25 03:30:00+0300" in told[0]
    assert "2026-10-25 03:30:00+0200" in told[1]


def test_a_start_that_nobody_can_read_is_told_as_it_was_said(mill: Mill, stored: Stored) -> None:
    status = judge(mill, stored, Heard(health={**UP, "started_at": "this morning"}), now_ms=NOW_MS)

    assert "running since this morning" in as_text(status, HELSINKI)


def test_what_somebody_else_said_in_the_collectors_name_moves_no_terminal(mill: Mill, stored: Stored) -> None:
    status = judge(mill, stored, Heard(health={**UP, "version": "1\x1b[2J\nhealthy"}), now_ms=NOW_MS)

    assert "version 1\\u001b[2J\\u000ahealthy" in as_text(status, HELSINKI)


def test_a_store_that_was_never_published_and_a_machine_never_heard_are_named(mill: Mill, stored: Stored) -> None:
    nothing = judge(mill, None, Heard(health=UP), now_ms=NOW_MS)
    silent = replace(stored, machines=(MachineStored(machine="pm2", newest_ms=None, state=None, since_ms=None),))

    assert "start the collector" in nothing.troubles[0]
    assert judge(mill, silent, Heard(health=UP), now_ms=NOW_MS).troubles == ("pm2 has never sent anything",)
    assert as_json(nothing, HELSINKI)["store"] is None
    assert "pm2           no state yet, never sent anything" in as_text(
        judge(mill, silent, Heard(health=UP), now_ms=NOW_MS), HELSINKI
    )


def test_open_downtimes_are_as_old_as_the_newest_data_make_them(mill: Mill, stored: Stored) -> None:
    status = judge(mill, stored, Heard(health=UP), now_ms=NOW_MS)

    assert (
        "pm2-20260301T020000Z: break in press since 2026-03-01 04:00:00, open for 2 min at the newest data"
        in as_text(status, HELSINKI)
    )
    assert as_json(status, HELSINKI)["open_downtimes"][0]["open_s"] == 120


def test_a_run_that_was_cut_off_is_shown_with_what_it_had_counted(mill: Mill, stored: Stored) -> None:
    status = judge(mill, stored, Heard(why_not="no broker"), now_ms=NOW_MS)

    told = as_json(status, HELSINKI)
    assert told["cut_off"]["run"] == 1
    assert told["counts"] == {"messages": 7}
    assert "run 1, begun 2026-03-01 04:00:00, did not end cleanly" in as_text(status, HELSINKI)


def test_counts_are_those_the_collector_says_of_itself(mill: Mill, stored: Stored) -> None:
    status = judge(mill, stored, Heard(health=UP), now_ms=NOW_MS)

    assert as_json(status, HELSINKI)["counts"] == {"messages": 5, "rejected": 2}


@pytest.mark.parametrize(
    ("ms", "words"),
    [(0, "0 s"), (-5, "0 s"), (119_000, "119 s"), (120_000, "2 min"), (7_200_000, "2.0 h"), (200_000_000, "2 days")],
)
def test_ages_are_said_as_people_say_them(ms: int, words: str) -> None:
    assert age(ms) == words


def asked(folder: Path, *options: str) -> Result:
    return CliRunner().invoke(cli, ["--mill", str(folder / "mill.toml"), "status", *options])


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_with_the_broker_down_the_store_is_still_told_of_and_nothing_is_written(tmp_path: Path) -> None:
    mill = mill_at(tmp_path, 9)
    with Store.open(mill.store.folder, mill, now_ms=0) as store:
        publish(store, mill, now_ms=1)
    before = contents(tmp_path)

    text, told = asked(tmp_path), asked(tmp_path, "--json")

    assert (text.exit_code, told.exit_code) == (1, 1)
    assert "no broker answers at 127.0.0.1:9" in text.stdout.splitlines()[-1]
    assert json.loads(told.stdout)["store"]["samples"] == 0
    assert contents(tmp_path) == before


def test_before_the_first_start_it_says_so_and_makes_no_folder(tmp_path: Path) -> None:
    mill_at(tmp_path, 9)

    result = asked(tmp_path)

    assert result.exit_code == 1
    assert "nothing was published in" in result.stdout
    assert not (tmp_path / "store").exists()


@pytest.mark.broker
def test_a_monitor_sees_the_collector_come_work_and_go(broker_port: int, tmp_path: Path) -> None:
    mill = mill_at(tmp_path, broker_port, publish_every_s=0.5)
    silent, messages = ("--silent-after", "1e12"), golden_messages()

    with collecting(mill) as collector:
        wait_until(lambda: collector.connected, what="the connection")
        with Publisher(mill.broker) as publisher:
            replay(publisher, messages)
        wait_until(lambda: collector.counts.messages == len(messages), what="the commits")
        told: dict[str, Any] = {}

        def healthy_with_all_counted() -> bool:
            told.update(json.loads(asked(tmp_path, "--json", *silent).stdout))
            return not told["troubles"] and bool(told["counts"]["messages"] == len(messages))

        wait_until(healthy_with_all_counted, what="health")
    after = asked(tmp_path, "--json", *silent)

    assert told["running"] == "running"
    assert told["version"] == "test"
    assert told["machines"][0]["provisional_state"] is not None
    assert json.loads(after.stdout)["running"] == "stopped"
    assert after.exit_code == 1


@pytest.mark.broker
def test_a_listener_that_may_not_in_is_told_why(tmp_path: Path) -> None:
    with mosquitto_at(tmp_path / "broker") as port:
        mill = mill_at(tmp_path, port)
        refusing = mill.broker.model_copy(update={"username": "nobody", "password_env": "NOT_SET_ANYWHERE"})

        heard = listen(refusing, mill.topic_root, ("pm2",), wait_s=1)

    assert heard.why_not is not None
    assert "NOT_SET_ANYWHERE is not set" in heard.why_not


def test_counts_of_a_run_are_there_before_it_ends(tmp_path: Path, mill: Mill) -> None:
    with opened(tmp_path) as store:
        store.begin_run(T0, "1")
        store.keep_counts({"messages": 3})

        assert rows(store.connection, "SELECT counts, ended_at FROM collector_run") == [('{"messages":3}', None)]


def test_a_damaged_published_file_is_named(tmp_path: Path) -> None:
    mill = mill_at(tmp_path, 9)
    mill.store.folder.mkdir()
    (mill.store.folder / "published.duckdb").write_bytes(b"not a database" * 1000)

    result = asked(tmp_path)

    assert result.exit_code == 1
    assert "published.duckdb cannot be" in result.stderr
