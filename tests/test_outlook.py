"""What is shown live of a machine before its rows are final: the likeliest state now, from all that was heard."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector import sheet
from collector.fact import DowntimeOpened, Fact, Kind, State
from tests.sheet_adapter import rules_of
from tests.streams import ELLERHOLM, Stream, ms
from tests.tracked import Settings


def running(until: str) -> Stream:
    """On the reel from midnight, something heard every second."""
    return Stream().beats("00:00:00", until).on_reel()


def tracked(stream: Stream, settings: Settings = ELLERHOLM) -> sheet.Sheet:
    """The tracker's state after all of a stream."""
    state = sheet.fresh(len(settings.detectors))
    sheet.advance(rules_of(settings), state, stream.scans)
    return state


def shown(stream: Stream, clock: str, settings: Settings = ELLERHOLM) -> tuple[State, list[Fact]]:
    return sheet.outlook(rules_of(settings), tracked(stream, settings), ms(clock))


def test_of_a_machine_that_said_nothing_nothing_is_shown() -> None:
    assert shown(Stream(), "00:00:00") == (State.NO_DATA, [])


def test_a_sheet_lost_two_seconds_ago_is_shown_as_down_though_no_row_says_so_yet() -> None:
    stream = running("00:10:02").at("00:10:00", sheet_press=False)
    state = tracked(stream)
    kept = sheet.pack(state)

    live, facts = sheet.outlook(rules_of(ELLERHOLM), state, ms("00:10:02"))

    # The press eye has not seen for 2 s, the debounce time. That nothing follows it would be known after 10 + 5 + 2 s.
    opened = [fact for fact in facts if isinstance(fact, DowntimeOpened)]
    assert live is State.DOWN
    assert [(one.started_ms, one.kind, one.section) for one in opened] == [(ms("00:10:00"), Kind.BREAK, "press")]
    assert sheet.pack(state) == kept
    assert state.state is State.ON_REEL


@pytest.mark.parametrize(
    ("clock", "stale_after_ms", "state"),
    [
        ("00:11:00", 60_000, State.ON_REEL),
        ("00:11:00.001", 60_000, State.NO_DATA),
        ("23:00:00", 0, State.ON_REEL),
    ],
)
def test_a_machine_not_heard_for_longer_than_the_stale_time_is_shown_as_unknown(
    clock: str, stale_after_ms: int, state: State
) -> None:
    live, _ = shown(running("00:10:00"), clock, replace(ELLERHOLM, stale_after_ms=stale_after_ms))

    assert live is state


def test_the_source_heard_last_is_told_from_the_others_where_sources_are_watched() -> None:
    stream = (
        running("00:10:00").at("00:05:00", source=1, sheet_reel=True).beats("00:10:00.500", "00:10:00.500", source=1)
    )

    watched = tracked(stream, replace(ELLERHOLM, heartbeats={0: 30_000, 1: 900_000}))

    assert sheet.heard_last(watched) == 1
    assert sheet.heard_last(tracked(stream)) == 0
    assert sheet.heard_last(sheet.fresh(4)) == 0
