"""Working out anew from the stored samples what the tracker found."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakhorn import cli
from collector.message import Scan
from collector.publish import publish
from collector.rebuild import Rebuilt, SamplesGone, SettingsChanged, rebuild
from collector.rebuild.change import compare
from collector.rebuild.stored import TABLES
from collector.rebuild.wording import lines
from collector.service.announce import instant
from collector.settings import Mill, load_mill
from collector.store import Store
from collector.writer import Writer
from tests.mills import example
from tests.naive_tracker import track
from tests.rebuilding import LATER_MS, audible, facts_of, filled, in_time, mill_of
from tests.stored import T0, batch, load_scans, note, opened, rows
from tests.streams import ELLERHOLM, Stream, histories, ms
from tests.test_full_disk import ROOT
from tests.test_refusals import digests
from tests.tracked import Settings

History = tuple[Settings, list[Scan]]

few = settings(
    max_examples=max(10, settings().max_examples // 3), deadline=None, suppress_health_check=list(HealthCheck)
)


@contextmanager
def a_store(mill: Mill, scans: Sequence[Scan]) -> Iterator[Store]:
    """A store that has taken in some scans."""
    with tempfile.TemporaryDirectory() as folder, filled(Path(folder), mill, scans) as store:
        yield store


def again(store: Store, mill: Mill, *, present_settings: bool = False, dry_run: bool = False) -> Rebuilt:
    return rebuild(store, mill, "pm2", now_ms=LATER_MS, present_settings=present_settings, dry_run=dry_run)


# ---------------------------------------------------------------- what must always hold


@few
@given(history=histories(), parted=st.booleans())
def test_without_late_values_a_rebuild_changes_nothing(history: History, parted: bool) -> None:
    machine, scans = history
    mill = mill_of(machine)
    with a_store(mill, in_time(scans)) as store:
        if parted:
            publish(store, mill, now_ms=LATER_MS)
        before = facts_of(store)

        done = again(store, mill)

        assert facts_of(store) == before
        assert done.same
        assert not done.change
        assert store.inconsistencies() == []


@few
@given(history=histories())
def test_a_rebuild_finds_what_would_have_been_found_had_all_come_in_time(history: History) -> None:
    machine, scans = history
    mill = mill_of(machine)
    with a_store(mill, in_time(scans)) as store:
        wanted = facts_of(store)

    with a_store(mill, scans) as store:
        done = again(store, mill)
        found = facts_of(store)
        unsound = store.inconsistencies()

    assert found == wanted
    assert unsound == []
    assert done.rows["downtime"][1] == len(wanted["downtime"])


@few
@given(history=histories())
def test_a_rebuild_agrees_with_the_second_reading_of_the_rules(history: History) -> None:
    machine, scans = history
    mill = mill_of(machine)

    with a_store(mill, scans) as store:
        again(store, mill)
        found = facts_of(store)

    second = track(audible(in_time(scans)), machine)
    clocks = [(row["started_at"], row["ended_at"], row["kind"], row["section"]) for row in found["downtime"]]
    assert sorted(clocks, key=repr) == sorted(
        ((row.started_ms, row.ended_ms, row.kind, row.section) for row in second.downtimes), key=repr
    )
    states = sorted((row["started_at"], row["state"]) for row in found["machine_state"])
    assert states == [(at, str(state)) for at, state in second.states]


@few
@given(history=histories(), cut=st.integers(0, 10_000))
def test_after_a_rebuild_the_collector_goes_on_as_if_nothing_had_been(history: History, cut: int) -> None:
    machine, scans = history
    mill, scans = mill_of(machine), audible(in_time(scans))
    first, rest = scans[: cut % len(scans)], scans[cut % len(scans) :]
    with a_store(mill, first) as store:
        load_scans(mill, store, rest)
        wanted = facts_of(store)

    with a_store(mill, first) as store:
        again(store, mill)
        load_scans(mill, store, rest)

        assert facts_of(store) == wanted


# ---------------------------------------------------------------- worked by hand


def running(until: str) -> Stream:
    """On the reel from midnight, something heard every second."""
    return Stream().beats("00:00:00", until).on_reel()


def late_break() -> list[Scan]:
    """A break at 00:10:00 whose first detector is told too late, so that it was dated by the second, 10 s later."""
    stream = running("00:20:00").at("00:10:00", heard="00:11:00", sheet_press=False)
    stream.at("00:10:10", sheet_predryer=False).at("00:10:16", sheet_afterdryer=False).at("00:10:18", sheet_reel=False)
    return stream.at("00:12:20", sheet_predryer=True).at("00:12:30", sheet_afterdryer=True).at(
        "00:12:40", sheet_reel=True
    ).at("00:12:00", sheet_press=True).scans  # fmt: skip


MILL = mill_of(ELLERHOLM)

MOVED = "pm2-20260301T001010Z"
TRUE = "pm2-20260301T001000Z"


def test_a_value_that_came_late_moves_the_break_and_its_note_with_it(tmp_path: Path) -> None:
    with filled(tmp_path, MILL, late_break()) as store:
        Writer(store, MILL).commit(batch(context=[note("n1", downtime=MOVED, cause="PR-FLT")]))
        assert rows(store.connection, "SELECT downtime_id, section, cause FROM main.downtime") == [
            (MOVED, "predryer", "PR-FLT")
        ]

        done = again(store, MILL)

        assert done.late == 1
        assert done.change.moved == {MOVED: TRUE}
        assert done.new_orphans == []
        assert rows(store.connection, "SELECT downtime_id, section, cause FROM main.downtime") == [
            (TRUE, "press", "PR-FLT")
        ]
        assert rows(store.connection, "SELECT old_id, downtime_id FROM main.downtime_alias") == [(MOVED, TRUE)]
        assert rows(store.connection, "SELECT late, moved, added, removed FROM main.rebuild") == [(1, 1, 0, 0)]


def test_a_second_rebuild_finds_nothing_to_do_and_keeps_the_aliases(tmp_path: Path) -> None:
    with filled(tmp_path, MILL, late_break()) as store:
        again(store, MILL)

        done = again(store, MILL)

        assert done.same
        assert rows(store.connection, "SELECT old_id, downtime_id FROM main.downtime_alias") == [(MOVED, TRUE)]


def test_a_note_whose_downtime_is_gone_is_listed(tmp_path: Path) -> None:
    # The reel eye fell at 00:10:00; that it was seeing again a second later came late: a flicker, no break.
    stream = running("00:20:00").at("00:10:00", sheet_reel=False).at("00:10:01", heard="00:10:30", sheet_reel=True)
    with filled(tmp_path, MILL, stream.scans) as store:
        Writer(store, MILL).commit(batch(context=[note("n1", downtime=TRUE, cause="PR-FLT")]))

        done = again(store, MILL)

        assert done.change.removed == [TRUE]
        assert done.new_orphans == ["n1"]
        assert [(each["note_id"], each["reason"]) for each in done.orphans] == [("n1", "no such downtime")]
        assert rows(store.connection, "SELECT kind, count FROM main.detector_fault") == [("flicker", 1)]


def test_a_dry_run_says_the_same_and_changes_nothing(tmp_path: Path) -> None:
    with filled(tmp_path, MILL, late_break()) as store:
        before, state = facts_of(store), store.tracker_states()

        said = again(store, MILL, dry_run=True)

        assert facts_of(store) == before
        assert store.tracker_states() == state
        done = again(store, MILL)
        assert said.change == done.change
        assert said.rows == done.rows


def test_values_of_a_role_source_that_play_no_role_keep_the_data_alive(tmp_path: Path) -> None:
    # By exception: nothing but vacuum is heard from 00:00:00 to 00:10:00, so there is no gap.
    stream = Stream().on_reel()
    for minute in range(20):
        stream.at(f"00:{minute:02}:30", vacuum_couch=40.0 + minute)
    with filled(tmp_path, MILL, stream.scans) as store:
        again(store, MILL)

        assert rows(store.connection, "SELECT state FROM main.machine_state") == [("on_reel",)]


def test_values_of_another_source_do_not_keep_the_data_alive(tmp_path: Path) -> None:
    stream = Stream().on_reel().beats("00:00:00", "00:02:00").beats("00:06:00", "00:08:00")
    stream.beats("00:02:00", "00:06:00", source=1)
    scans = [
        Scan(scan.machine, scan.at_ms, {"energy.meter": 1.0}, 1, scan.heard_ms) if scan.source else scan
        for scan in stream.scans
    ]
    with filled(tmp_path, MILL, scans) as store:
        before = facts_of(store)

        assert again(store, MILL).same
        assert [row["state"] for row in before["machine_state"]] == ["on_reel", "no_data", "on_reel"]


def flickering() -> list[Scan]:
    """The reel eye does not see for 4 s at 00:05:00 and again at 00:15:00."""
    stream = running("00:20:00")
    for minute in ("00:05", "00:15"):
        stream.at(f"{minute}:00", sheet_reel=False).at(f"{minute}:04", sheet_reel=True)
    return audible(stream.scans)


def test_each_time_is_judged_by_its_own_settings_unless_told_otherwise(tmp_path: Path) -> None:
    patient = mill_of(replace(ELLERHOLM, debounce_ms=5_000))
    scans = flickering()
    half = [scan for scan in scans if scan.at_ms < ms("00:10:00")]
    with filled(tmp_path, MILL, half):
        pass
    with opened(tmp_path, mill=patient) as store:
        load_scans(patient, store, scans[len(half) :])
        before = facts_of(store)
        kinds = "SELECT epoch_ms(started_at) FROM base.downtime"
        assert rows(store.connection, kinds) == [(ms("00:05:00"),)]

        assert again(store, patient).same
        assert facts_of(store) == before

        again(store, patient, present_settings=True)
        assert rows(store.connection, kinds) == []


def test_other_detectors_than_before_are_asked_about(tmp_path: Path) -> None:
    fewer = mill_of(replace(ELLERHOLM, detectors=ELLERHOLM.detectors[1:]))
    with filled(tmp_path, MILL, late_break()):
        pass
    with opened(tmp_path, mill=fewer) as store:
        before = facts_of(store)

        with pytest.raises(SettingsChanged, match="--present-settings"):
            again(store, fewer)

        assert facts_of(store) == before
        again(store, fewer, present_settings=True)
        assert rows(store.connection, "SELECT downtime_id, section FROM base.downtime") == [(MOVED, "predryer")]
        load_scans(fewer, store, Stream().beats("00:21:00", "00:22:00").made)


def test_rows_that_reach_further_back_than_the_samples_are_not_lost(tmp_path: Path) -> None:
    with filled(tmp_path, MILL, late_break()) as store:
        store.connection.execute("DELETE FROM base.hot_sample WHERE sampled_at < '2026-03-01T00:15:00Z'")
        store.connection.execute("DELETE FROM base.hot_text")
        before = facts_of(store)

        with pytest.raises(SamplesGone, match="backup"):
            again(store, MILL)

        assert facts_of(store) == before


def test_a_machine_without_samples_has_nothing_to_rebuild(tmp_path: Path) -> None:
    with opened(tmp_path, mill=MILL) as store:
        done = again(store, MILL)

    assert done.scans == 0
    assert done.same


# ---------------------------------------------------------------- interrupted, and by command


@pytest.mark.crash
@pytest.mark.parametrize(
    ("at", "new"),
    [
        ("all known", False),
        ("rows deleted", False),
        ("rows written", False),
        ("about to commit", False),
        ("committed", True),
    ],
)
def test_killed_at_any_step_the_store_has_the_old_rows_or_the_new_ones(tmp_path: Path, at: str, new: bool) -> None:
    with filled(tmp_path, MILL, late_break()) as store:
        before, state = facts_of(store), store.tracker_states()

    command = [sys.executable, "-m", "tests.rebuild_killed", str(tmp_path), at]
    ended = subprocess.run(command, cwd=ROOT, check=False, timeout=60).returncode

    assert ended == -signal.SIGKILL
    with opened(tmp_path, mill=MILL) as store:
        ids = [row["downtime_id"] for row in facts_of(store)["downtime"]]
        assert ids == ([TRUE] if new else [MOVED])
        assert (facts_of(store) == before) is not new
        assert (store.tracker_states() == state) is not new
        assert rows(store.connection, "SELECT count(*) FROM main.downtime_alias") == [(int(new),)]
        assert store.inconsistencies() == []


LATE_MESSAGES = [
    {"ts": T0, "values": {"reel.speed": 780, "sheet.press": True, "headbox.stock_on": True}},
    *({"ts": T0 + s * 1000, "values": {"reel.speed": 780, "sheet.press": s < 60}} for s in range(1, 90)),
    {"ts": T0 + 70_000, "values": {"crew.sheet_off": False}},
    {"ts": T0 + 58_500, "values": {"sheet.press": False}},
]
"""A sheet lost at second 60; that it was gone half a second before second 59 comes late, and is not true at 59."""


@pytest.fixture
def late_mill(tmp_path: Path) -> Path:
    """The mill.toml of a mill whose store has a late value of the press detector."""
    path = tmp_path / "mill.toml"
    path.write_text(example(without_sparkplug=True))
    stream = tmp_path / "night.jsonl"
    lines = [
        {"received_at": instant(T0 + 100_000), "topic": "ellerholm/pm2/scan", "payload": each} for each in LATE_MESSAGES
    ]
    stream.write_text("".join(json.dumps(line) + "\n" for line in lines))
    done = CliRunner().invoke(cli, ["--mill", str(path), "load", str(stream)])
    assert done.exit_code == 0, done.output
    return path


def command(path: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["--mill", str(path), "rebuild", *arguments])


def test_the_command_says_what_changed_and_readers_find_it(late_mill: Path) -> None:
    done = command(late_mill, "--machine", "pm2")

    assert done.exit_code == 0, done.output
    assert "2 role values among them had come late" in done.stdout
    with duckdb.connect(late_mill.parent / "store" / "published.duckdb", read_only=True) as connection:
        assert rows(connection, "SELECT machine, late FROM rebuild") == [("pm2", 2)]
        assert rows(connection, "SELECT count(*) FROM detector_fault WHERE kind = 'flicker'") == [(1,)]


def test_what_changed_of_a_downtime_is_said_column_by_column() -> None:
    before = {"downtime_id": "pm2-a", "started_at": T0, "ended_at": None, "kind": "break", "rate_before_t_h": 12.0}
    change = compare([before], [before | {"ended_at": T0 + 60_000, "rate_before_t_h": 12.25}])
    done = Rebuilt(
        machine="pm2", dry_run=False, scans=9, late=1, change=change, rows=dict.fromkeys(TABLES, (1, 1, 1, 1))
    )

    assert list(lines(done))[-1] == "  pm2-a: ended_at none -> 2026-03-01T02:01:00.000Z, rate_before_t_h 12 -> 12.25"


def test_a_change_too_small_for_four_digits_is_said_with_more_and_a_span_in_seconds() -> None:
    before = {"downtime_id": "pm2-a", "started_at": T0, "speed_before_m_min": 780.01, "on_reel_before_ms": None}
    change = compare([before], [before | {"speed_before_m_min": 780.02, "on_reel_before_ms": 6_224_532}])
    done = Rebuilt(
        machine="pm2", dry_run=False, scans=1_009, late=1, change=change, rows=dict.fromkeys(TABLES, (1, 1, 1, 1))
    )

    said = list(lines(done))

    assert said[0].startswith("pm2: 1,009 scans read")
    assert said[-1] == "  pm2-a: speed_before_m_min 780.01 -> 780.02, on_reel_before_s none -> 6224.532"


def test_a_dry_run_by_command_changes_no_byte(late_mill: Path) -> None:
    before = digests(late_mill.parent / "store")

    done = command(late_mill, "--dry-run", "--json")

    assert done.exit_code == 0, done.output
    (said,) = json.loads(done.stdout)
    assert said["dry_run"] is True
    assert said["same"] is False
    assert said["late"] == 2
    assert said["rows"]["detector_flicker"] == {"before": 0, "after": 1, "gone": 0, "new": 1}
    assert digests(late_mill.parent / "store") == before


@pytest.mark.parametrize("dry", [(), ("--dry-run",)])
def test_the_command_leaves_a_store_that_is_in_use_alone(late_mill: Path, dry: tuple[str, ...]) -> None:
    mill = load_mill(late_mill)
    with Store.open(mill.store.folder, mill, now_ms=0):
        done = command(late_mill, *dry)

    assert done.exit_code == 1
    assert "is open in this process already" in done.stderr


def test_the_command_knows_only_the_machines_of_mill_toml(late_mill: Path) -> None:
    done = command(late_mill, "--machine", "pm9")

    assert done.exit_code == 2
    assert "names no machine pm9" in done.stderr


def test_whoever_finds_other_detectors_in_the_store_names_the_command(late_mill: Path) -> None:
    text = late_mill.read_text()
    table = "[[machine.sheet_detector]]"
    one_more = f'{table}\ntag = "sheet.couch"\nsection = "couch"\nposition_m = 20\n\n{table}'
    assert text.count(table) == 1
    late_mill.write_text(text.replace(table, one_more))

    done = CliRunner().invoke(cli, ["--mill", str(late_mill), "load", str(late_mill.with_name("night.jsonl"))])

    assert done.exit_code == 1
    assert "breakhorn rebuild --machine pm2 --present-settings" in done.stderr
    assert command(late_mill, "--present-settings").exit_code == 0
