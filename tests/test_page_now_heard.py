"""The present, folded from what is heard: order and repeats do not matter, and nothing old ever looks fresh."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.broke.tower import Now, tower_forecast
from analysis.broke.tower import TowerNow as TowerLevel
from analysis.history import BrokeTower, Downtime
from analysis.page.catalogue import words_of
from analysis.page.now.draw import drawn, running
from analysis.page.now.heard import AHEAD_MS, MillHeard, hear, nothing_heard
from analysis.page.now.known import Known
from analysis.page.now.view import (
    FORECAST_GOOD_MS,
    SILENT_AFTER_MS,
    STATES,
    Collector,
    MachineNow,
    Risk,
    machine_now,
)
from collector.fact import DowntimeClosed, DowntimeOpened, Kind, State
from collector.service import announce
from tests.histories import downtime

ROOT = "ellerholm"
T0 = 1_772_000_000_000
MIN = 60_000
LATE = T0 + 60 * MIN
"""When all that the tests say has come. [ms]"""
HEALTH = f"{ROOT}/collector/health"

Said = tuple[str, bytes]


def iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


def of(kind: str, **said: Any) -> Said:
    return f"{ROOT}/pm2/runnability/{kind}", json.dumps(said).encode()


def state(name: str, at_ms: int) -> Said:
    found = announce.state(ROOT, "pm2", State(name), as_of_ms=at_ms)
    return found.topic, found.payload


def health(at_ms: int, status: str = "up", **more: Any) -> Said:
    found = announce.health(ROOT, {"status": status, "as_of": announce.instant(at_ms), **more})
    return found.topic, found.payload


def opened(at_ms: int, number: int = 1) -> Said:
    fact = DowntimeOpened(
        machine="pm2",
        downtime_id=f"pm2-{number}",
        kind=Kind.BREAK,
        started_ms=at_ms,
        section="press",
        location_tied=False,
        start_uncertain=False,
        unwitnessed=False,
        grade="C80",
        shade=None,
        reel=None,
        speed_before_m_min=None,
        rate_before_t_h=None,
        on_reel_before_ms=None,
        since_turn_up_ms=None,
        since_grade_change_ms=None,
        at_reel=False,
    )
    (said,) = announce.breaks(ROOT, [fact])
    return said.topic, said.payload


def closed(at_ms: int, number: int = 1) -> Said:
    fact = DowntimeClosed(machine="pm2", downtime_id=f"pm2-{number}", ended_ms=at_ms)
    (said,) = announce.breaks(ROOT, [fact])
    return said.topic, said.payload


def risk(at_ms: int, share: float | None = 0.2, *, name: str = "scored", valid_ms: int = 3 * MIN) -> Said:
    return of(
        "risk",
        state=name,
        said_at=iso(at_ms),
        risk=share,
        odds="1 in 5",
        horizon_min=30,
        because="Not settled.",
        valid_until=iso(at_ms + valid_ms),
        reasons=[{"sentence": "The draw is high."}],
        warning={"given": True, "allowed": True},
    )


def heard(*messages: Said) -> MillHeard:
    found = nothing_heard(ROOT, ("pm2",))
    for topic, payload in messages:
        found = hear(found, topic, payload, now_ms=LATE)
    return found


def seen(found: MillHeard, at_ms: int, known: Known | None = None, *, connected: bool = True) -> MachineNow:
    return machine_now(("pm2", "PM 2"), found, known, connected=connected, now_ms=at_ms)


moments = st.integers(0, 20).map(lambda n: T0 + n * 10_000)
stamped = st.one_of(
    st.builds(state, st.sampled_from(sorted(STATES)), moments),
    st.builds(health, moments, st.sampled_from(["up", "stopped", "store full: no room"])),
    st.builds(opened, moments, st.integers(1, 3)),
    st.builds(closed, moments, st.integers(1, 3)),
    st.builds(risk, moments, st.sampled_from([0.1, 0.2, None]), name=st.sampled_from(["scored", "quiet", "stale"])),
)
wills = st.sampled_from([announce.last_will(ROOT), of("risk", state="gone", said_at=None)])


@given(st.lists(stamped, max_size=25), st.randoms(use_true_random=False))
def test_order_repeats_and_replays_lead_to_the_same(messages: list[Said], draw: random.Random) -> None:
    other = messages + draw.sample(messages, len(messages) // 2)
    draw.shuffle(other)

    assert heard(*other) == heard(*messages)


@given(st.lists(stamped | wills, max_size=25))
def test_hearing_the_last_word_of_each_topic_again_changes_nothing(messages: list[Said]) -> None:
    before = heard(*messages)
    retained = dict(messages)

    after = before
    for topic, payload in retained.items():
        after = hear(after, topic, payload, now_ms=LATE)

    assert after == before


@given(st.lists(stamped | wills, max_size=25), st.integers(-5, 40).map(lambda n: T0 + n * 10_000), st.booleans())
def test_nothing_old_or_unheard_ever_looks_fresh(messages: list[Said], at_ms: int, connected: bool) -> None:
    said = [json.loads(payload) for topic, payload in messages if topic == HEALTH]
    fresh = [h for h in said if "as_of" in h and -AHEAD_MS <= at_ms - _ms(h["as_of"]) <= SILENT_AFTER_MS]
    scored = [json.loads(p) for t, p in messages if t.endswith("/risk")]
    valid = [r for r in scored if r["said_at"] and r["state"] == "scored" and _ms(r["valid_until"]) >= at_ms]

    found = seen(heard(*messages), at_ms, connected=connected)

    assert not found.live or (connected and fresh)
    assert found.risk.condition is not Risk.SHOWN or (connected and valid and found.state == "on_reel")
    assert (found.risk.share is not None) is (found.risk.condition is Risk.SHOWN)
    assert found.risk.condition is Risk.SHOWN or not (found.risk.warning or found.risk.reasons)


@given(st.binary(max_size=80) | st.text().map(str.encode), st.text(max_size=40))
@example(b'{"more":' + b"[" * 100_000, "")
def test_whatever_comes_changes_nothing_or_is_understood(payload: bytes, anything: str) -> None:
    before = heard(state("on_reel", T0), health(T0))

    for topic in (HEALTH, f"{ROOT}/pm2/runnability/state", f"{ROOT}/pm9/runnability/state", anything):
        after = hear(before, topic, payload, now_ms=LATE)
        if after != before:
            json.loads(payload)


_ANY_TIME = st.sampled_from(
    [
        "0001-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00", "1969-12-31T23:59:59Z", "2026-02-25T06:13:20Z",
        "9999-12-31T23:59:59Z", "9999-12-31T23:59:59-12:00",
    ]
)  # fmt: skip


@given(_ANY_TIME, _ANY_TIME, _ANY_TIME, st.sampled_from(["on_reel", "down"]), st.sampled_from([-8, 14]))
def test_whatever_time_somebody_says_the_view_can_be_drawn(
    as_of: str, started: str, ended: str, word: str, offset_h: int
) -> None:
    found = heard(
        health(T0),
        of("state", state=word, as_of=as_of),
        of("break", downtime="pm2-a", started_at=started),
        of("break", downtime="pm2-b", ended_at=ended),
        of("risk", state="scored", said_at=started, valid_until=ended, risk=0.5),
    )

    assert drawn(seen(found, T0), words_of("en"), ZoneInfo(f"Etc/GMT{-offset_h:+}"), now_ms=T0)


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def test_a_last_will_holds_until_the_collector_is_heard_again() -> None:
    gone = heard(state("on_reel", T0), health(T0), announce.last_will(ROOT))

    assert seen(gone, T0).collector is Collector.GONE
    assert seen(hear(gone, *health(T0), now_ms=T0), T0).collector is Collector.GONE
    assert seen(hear(gone, *health(T0 + 1000), now_ms=T0), T0 + 1000).live


@pytest.mark.parametrize(
    ("messages", "after_ms", "connected", "how"),
    [
        ([], 0, True, Collector.UNHEARD),
        ([health(T0)], 0, False, Collector.NO_BROKER),
        ([health(T0)], SILENT_AFTER_MS, True, Collector.UP),
        ([health(T0)], SILENT_AFTER_MS + 1, True, Collector.SILENT),
        ([health(T0, "stopped")], 0, True, Collector.STOPPED),
        ([health(T0, "store full: 3 MB left")], 0, True, Collector.TROUBLE),
        ([health(T0, unpublished="no room")], 0, True, Collector.TROUBLE),
        ([health(T0)], -AHEAD_MS - 1, True, Collector.CLOCKS),
    ],
)
def test_how_the_collector_is(messages: list[Said], after_ms: int, connected: bool, how: Collector) -> None:
    found = seen(heard(state("on_reel", T0), *messages), T0 + after_ms, connected=connected)

    assert found.collector is how
    assert found.live is (how in (Collector.UP, Collector.TROUBLE))
    if how is Collector.TROUBLE:
        assert found.trouble in ("store full: 3 MB left", "no room")


def test_running_time_counts_from_the_return_to_the_reel() -> None:
    messages = [opened(T0), closed(T0 + 20 * MIN), state("on_reel", T0 + 20 * MIN + 31_000), health(T0 + 30 * MIN)]

    found = seen(heard(*messages), T0 + 30 * MIN)

    assert (found.state, found.since_ms, found.off) == ("on_reel", T0 + 20 * MIN, None)


def test_the_store_tells_since_when_once_it_has_caught_up() -> None:
    messages = (state("down", T0 + 3_000), health(T0 + 20_000))
    behind = Known(published_ms=T0, data_to_ms=T0 + 2_000, state="down", since_ms=T0 - 90 * MIN)
    caught_up = Known(published_ms=T0, data_to_ms=T0 + 10_000, state="down", since_ms=T0)

    assert seen(heard(*messages), T0 + 20_000, behind).since_ms == T0 + 3_000
    assert seen(heard(*messages), T0 + 20_000, caught_up).since_ms == T0


def test_an_open_break_has_its_clock_its_section_and_its_attempts() -> None:
    messages = [
        state("down", T0 + 1000), opened(T0), state("threading", T0 + 4 * MIN), state("down", T0 + 5 * MIN),
        state("threading", T0 + 8 * MIN), health(T0 + 9 * MIN),
    ]  # fmt: skip
    stored = Known(
        published_ms=T0,
        data_to_ms=T0 + 6 * MIN,
        state="down",
        since_ms=T0 + 5 * MIN,
        off=Downtime(downtime_id="pm2-1", kind="break", started_ms=T0, ended_ms=None, section="press"),
        attempts=1,
        reached="pre-dryer",
    )

    found = seen(heard(*messages), T0 + 9 * MIN, stored)

    assert found.off is not None
    assert (found.state, found.since_ms) == ("threading", T0 + 8 * MIN)
    assert (found.off.started_ms, found.off.kind, found.off.section) == (T0, "break", "press")
    # Two beginnings were heard, of which the store has one.
    assert (found.off.attempts, found.off.reached) == (2, "pre-dryer")


def test_what_comes_from_far_ahead_does_not_outlast_the_truth() -> None:
    ahead = LATE + AHEAD_MS + 1
    truth = [state("down", T0 + 1000), opened(T0), health(T0 + MIN)]

    found = seen(heard(closed(ahead, 7), opened(ahead, 8), state("on_reel", ahead), *truth), T0 + MIN)

    assert found.off is not None
    assert (found.live, found.state, found.off.downtime_id) == (True, "down", "pm2-1")


def test_a_loss_that_is_not_decided_yet_counts_from_when_it_was_seen() -> None:
    found = seen(heard(closed(T0 - 60 * MIN, 7), state("down", T0), health(T0 + 5_000)), T0 + 5_000)

    assert found.off is not None
    assert (found.off.started_ms, found.off.kind, found.off.downtime_id) == (T0, None, None)


def test_a_downtime_that_closed_is_over_even_if_the_store_does_not_know_yet() -> None:
    stored = Known(
        published_ms=T0,
        data_to_ms=T0 + MIN,
        state="threading",
        since_ms=T0,
        off=Downtime(downtime_id="pm2-1", kind="break", started_ms=T0, ended_ms=None),
    )
    messages = [closed(T0 + 2 * MIN), state("no_data", T0 + 4 * MIN), health(T0 + 4 * MIN)]

    assert seen(heard(*messages), T0 + 4 * MIN, stored).off is None


def test_a_tower_that_fills_before_the_sheet_is_back_is_told_while_that_downtime_is_open() -> None:
    off = Downtime(downtime_id="pm2-1", kind="break", started_ms=T0, ended_ms=None, section="press")
    tower = BrokeTower(tower="white tower", volume_m3=800, consistency_pct=3.5)
    machine = Now(at_ms=T0 + MIN, fall_t_h=12.0, furnish_t_h=12.0, shade=None, off=off, flowing=True)
    earlier = [downtime(100 * n, 40) for n in range(1, 8)]
    (forecast,) = tower_forecast(machine, [TowerLevel(tower=tower, level_pct=95.0)], earlier)
    stored = Known(published_ms=T0, data_to_ms=T0 + MIN, state="down", since_ms=T0, off=off, towers=(forecast,))
    alive = [state("down", T0 + 1000), health(T0 + MIN)]

    (told,) = seen(heard(*alive), T0 + MIN, stored).towers
    other = seen(heard(*alive, closed(T0 + 2000), opened(T0 + 3000, 2)), T0 + MIN, stored).towers

    # 800 m3 at 3.5 % are 28 t, 5 % of it are free: 1.4 t at 12 t/h last 7 min. All seven lasted 40 min, so 39 are left.
    assert (told.tower, round(told.full_ms / MIN), round(told.back_ms / MIN), told.chance) == (
        "white tower",
        7,
        39,
        1.0,
    )
    assert other == ()
    later = T0 + MIN + FORECAST_GOOD_MS
    assert seen(heard(*alive, health(later)), later, stored).towers != ()
    assert seen(heard(*alive, health(later + 1)), later + 1, stored).towers == ()
    assert seen(heard(*alive), T0 + MIN, stored, connected=False).towers == ()


def test_without_the_collector_the_store_tells_how_things_stood() -> None:
    stored = Known(published_ms=T0, data_to_ms=T0, state="on_reel", since_ms=T0 - 60 * MIN)

    found = seen(heard(state("down", T0 + MIN), health(T0 + MIN)), T0 + 60 * MIN, stored)

    assert (found.live, found.state, found.since_ms, found.data_to_ms) == (False, "on_reel", T0 - 60 * MIN, T0)


def test_a_risk_is_shown_with_its_reasons_while_it_is_valid_and_the_sheet_is_on_the_reel() -> None:
    messages = [state("on_reel", T0), health(T0 + 3 * MIN), risk(T0)]

    shown = seen(heard(*messages), T0 + 3 * MIN).risk
    over = seen(heard(*messages, health(T0 + 3 * MIN + 1)), T0 + 3 * MIN + 1).risk
    lost = seen(heard(*messages, state("down", T0 + MIN)), T0 + 2 * MIN).risk

    assert (shown.condition, shown.share, shown.reasons, shown.warning) == (
        Risk.SHOWN, 0.2, ("The draw is high.",), True,
    )  # fmt: skip
    assert shown.said_ms == T0
    assert over.condition is Risk.STALE
    assert lost.condition is Risk.QUIET


def test_a_risk_from_nobody_is_none() -> None:
    alive = [state("on_reel", T0), health(T0)]

    assert seen(heard(*alive), T0).risk.condition is Risk.NOBODY
    gone = heard(*alive, risk(T0), of("risk", state="gone", said_at=None, because="Nobody scores."))
    assert seen(gone, T0).risk.condition is Risk.SILENT
    quiet = seen(heard(*alive, risk(T0, None, name="quiet")), T0).risk
    assert (quiet.condition, quiet.because) == (Risk.QUIET, "Not settled.")


@pytest.mark.parametrize("share", [1.5, -0.1, None])
def test_a_risk_that_is_no_chance_is_none(share: float | None) -> None:
    found = seen(heard(state("on_reel", T0), health(T0), risk(T0, share)), T0)

    assert found.risk.condition is Risk.STALE


@pytest.mark.parametrize(
    ("ms", "said"),
    [
        (-5, "0:00"),
        (61_999, "1:01"),
        (3_600_000, "1:00:00"),
        (86_399_000, "23:59:59"),
        (90_061_000, "1 d 1:01"),
    ],
)
def test_a_clock_runs_in_the_form_that_its_length_asks_for(ms: int, said: str) -> None:
    assert running(ms) == said
