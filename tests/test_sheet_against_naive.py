"""Random machine histories: two trackers, written by two people from one page of rules, must find the same rows."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.fact import Outcome, State
from collector.message import Scan
from tests.naive_tracker import track
from tests.sheet_adapter import run_sheet, sheet_facts
from tests.streams import histories
from tests.tracked import Downtime, Settings, Tracked

Tracker = Callable[[Sequence[Scan], Settings], Tracked]
History = tuple[Settings, list[Scan]]

many = settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
some = settings(many, max_examples=60)
trackers = pytest.mark.parametrize("tracker", [track, run_sheet], ids=["naive", "sheet"])


def near(value: float | None) -> object:
    return None if value is None else pytest.approx(value, rel=1e-9, abs=1e-9)


def without_means(row: Downtime) -> Downtime:
    """The row without its means, which two sums in another order give a little differently."""
    return replace(row, speed_before_m_min=None, rate_before_t_h=None)


def assert_same(found: Tracked, expected: Tracked) -> None:
    """Every row is the same, one kind after the other so that a failure is short."""
    assert sorted(found.late) == sorted(expected.late)
    assert found.flickers == expected.flickers
    assert found.faults == expected.faults
    assert [without_means(row) for row in found.downtimes] == [without_means(row) for row in expected.downtimes]
    assert found.attempts == expected.attempts
    assert found.states == expected.states
    assert found.reels == expected.reels
    assert found.grade_runs == expected.grade_runs
    for row, other in zip(found.downtimes, expected.downtimes, strict=True):
        assert row.speed_before_m_min == near(other.speed_before_m_min)
        assert row.rate_before_t_h == near(other.rate_before_t_h)
    assert found.made.keys() == expected.made.keys()
    for product, made in found.made.items():
        assert made.on_reel_ms == expected.made[product].on_reel_ms
        assert made.length_m == near(expected.made[product].length_m)
        assert made.tonnes_t == near(expected.made[product].tonnes_t)


@many
@given(history=histories())
def test_two_trackers_from_one_page_of_rules_agree_on_every_row(history: History) -> None:
    machine, scans = history

    found = run_sheet(scans, machine)

    assert_same(found, track(scans, machine, made_until=found.made_until_ms))


@many
@given(history=histories(), cuts=st.lists(st.integers(0, 10_000), max_size=8))
def test_a_stream_cut_anywhere_leads_to_the_same_facts(history: History, cuts: list[int]) -> None:
    machine, scans = history

    whole = sheet_facts(scans, machine)

    assert sheet_facts(scans, machine, cuts=sorted({cut % (len(scans) + 1) for cut in cuts})) == whole


@trackers
@some
@given(history=histories())
def test_each_state_is_left_for_another_at_a_later_moment(tracker: Tracker, history: History) -> None:
    machine, scans = history

    states = tracker(scans, machine).states

    assert all(at < later and state is not other for (at, state), (later, other) in pairwise(states))


@trackers
@some
@given(history=histories())
def test_downtimes_never_overlap_and_only_the_last_is_open(tracker: Tracker, history: History) -> None:
    machine, scans = history

    downtimes = tracker(scans, machine).downtimes

    assert all(row.ended_ms is not None and row.ended_ms <= after.started_ms for row, after in pairwise(downtimes))
    assert all(row.ended_ms is None or row.started_ms < row.ended_ms for row in downtimes)


@trackers
@some
@given(history=histories())
def test_every_attempt_lies_in_its_downtime_and_a_success_ends_both(tracker: Tracker, history: History) -> None:
    machine, scans = history

    rows = tracker(scans, machine)

    for downtime in rows.downtimes:
        tries = [row for row in rows.attempts if row.downtime_ms == downtime.started_ms]
        assert [row.number for row in tries] == list(range(1, len(tries) + 1))
        assert all(downtime.started_ms <= row.started_ms for row in tries)
        assert all(row.ended_ms is not None and row.ended_ms <= after.started_ms for row, after in pairwise(tries))
        assert downtime.ended_ms in (None, tries[-1].ended_ms if tries else None)
        successes = [row for row in tries if row.outcome is Outcome.SUCCESS]
        assert successes == ([tries[-1]] if downtime.ended_ms is not None else [])


@trackers
@some
@given(history=histories())
def test_the_state_is_on_reel_only_while_no_downtime_is_open(tracker: Tracker, history: History) -> None:
    machine, scans = history

    rows = tracker(scans, machine)

    entered = [at for at, _ in rows.states]
    for row in rows.downtimes:
        end = row.ended_ms if row.ended_ms is not None else scans[-1].at_ms
        within = rows.states[bisect_right(entered, row.started_ms) - 1 : bisect_right(entered, end - 1)]
        assert all(state is not State.ON_REEL for _, state in within)
        off = {state for at, state in within if at >= row.started_ms}
        assert off <= {State.DOWN, State.THREADING, State.STOPPED, State.STOCK_OFF, State.NO_DATA}


@trackers
@some
@given(history=histories())
def test_what_was_made_adds_up_to_the_time_on_the_reel(tracker: Tracker, history: History) -> None:
    machine, scans = history

    rows = tracker(scans, machine)

    ends = [at for at, _ in rows.states[1:]] + [rows.made_until_ms]
    on_reel = [
        max(min(end, rows.made_until_ms) - at, 0)
        for (at, state), end in zip(rows.states, ends, strict=True)
        if state is State.ON_REEL
    ]
    assert sum(made.on_reel_ms for made in rows.made.values()) == sum(on_reel)


@trackers
@some
@given(history=histories())
def test_a_cause_of_no_downtime_leaves_its_fields_empty(tracker: Tracker, history: History) -> None:
    machine, scans = history

    rows = tracker(scans, machine)

    sections = {detector.section for detector in machine.detectors}
    for row in rows.downtimes:
        assert row.section is None or (row.section in sections and row.kind in ("break", "planned"))
        assert not row.unwitnessed or row.at_reel
        assert row.start_uncertain is (row.kind == "unknown")


@some
@given(history=histories(), cut=st.integers(0, 10_000))
def test_what_was_decided_early_is_never_taken_back(history: History, cut: int) -> None:
    machine, scans = history

    early = track(scans[: cut % (len(scans) + 1)], machine, flush=False)
    whole = track(scans, machine, flush=False)

    horizon = max((at for at, _ in early.states), default=0)
    assert early.states[:-1] == whole.states[: len(early.states[:-1])]
    closed = [without_means(row) for row in early.downtimes if row.ended_ms]
    ended = [row for row in early.attempts if row.outcome]
    assert closed == [without_means(row) for row in whole.downtimes[: len(closed)]]
    assert ended == whole.attempts[: len(ended)]
    assert [row for row in early.flickers if row[0] < horizon] == [row for row in whole.flickers if row[0] < horizon]
    assert {row for row in early.faults if row.ended_ms} <= set(whole.faults)
