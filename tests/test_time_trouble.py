"""Clocks that jump, differ and repeat themselves, from the message to the row. Expected rows are worked by hand.

The machine has one detector, at the press; running, it is scanned each second. T0 is 2026-03-01T02:00:00Z.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from collector.load import load
from collector.message import Message
from collector.publish import publish
from collector.rebuild import SettingsChanged, rebuild
from collector.settings import Mill, parse_mill
from collector.store import Store
from tests.mills import EXAMPLE, example, readable_mill
from tests.stored import DAY_MS, NOW_MS, T0, opened, rows

SECOND, HOUR = 1_000, 3_600_000


def told(at_ms: int, *, heard_ms: int | None = None, topic: str = "ellerholm/pm2/scan", **values: object) -> Message:
    """A scan; ``sheet_press`` is the tag sheet.press."""
    named = {name.replace("_", ".", 1): value for name, value in values.items()}
    payload = json.dumps({"ts": at_ms, "values": named}).encode()
    return Message(received_ms=at_ms if heard_ms is None else heard_ms, topic=topic, payload=payload)


def second(number: int, *, sees: bool = True, **more: int) -> Message:
    """The scan of a second after T0; ``ahead_ms`` is how far the clock of the host is ahead of the publisher's."""
    at_ms = T0 + number * SECOND + more.get("clock_ms", 0)
    return told(at_ms, heard_ms=T0 + number * SECOND + more.get("ahead_ms", 0), reel_speed=780, sheet_press=sees)


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path, mill: Mill) -> Iterator[Store]:
    with opened(tmp_path, mill=mill) as new:
        yield new
        assert new.inconsistencies() == []


def states(store: Store) -> list[tuple[float, str]]:
    """Each state, in seconds since T0."""
    found = rows(store.connection, "SELECT epoch_ms(started_at), state FROM base.machine_state ORDER BY started_at")
    return [((at_ms - T0) / SECOND, state) for at_ms, state in found]


def downtimes(store: Store) -> list[tuple[float, float | None, str]]:
    """Each downtime, in seconds since T0."""
    found = rows(
        store.connection, "SELECT epoch_ms(started_at), epoch_ms(ended_at), kind FROM base.downtime ORDER BY 1"
    )
    return [((a - T0) / SECOND, None if b is None else (b - T0) / SECOND, kind) for a, b, kind in found]


def a_break(**more: int) -> Iterable[Message]:
    """Five minutes with the sheet lost from second 60 to 120."""
    return [second(number, sees=not 60 <= number < 120, **more) for number in range(300)]


def test_scans_that_come_twice_are_there_once_and_change_nothing(store: Store, mill: Mill) -> None:
    twice = [message for each in a_break() for message in (each, each)]

    counts = load(mill, store, twice)
    again = load(mill, store, a_break())

    assert counts.samples == again.repeated == 600
    assert counts.repeated == 600
    assert downtimes(store) == [(60, 120, "break")]


def test_scans_out_of_order_within_the_reorder_time_are_in_order(store: Store, mill: Mill) -> None:
    whole = list(a_break())
    swapped = [whole[number ^ 1] for number in range(len(whole))]

    load(mill, store, swapped)

    # Each is behind its neighbour by a second: as old as the watermark, and so in time.
    assert downtimes(store) == [(60, 120, "break")]
    assert rows(store.connection, "SELECT sum(late) FROM base.message_count") == [(0,)]


def test_an_hour_that_comes_late_is_kept_flagged_and_used_by_a_rebuild(store: Store, mill: Mill) -> None:
    whole = list(a_break())
    late = [
        told(T0 + number * SECOND, heard_ms=T0 + HOUR, reel_speed=780, sheet_press=False) for number in range(60, 120)
    ]

    load(mill, store, [*whole[:60], *whole[120:], *late])

    # 61 s of silence are a gap; what comes late does not fill it.
    assert states(store) == [(0, "on_reel"), (59, "no_data"), (120, "on_reel")]
    assert rows(store.connection, "SELECT count(*) FROM main.sample WHERE flags & 8 > 0") == [(120,)]

    rebuild(store, mill, "pm2", now_ms=NOW_MS)

    assert downtimes(store) == [(60, 120, "break")]
    assert states(store) == [(0, "on_reel"), (60, "down"), (120, "on_reel")]


def test_a_publisher_whose_clock_runs_too_far_ahead_is_refused_with_the_reason(store: Store, mill: Mill) -> None:
    jumped = [second(number, clock_ms=301 * SECOND) for number in range(10)]

    load(mill, store, [*a_break(), *jumped])

    assert downtimes(store) == [(60, 120, "break")]
    reasons = rows(store.connection, "SELECT DISTINCT reason FROM main.rejected_message")
    assert len(reasons) == 1
    assert "301 s ahead of receipt" in reasons[0][0]
    assert "set the clock" in reasons[0][0]


def test_a_publisher_whose_clock_was_ahead_for_a_while_makes_nobody_late(store: Store, mill: Mill) -> None:
    # From second 130 to 139 its clock is 200 s ahead, then right again: what it told of the future waits for its time.
    whole = list(a_break())
    whole[130:140] = [second(number, clock_ms=200 * SECOND) for number in range(130, 140)]

    load(mill, store, whole)

    assert downtimes(store) == [(60, 120, "break")]
    assert rows(store.connection, "SELECT sum(late) FROM base.message_count") == [(0,)]


def test_a_publisher_whose_clock_jumps_back_is_late_until_it_has_caught_up(store: Store, mill: Mill) -> None:
    # From second 200 on its clock is 30 s behind: 170 to 198 are late, 199 is as old as the watermark.
    whole = [second(number, clock_ms=0 if number < 200 else -30 * SECOND) for number in range(300)]

    counts = load(mill, store, whole)

    assert states(store) == [(0, "on_reel")]
    # All that it tells again was told before, with the same values: dropped.
    assert counts.repeated == 2 * 30
    assert counts.samples == 2 * 270


@pytest.mark.parametrize("ahead_ms", [-200 * SECOND, HOUR, DAY_MS])
def test_a_host_whose_clock_is_wrong_changes_no_row(store: Store, mill: Mill, ahead_ms: int) -> None:
    whole = [second(number, sees=not 60 <= number < 120, ahead_ms=ahead_ms) for number in range(400)]

    load(mill, store, whole)

    assert downtimes(store) == [(60, 120, "break")]


def test_a_host_whose_clock_jumps_back_and_forth_changes_no_row(store: Store, mill: Mill) -> None:
    whole = [
        second(number, sees=not 60 <= number < 120, ahead_ms=HOUR if number // 50 % 2 else -100 * SECOND)
        for number in range(400)
    ]

    load(mill, store, whole)

    assert downtimes(store) == [(60, 120, "break")]
    assert rows(store.connection, "SELECT sum(late) FROM base.message_count") == [(0,)]


def test_two_sources_whose_clocks_differ_need_a_longer_reorder_time(tmp_path: Path) -> None:
    # The detector's gateway is 4 s behind. With 1 s its values are late; with 5 s they are dated by its own clock.
    for reorder_s, expected in ((1, []), (5, [(56, 116, "break")])):
        mill = readable_mill(("running_above_m_min = 50", f"running_above_m_min = 50\nreorder_s = {reorder_s}"))
        (tmp_path / str(reorder_s)).mkdir()
        messages = [second(0)]
        for number in range(1, 300):
            at_ms = T0 + number * SECOND
            messages.append(told(at_ms, reel_speed=780))
            seen = json.dumps({"ts": at_ms - 4 * SECOND, "value": not 60 <= number < 120}).encode()
            messages.append(Message(received_ms=at_ms, topic="ellerholm/pm2/tag/sheet.press", payload=seen))

        with opened(tmp_path / str(reorder_s), mill=mill) as store:
            load(mill, store, messages)

            assert downtimes(store) == expected
            late = rows(store.connection, "SELECT sum(late) > 0 FROM base.message_count")
            assert late == [(reorder_s == 1,)]
            rebuild(store, mill, "pm2", now_ms=NOW_MS)
            assert downtimes(store) == [(56, 116, "break")]


def test_two_publishers_of_one_machine_that_contradict_each_other_make_flicker_no_breaks(
    store: Store, mill: Mill
) -> None:
    # One says each full second that the sheet is there, the other half a second later that it is not.
    messages = [second(0)]
    for number in range(1, 120):
        messages.append(second(number))
        half = T0 + number * SECOND + 500
        messages.append(told(half, reel_speed=780, sheet_press=False))

    load(mill, store, messages)

    # No change lasts 2 s. (The last half second stays undecided.)
    assert downtimes(store) == []
    assert rows(store.connection, "SELECT count FROM main.detector_fault WHERE kind = 'flicker'") == [(118,)]


def test_of_two_publishers_that_tell_one_moment_differently_the_later_heard_holds_and_both_count(
    store: Store, mill: Mill
) -> None:
    messages = [message for number in range(60) for message in (second(number, sees=False), second(number))]

    counts = load(mill, store, messages)

    assert counts.replaced == 60
    assert rows(store.connection, "SELECT DISTINCT value FROM main.sample WHERE tag = 'sheet.press'") == [(1.0,)]
    assert states(store) == [(0, "on_reel")]


def test_a_machine_that_goes_silent_has_no_data_and_is_not_down(store: Store, mill: Mill) -> None:
    load(mill, store, [second(number) for number in (*range(60), *range(3_660, 3_720))])

    assert states(store) == [(0, "on_reel"), (59, "no_data"), (3_660, "on_reel")]
    assert downtimes(store) == []


def test_a_detector_gateway_that_dies_is_noticed_over_a_restart_and_a_rebuild(tmp_path: Path) -> None:
    # Speed comes each second as a scan; the eye as a value of its own, every 10 s until second 100, then from 400 on.
    mill = readable_mill(('format = "value"', 'format = "value"\nheartbeat_s = 20'))
    messages = []
    for number in range(600):
        at_ms = T0 + number * SECOND
        messages.append(told(at_ms, reel_speed=780))
        if number % 10 == 0 and not 100 < number < 400:
            seen = json.dumps({"ts": at_ms, "value": True}).encode()
            messages.append(Message(received_ms=at_ms, topic="ellerholm/pm2/tag/sheet.press", payload=seen))

    with opened(tmp_path, mill=mill) as store:
        load(mill, store, messages[:150], flush=False)
        load(mill, store, messages[150:300], flush=False)
        load(mill, store, messages[300:])

        # Owed at second 120; bad from then on, since it stays away for more than stale_after_s (60 s).
        expected = [(0, "on_reel"), (120, "no_data"), (400, "on_reel")]
        assert states(store) == expected
        assert downtimes(store) == []
        done = rebuild(store, mill, "pm2", now_ms=NOW_MS)
        assert done.same
        assert states(store) == expected
        bad = "SELECT epoch_ms(started_at), epoch_ms(ended_at) FROM main.detector_fault WHERE kind = 'bad'"
        assert rows(store.connection, bad) == [(T0 + 120 * SECOND, T0 + 400 * SECOND)]
        assert store.inconsistencies() == []


def test_sources_with_a_heartbeat_that_changed_places_are_asked_about(tmp_path: Path) -> None:
    other = readable_mill(('format = "scan"', 'format = "scan"\nheartbeat_s = 20'))
    mill = readable_mill(('format = "value"', 'format = "value"\nheartbeat_s = 20'))
    with opened(tmp_path, mill=other) as store:
        load(other, store, a_break())
    with opened(tmp_path, mill=mill) as store:
        load(mill, store, [second(number) for number in range(400, 500)])

        with pytest.raises(SettingsChanged, match="--present-settings"):
            rebuild(store, mill, "pm2", now_ms=NOW_MS)


SPRING_MS, AUTUMN_MS = 1_774_738_800_000, 1_792_882_800_000
"""2026-03-28T23:00Z and 2026-10-24T23:00Z: 01:00 and 02:00 in Helsinki, where clocks change at 01:00Z."""


@pytest.mark.parametrize(
    ("night_ms", "night_h"), [(SPRING_MS, 11), (AUTUMN_MS, 13)], ids=["23-hour day", "25-hour day"]
)
def test_a_break_over_the_changing_of_the_clocks_lasts_as_long_as_it_lasted(
    tmp_path: Path, night_ms: int, night_h: int
) -> None:
    # On the reel for 1 h, lost for 3 h over the change, back for 1 h; a scan every 30 s.
    mill = parse_mill(example(without_sparkplug=True), file=EXAMPLE)
    messages = [
        told(night_ms + n * 30 * SECOND, reel_speed=780, sheet_press=not 120 <= n < 480) for n in range(5 * 120)
    ]

    with opened(tmp_path, mill=mill) as store:
        load(mill, store, messages)
        publish(store, mill, now_ms=NOW_MS)
        found = rows(store.connection, "SELECT epoch_ms(started_at), lost_s, shift FROM main.downtime")
        nights = rows(
            store.connection,
            "SELECT (epoch_ms(ended_at) - epoch_ms(started_at)) / 3600000 FROM main.shift WHERE shift = 'night' "
            "AND epoch_ms(started_at) <= ? AND epoch_ms(ended_at) > ?",
            night_ms,
            night_ms,
        )

    assert found == [(night_ms + HOUR, 3 * 3_600, "night")]
    assert nights == [(night_h,)]
