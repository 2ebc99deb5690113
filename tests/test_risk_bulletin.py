"""What is said at an instant: a risk, or why there is none; a warning, or why it is withheld."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.risk.bulletin import Bulletin, Condition, bulletin, record, silence
from analysis.risk.card import Card, Record
from analysis.risk.rows import DAY_MS, Loss, Past, primary_breaks, rows_of
from analysis.risk.settings import MINUTE_MS
from analysis.risk.warn import silent
from analysis.risk.watch import Seen
from analysis.risk.windows import Feature
from tests.risk_card import hand_card, straight

DRAW = straight(
    Feature(tag="press.draw", stat="mean", window_min=5, unit="%"), slope=10.0, middle=1.8, low=1.0, high=2.5
)
NOW_MIN = 1000
NOW_MS = NOW_MIN * MINUTE_MS


def seen(
    *draws: float,
    lost_min: tuple[int, ...] = (),
    back_min: int = 20,
    on_reel: bool = True,
    grade_change_min: int | None = None,
    last_ms: int = NOW_MS + 8_000,
    until_min: int = NOW_MIN,
    state: str = "on_reel",
    level: float = 0.5,
    begin_ms: int = 0,
) -> Seen:
    """A machine on the reel from its first minute, but for some minutes after each loss; the draw of its newest."""

    def ms(minute: int) -> int:
        return begin_ms + minute * MINUTE_MS

    on, at = [], 0
    for minute in lost_min:
        on.append([ms(at), ms(minute)])
        at = minute + back_min
    if on_reel:
        on.append([ms(at), ms(until_min) + 1])
    losses = tuple(
        Loss(downtime_id=str(m), kind="break", started_ms=ms(m), section="press", secondary=False) for m in lost_min
    )
    past = Past(on_reel_ms=np.array(on, np.int64), losses=losses, until_ms=ms(until_min) + 1)
    card = hand_card(DRAW)
    breaks = primary_breaks(past, card.settings)
    rows = rows_of(past, breaks, card.settings)
    values = np.full((len(rows), 1), 1.8, np.float32)
    if draws:
        values[-len(draws) :, 0] = draws
    changes = np.array([] if grade_change_min is None else [ms(grade_change_min)], np.int64)
    return Seen(
        rows=rows,
        breaks=breaks,
        quiet=silent(rows, changes, card.settings),
        values=values,
        score=card.model.score(values),
        level=np.full(len(rows), np.log(level / (1 - level))),
        newest=ms(until_min) // MINUTE_MS - 1,
        state=state,
        since_ms=begin_ms,
        last_ms=last_ms,
    )


def told(what: Seen, card: Card | None = None, *, now_ms: int = NOW_MS + 20_000, forced: bool = False) -> Bulletin:
    return bulletin(card or hand_card(DRAW), what, now_ms=now_ms, published_ms=now_ms - 5_000, forced=forced)


def test_an_ordinary_minute_has_its_risk_and_no_warning() -> None:
    found = told(seen())

    assert (found.condition, found.warning, found.because) == (Condition.SCORED, False, "")
    # Log-odds of the base alone: 5 %, one in twenty.
    assert found.said["risk"] == 0.05
    assert found.said["odds"] == "1 in 20"
    assert found.said["reasons"] == []
    assert found.said["horizon_min"] == 30


def test_a_high_risk_comes_as_a_warning_with_its_reason_its_value_and_what_is_usual() -> None:
    found = told(seen(2.2))

    # 10 × (2.2 − 1.8) = 4 more in log-odds: odds of 0.05/0.95 × e⁴ = 2.874, a chance of 0.742.
    assert found.warning
    assert found.said["risk"] == pytest.approx(0.742, abs=5e-4)
    assert found.said["warning"]["given"]
    (reason,) = found.said["reasons"]
    assert reason["words"] == "press.draw, mean of the last 5 min"
    assert reason["value"] == pytest.approx(2.2)
    assert (reason["usual_low"], reason["usual_high"]) == pytest.approx((0.8, 2.8))
    assert reason["times"] == pytest.approx(54.6, abs=0.05)
    assert reason["sentence"].startswith("press.draw, mean of the last 5 min: 2.2 % (usually 0.8 to 2.8)")


def test_every_message_says_its_minute_how_fresh_its_data_are_its_model_and_that_it_is_advisory() -> None:
    card = hand_card(DRAW)

    said = told(seen(), card).said

    assert said["minute"] == "1970-01-01T16:40:00.000Z"
    assert said["valid_until"] == "1970-01-01T16:43:00.000Z"
    assert said["data_age_s"] == 12.0
    assert said["published_at"] == "1970-01-01T16:40:15.000Z"
    assert said["model"]["id"] == card.model_id
    assert len(card.model_id) == 12
    assert "Do not enter, reach into or thread the machine" in said["notice"]


def test_a_second_warning_waits_for_twenty_minutes() -> None:
    assert not told(seen(*[2.2] * 20)).warning
    assert told(seen(*[2.2] * 21)).warning
    assert told(seen(*[2.2] * 21)).said["warning"]["last_at"] == "1970-01-01T16:40:00.000Z"


def test_a_model_that_did_not_beat_the_plain_rules_says_its_risk_but_gives_no_warning() -> None:
    found = told(seen(2.2), hand_card(DRAW, live=False))

    assert found.condition is Condition.SCORED
    assert found.said["risk"] == pytest.approx(0.742, abs=5e-4)
    assert not found.warning
    assert found.said["warning"] == {
        "given": False,
        "due": True,
        "allowed": False,
        "forced": False,
        "from_risk": 0.5,
        "last_at": None,
        "note": "Warnings are off: when it was judged the model did not beat the plain rules.",
    }


def test_a_forced_warning_says_that_it_is_forced() -> None:
    found = told(seen(2.2), hand_card(DRAW, live=False), forced=True)

    assert found.warning
    assert found.said["warning"]["forced"]
    assert "forced, although" in found.said["warning"]["note"]


def test_forcing_a_model_that_may_warn_anyway_is_no_forcing() -> None:
    assert not told(seen(2.2), forced=True).said["warning"]["forced"]


@pytest.mark.parametrize(
    ("what", "condition", "because"),
    [
        (seen(2.2, last_ms=NOW_MS - 300_000), Condition.STALE, "newest data are 5 min old"),
        (seen(2.2, last_ms=NOW_MS + 200_000), Condition.STALE, "ahead of the clock here"),
        (seen(on_reel=False, lost_min=(900,), state="no_data"), Condition.STALE, "no data of the machine's own"),
        (seen(on_reel=False, lost_min=(990,), state="threading"), Condition.QUIET, "not on the reel (threading)"),
        (seen(on_reel=False, lost_min=(990,), state="stock_off"), Condition.QUIET, "not on the reel (stock off)"),
        (seen(lost_min=(970,), back_min=20), Condition.QUIET, "came back less than 15 min ago"),
        (seen(2.2, grade_change_min=980), Condition.QUIET, "grade was changed less than 30 min ago"),
        (seen(2.7), Condition.OUTSIDE, "1 of the model's 1 factors are missing or outside of what it learnt from"),
        (seen(float("nan")), Condition.OUTSIDE, "press.draw, mean of the last 5 min"),
    ],
)
def test_it_is_silent_and_says_why(what: Seen, condition: Condition, because: str) -> None:
    found = told(what)

    assert found.condition is condition
    assert because in found.because
    assert found.said["because"] == found.because
    assert found.said["risk"] is None
    assert found.said["odds"] is None
    assert found.said["reasons"] == []
    assert not found.warning
    assert not found.said["warning"]["due"]


def test_data_are_stale_only_after_the_time_that_was_set() -> None:
    old = seen(last_ms=NOW_MS)

    assert told(old, now_ms=NOW_MS + 180_000).condition is Condition.SCORED
    assert told(old, now_ms=NOW_MS + 180_001).condition is Condition.STALE


def test_the_last_days_hold_hits_misses_and_false_warnings() -> None:
    # Warned at 400, lost at 420: a hit. Lost at 600 unwarned: a miss. Warned at 800, nothing followed: false.
    # Warned at 905, lost at 910: late, and missed.
    what = seen(lost_min=(420, 600, 910))
    minute = what.rows.at_ms // MINUTE_MS
    values = np.where(np.isin(minute, (400, 800, 905)), 2.2, 1.8).astype(np.float32)[:, None]
    what = replace(what, values=values, score=hand_card(DRAW).model.score(values))

    found = record(hand_card(DRAW), what)

    assert (found["breaks"], found["warned_in_time"], found["false"], found["late"]) == (3, 1, 1, 1)


def test_days_that_the_model_had_learnt_from_are_counted_as_the_judging_found_them() -> None:
    fitted = 700 * MINUTE_MS
    judged = Record(
        from_ms=100 * MINUTE_MS,
        to_ms=fitted,
        warned=(420 * MINUTE_MS,),
        missed=(600 * MINUTE_MS, 650 * MINUTE_MS),
        false=(200 * MINUTE_MS, 300 * MINUTE_MS),
        late=(),
        undecided=(),
    )
    card = hand_card(DRAW, to_ms=fitted, record=judged)
    # A warning at 500 of the model itself does not count: it had learnt from that minute.
    what = seen(lost_min=(910,))
    values = np.where(np.isin(what.rows.at_ms // MINUTE_MS, (500, 895)), 2.2, 1.8).astype(np.float32)[:, None]
    what = replace(what, values=values, score=card.model.score(values))

    found = record(card, what)

    assert (found["breaks"], found["warned_in_time"], found["false"]) == (4, 2, 2)
    assert found["of_this_model_from"] == "1970-01-01T11:40:00.000Z"


def test_what_is_older_than_thirty_days_is_not_counted() -> None:
    old = Record(from_ms=-40 * DAY_MS, to_ms=0, warned=(-35 * DAY_MS,), missed=(), false=(), late=(), undecided=())

    assert record(hand_card(DRAW, record=old), seen())["breaks"] == 0


def test_silence_carries_no_risk_and_a_last_will_no_time() -> None:
    will = silence("pm2", Condition.GONE, "The scorer is gone: no risk is known.", now_ms=None)

    assert will.said["state"] == "gone"
    assert will.said["risk"] is None
    assert will.said["said_at"] is None
    assert will.said["warning"]["given"] is False
    assert "Advisory only" in will.said["notice"]
