"""The time ledger: every millisecond of a period in exactly one class, whatever the history."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.ledger import MEANING, SPLITS, Class, by_day, cause_label, ledger, section_label
from analysis.history import History, StateSpan
from analysis.period import Period, day_start_ms
from tests.histories import DAY, HELSINKI, HOUR, MINUTE, downtime, history, on_reel_but_for, random_histories, rota


@given(random_histories())
def test_the_ledger_sums_to_the_period_exactly(made: tuple[History, Period]) -> None:
    past, period = made

    book = ledger(past, period)

    assert sum(book.ms.values()) == period.length_ms
    assert book.slices[0].from_ms == period.from_ms
    assert book.slices[-1].to_ms == period.to_ms
    assert all(a.to_ms == b.from_ms for a, b in pairwise(book.slices))


@given(random_histories(), st.sampled_from(sorted(SPLITS)))
def test_every_split_sums_to_the_period_exactly(made: tuple[History, Period], split: str) -> None:
    past, period = made

    book = ledger(past, period)

    assert sum(book.by(split).values()) == period.length_ms


@given(random_histories(), st.integers(1, 3 * DAY))
def test_a_period_split_anywhere_adds_up(made: tuple[History, Period], after: int) -> None:
    past, period = made
    middle = period.from_ms + after % period.length_ms
    whole = ledger(past, period)
    parts = [Period(from_ms=a, to_ms=b) for a, b in pairwise([period.from_ms, middle, period.to_ms]) if b > a]

    halves = [ledger(past, part) for part in parts]

    assert whole.ms == {cls: sum(half.ms[cls] for half in halves) for cls in Class}
    for downtime_id, ms in whole.by_downtime.items():
        assert ms == sum(half.by_downtime.get(downtime_id, 0) for half in halves)


@given(random_histories(), st.integers(0, 3 * DAY))
def test_an_instant_is_in_the_class_that_its_definition_says(made: tuple[History, Period], after: int) -> None:
    past, period = made
    at = period.from_ms + after % period.length_ms

    found = next(s for s in ledger(past, period).slices if s.from_ms <= at < s.to_ms)

    assert found.cls is class_at(past, at)


def class_at(past: History, at: int) -> Class:
    """The class of one instant, straight from the definitions, without any sweep."""
    states = [s.state for s in past.states if s.started_ms <= at and (s.ended_ms is None or at < s.ended_ms)]
    if states in ([], ["no_data"]):
        return Class.NO_DATA
    kinds = [d.kind for d in past.downtimes if d.started_ms <= at and (d.ended_ms is None or at < d.ended_ms)]
    if not kinds:
        return Class.ON_REEL if states == ["on_reel"] else Class.UNKNOWN
    first = min(
        (d for d in past.downtimes if d.started_ms <= at and (d.ended_ms is None or at < d.ended_ms)),
        key=lambda d: (d.started_ms, d.downtime_id),
    )
    return Class(first.kind)


@given(random_histories())
def test_the_ledger_does_not_depend_on_the_order_of_the_downtimes(made: tuple[History, Period]) -> None:
    past, period = made
    turned = history(past.states, past.downtimes[::-1], shifts=past.shifts, grade_runs=past.grade_runs)

    assert ledger(turned, period).ms == ledger(past, period).ms


def test_of_two_downtimes_that_begin_together_the_same_one_holds_in_any_order() -> None:
    one, other = downtime(60, 30), downtime(60, 20, "stop", downtime_id="pm2-0")
    states = [StateSpan(state="down", started_ms=0, ended_ms=None)]
    period = Period(from_ms=60 * MINUTE, to_ms=90 * MINUTE)

    books = [ledger(history(states, order), period) for order in ([one, other], [other, one])]

    # "pm2-0" comes before the other id; what it leaves is the longer one's.
    assert [(b.ms[Class.STOP], b.ms[Class.BREAK]) for b in books] == [(20 * MINUTE, 10 * MINUTE)] * 2


@given(random_histories())
def test_days_add_up_to_the_period_also_when_clocks_change(made: tuple[History, Period]) -> None:
    past, period = made
    book = ledger(past, period)

    days = by_day(book, HELSINKI)

    assert {cls: sum(day.ms[cls] for day in days) for cls in Class} == book.ms
    assert all(sum(day.ms.values()) == day.period.length_ms for day in days)


def test_each_day_of_a_period_is_named_and_cut_at_midnight() -> None:
    # 22:00 on 28 March to 02:00 on 31 March: 2 h, a day of 23 h as clocks go forward, 24 h and 2 h.
    first = date(2026, 3, 28)
    start, end = (day_start_ms(first + timedelta(days=n), HELSINKI) for n in (1, 3))
    past = history([StateSpan(state="on_reel", started_ms=0, ended_ms=None)], shifts=rota(first, 4))

    days = by_day(ledger(past, Period(from_ms=start - 2 * HOUR, to_ms=end + 2 * HOUR)), HELSINKI)

    assert [(day.period.name, day.ms[Class.ON_REEL] / HOUR) for day in days] == [
        ("2026-03-28", 2), ("2026-03-29", 23), ("2026-03-30", 24), ("2026-03-31", 2),
    ]  # fmt: skip


def test_the_cause_of_a_break_is_its_code_or_that_it_has_none() -> None:
    assert cause_label(downtime(60, 30, cause="PR-FLT")) == "PR-FLT"
    assert cause_label(downtime(60, 30)) == "not coded"


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 10), 24)])
def test_the_ledger_of_a_day_has_the_hours_of_that_day(day: date, hours: int) -> None:
    start, end = day_start_ms(day, HELSINKI), day_start_ms(day + timedelta(days=1), HELSINKI)
    past = history([StateSpan(state="on_reel", started_ms=0, ended_ms=None)], shifts=rota(day - timedelta(days=1), 3))

    book = ledger(past, Period(from_ms=start, to_ms=end))

    assert book.ms[Class.ON_REEL] == hours * HOUR
    # 06:00 to 18:00 is 12 h on every day; the night of changing clocks takes the rest.
    assert book.by("shift") == {(Class.ON_REEL, "day"): 12 * HOUR, (Class.ON_REEL, "night"): (hours - 12) * HOUR}


def test_every_kind_of_downtime_has_its_class() -> None:
    kinds = ("break", "stop", "planned", "unknown")
    past = on_reel_but_for([downtime(100 * n, n, kind) for n, kind in enumerate(kinds, start=1)])

    book = ledger(past, Period(from_ms=0, to_ms=DAY))

    assert {cls.value: ms // MINUTE for cls, ms in book.ms.items()} == {
        "on reel": 1430,
        "break": 1,
        "stop": 2,
        "planned": 3,
        "unknown": 4,
        "no data": 0,
    }
    assert set(MEANING) == set(Class)


def test_a_data_gap_wins_over_the_break_it_falls_into() -> None:
    past = history(
        [
            StateSpan(state="on_reel", started_ms=0, ended_ms=60 * MINUTE),
            StateSpan(state="down", started_ms=60 * MINUTE, ended_ms=70 * MINUTE),
            StateSpan(state="no_data", started_ms=70 * MINUTE, ended_ms=75 * MINUTE),
            StateSpan(state="down", started_ms=75 * MINUTE, ended_ms=90 * MINUTE),
            StateSpan(state="on_reel", started_ms=90 * MINUTE, ended_ms=None),
        ],
        [downtime(60, 30)],
    )

    book = ledger(past, Period(from_ms=0, to_ms=120 * MINUTE))

    assert book.ms[Class.BREAK] == 25 * MINUTE
    assert book.ms[Class.NO_DATA] == 5 * MINUTE
    assert book.by_downtime == {"pm2-3600000": 25 * MINUTE}


def test_an_open_break_counts_to_the_end_of_the_period() -> None:
    past = on_reel_but_for([downtime(1430, None)])

    book = ledger(past, Period(from_ms=0, to_ms=DAY))

    assert book.ms[Class.BREAK] == 10 * MINUTE


def test_a_machine_without_stock_and_without_a_downtime_is_not_called_on_reel() -> None:
    past = history([StateSpan(state="stock_off", started_ms=0, ended_ms=None)])

    book = ledger(past, Period(from_ms=0, to_ms=MINUTE))

    assert book.ms[Class.UNKNOWN] == MINUTE


def test_a_break_over_a_shift_end_is_split_between_the_crews() -> None:
    # Day shift until 18:00; the break from 17:50 to 18:15 is 10 min of one crew's and 15 of the next one's.
    shifts = rota(date(2026, 6, 10), 1)
    change = shifts[0].ended_ms
    lost = downtime(change / MINUTE - 10, 25)
    past = on_reel_but_for([lost], from_ms=shifts[0].started_ms, to_ms=shifts[1].ended_ms, shifts=tuple(shifts))

    book = ledger(past, Period(from_ms=shifts[0].started_ms, to_ms=shifts[1].ended_ms))

    assert book.by("crew")[Class.BREAK, "C"] == 10 * MINUTE
    assert book.by("crew")[Class.BREAK, "D"] == 15 * MINUTE


def test_doubtful_sections_carry_their_doubt_in_their_name() -> None:
    assert section_label(downtime(0, 1)) == "press"
    assert section_label(downtime(0, 1, location_tied=True)) == "press (tied)"
    assert section_label(downtime(0, 1, section="reel", unwitnessed=True)) == "reel (unwitnessed)"
    assert section_label(downtime(0, 1, location_tied=True, start_uncertain=True)) == "press (tied, uncertain)"
    assert section_label(downtime(0, 1, section=None)) == "section not known"


def test_neighbouring_slices_of_one_class_are_one_stretch_of_a_picture() -> None:
    shifts = rota(date(2026, 6, 10), 1)
    past = history([StateSpan(state="on_reel", started_ms=0, ended_ms=None)], shifts=shifts)
    period = Period(from_ms=shifts[0].started_ms, to_ms=shifts[1].ended_ms)

    book = ledger(past, period)

    assert len(book.slices) == 2
    assert book.stretches() == [(period.from_ms, period.to_ms, Class.ON_REEL)]
