"""The towers' forecast: time until full, whether the sheet is back before that, and what a break costs in dosing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.broke.ledger import Moisture
from analysis.broke.tower import (
    Now,
    Outlook,
    TowerForecast,
    TowerNow,
    break_cost,
    machine_now,
    tower_forecast,
    towers_now,
)
from analysis.history import BrokeTower, Downtime, GradeRun, Readings, StateSpan
from analysis.telling.towers import outlook_tables, outlook_values, warnings_said
from tests.histories import DAY, HOUR, MINUTE, downtime, history, on_reel_but_for

WHITE = BrokeTower(
    tower="white tower", volume_m3=800, consistency_pct=3.5, shades=("white",), dosed_into=("white", "ivory"),
    level_tag="level", dosing_tag="dosing", returned_tag="returned",
)  # fmt: skip
TINTED = replace(WHITE, tower="tinted tower", volume_m3=400, shades=("ivory",), dosed_into=("ivory",), level_tag=None)
RATE = 12.7296 * 0.95
"""Oven-dry rate of 80 g/m2 at 780 m/min and 3.40 m with 5 % moisture: 12.0931 t/h."""


def now(off: Downtime | None = None, *, shade: str | None = "white", at_ms: int = DAY, flowing: bool = True) -> Now:
    """The machine at full rate."""
    return Now(at_ms=at_ms, fall_t_h=RATE, furnish_t_h=RATE, shade=shade, off=off, flowing=flowing)


def past_breaks(*minutes: float) -> list[Downtime]:
    """Finished breaks of these lengths."""
    return [downtime(100 * n, m) for n, m in enumerate(minutes, start=1)]


def forecast(n: Now, one: TowerNow, past: list[Downtime]) -> TowerForecast:
    """The forecast of one tower."""
    (found,) = tower_forecast(n, [one], past)
    return found


@pytest.mark.parametrize(("minutes", "oven_dry_t", "m3"), [(20, 4.03, 115), (40, 8.06, 230), (60, 12.09, 346)])
def test_a_break_makes_the_broke_that_the_trade_works_out(minutes: float, oven_dry_t: float, m3: float) -> None:
    # Trade fixture 19 and note 6.4 (own arithmetic): 40 min make 8.06 t oven-dry, 230 m3 at 3.5 %; 4.0 and 12.1 t else.
    found = break_cost(minutes, fall_t_h=RATE, furnish_t_h=RATE, consistency_pct=3.5, dosing_pct=14)

    assert found.oven_dry_t == pytest.approx(oven_dry_t, abs=0.005)
    assert found.volume_m3 == pytest.approx(m3, abs=0.6)


def test_working_off_eight_tonnes_takes_as_long_as_the_trade_says() -> None:
    # Trade note 6.4 (own arithmetic): 8 t take 13 h at +5 % of furnish, 6.6 h at +10 %: 8 / (0.05 x 12.09) = 13.2.
    minutes = 8 / RATE * 60

    found = break_cost(minutes, fall_t_h=RATE, furnish_t_h=RATE)

    assert dict(found.extra_h) == pytest.approx({5.0: 13.2, 10.0: 6.6}, abs=0.05)
    assert found.dosing_h is None


def test_a_tower_of_eight_hundred_cubic_metres_lasts_a_full_break_of_two_hours_and_a_bit() -> None:
    # Trade note 6.4: 800 m3 at 3.5 % are 28 t oven-dry, 2.3 h of full break: 28 / 12.09 = 2.315 h.
    off = downtime(1440, None)

    found = forecast(now(off), TowerNow(tower=WHITE, level_pct=0.0), [])

    assert found.room_t == pytest.approx(28.0)
    assert (found.until_full_ms or 0) / HOUR == pytest.approx(2.315, abs=0.001)


def test_dosing_and_returns_count_towards_the_time_until_full() -> None:
    # 50 %: 14 t held, 14 t of room. In: 12.0931 + 20 m3/h x 0.035 = 12.7931; out: 10 % of 12.0931. 14 / 11.5838 h.
    one = TowerNow(tower=WHITE, level_pct=50.0, dosing_pct=10.0, returned_m3_h=20.0)

    found = forecast(now(downtime(1440, None)), one, [])

    assert (found.in_t_h, found.out_t_h) == pytest.approx((12.7931, 1.2093), abs=1e-4)
    assert (found.until_full_ms or 0) / HOUR == pytest.approx(14 / 11.5838, rel=1e-4)


def test_a_tower_that_empties_or_takes_another_shade_does_not_fill() -> None:
    one = TowerNow(tower=WHITE, level_pct=50.0, dosing_pct=10.0, returned_m3_h=20.0)

    on_reel = forecast(now(), one, [])
    ivory = forecast(now(downtime(1440, None), shade="ivory"), one, [])

    assert (on_reel.until_full_ms, on_reel.warns) == (None, False)
    assert (ivory.in_t_h, ivory.until_full_ms) == (0.0, None)


def test_without_stock_nothing_falls() -> None:
    found = forecast(now(downtime(1440, None), flowing=False), TowerNow(tower=WHITE, level_pct=50.0), [])

    assert (found.in_t_h, found.until_full_ms) == (0.0, None)


def test_it_warns_when_the_tower_is_full_before_the_sheet_is_expected_back() -> None:
    # Open for 30 min. Of the past breaks those of 40, 50, 60, 70, 90 min lasted longer: 10, 20, 30, 40, 60 min were
    # left, 30 in the middle. 95 %: room 1.4 t at 12.0931 t/h: full in 6.95 min, before all five. 75 %: 34.7 min.
    past = past_breaks(10, 20, 25, 40, 50, 60, 70, 90)
    off = downtime(1410, None)

    nearly_full = forecast(now(off), TowerNow(tower=WHITE, level_pct=95.0), past)
    roomy = forecast(now(off), TowerNow(tower=WHITE, level_pct=75.0), past)

    assert nearly_full.left is not None
    assert nearly_full.left.expected.value == 30 * MINUTE
    assert nearly_full.warns
    assert nearly_full.overflows is not None
    assert nearly_full.overflows.value == 1.0
    assert not roomy.warns
    assert roomy.overflows is not None
    assert roomy.overflows.value == pytest.approx(2 / 5)
    said = warnings_said(Outlook(now=now(off), towers=(nearly_full, roomy)))
    # Clopper and Pearson, 5 of 5: from 0.025^(1/5) = 47.8 %.
    assert said == (
        "White tower will be full in 6.9 min at the present rate, "
        "and the sheet is expected back only in 30.0 min (chance 100 %, 48 % to 100 %).",
    )


def test_only_downtimes_of_its_own_kind_and_of_certain_length_tell_how_long_one_lasts() -> None:
    past = [*past_breaks(60, 60, 60, 60), downtime(900, 60, "planned"), downtime(1000, 60, end_uncertain=True)]

    found = forecast(now(downtime(1410, None)), TowerNow(tower=WHITE, level_pct=95.0), past)

    assert (found.left, found.overflows, found.warns) == (None, None, False)


def test_what_is_not_told_of_a_tower_is_not_set() -> None:
    bare = TowerNow(tower=BrokeTower(tower="chest"))

    found = forecast(now(downtime(1440, None)), bare, [])
    tables = outlook_tables(Outlook(now=now(downtime(1440, None)), towers=(found,)))

    assert (found.held_t, found.room_t, found.out_t_h, found.until_full_ms) == (None, None, None, None)
    assert tables[0].rows[0][:5] == ("chest", "not set", "not set", "not set", "any shade")


def test_stock_of_a_shade_that_is_not_being_made_is_said_to_wait() -> None:
    found = tower_forecast(now(), [TowerNow(tower=WHITE, level_pct=50.0), TowerNow(tower=TINTED)], [])

    rows = outlook_tables(Outlook(now=now(), towers=found))[0].rows

    assert rows[0][4] == "white, ivory"
    assert rows[1][4] == "ivory only; not now, with white being made"


def test_the_machine_now_is_read_from_its_newest_values() -> None:
    # 780 m/min x 3.40 m x 80 g/m2 at 5 % moisture; a press break lacks 3 g/m2 of starch: 73 instead of 76 g/m2.
    past = on_reel_but_for(
        [downtime(1430, None)],
        grade_runs=(GradeRun(grade="C80", shade="white", started_ms=0, ended_ms=None),),
        sections=("couch", "press", "after-dryer", "reel"),
        broke_towers=(WHITE,),
    )
    past = replace(past, machine=replace(past.machine, added_g_m2=3.0, added_from="after-dryer"))
    past = replace(past, states=(*past.states[:-1],))
    readings = Readings(
        values={"speed": 780.0, "weight": 80.0, "level": 41.0, "dosing": 12.0},
        roles={"speed": "speed", "basis_weight": "weight"},
    )
    moisture = Moisture(pct=5.0, taken_from="mill.toml")

    found = machine_now(past, readings, moisture)
    dry_end = replace(past, downtimes=(downtime(1430, None, section="reel"),))

    assert found.fall_t_h == pytest.approx(780 * 3.4 * 73 * 60 / 1e6)
    assert machine_now(dry_end, readings, moisture).fall_t_h == pytest.approx(RATE, rel=1e-4)
    assert (found.shade, found.flowing, found.off) == ("white", True, past.downtimes[0])
    (tower,) = towers_now(past, readings)
    assert (tower.level_pct, tower.dosing_pct, tower.returned_m3_h) == (41.0, 12.0, None)


def test_a_machine_of_which_nothing_is_known_now_has_no_rates() -> None:
    past = history([StateSpan(state="stopped", started_ms=0, ended_ms=None)])

    found = machine_now(past, Readings(values={}, roles={}), Moisture(pct=5.0, taken_from="mill.toml"))

    assert (found.fall_t_h, found.furnish_t_h, found.shade, found.flowing) == (None, 0.0, None, False)
    assert outlook_values(Outlook(now=found, towers=()))["break_cost"] == []


@given(st.floats(0, 100), st.floats(0, 30), st.floats(0, 60), st.lists(st.floats(1, 500), min_size=5, max_size=30))
def test_a_forecast_never_contradicts_itself(
    level: float, dosing: float, returned: float, minutes: list[float]
) -> None:
    one = TowerNow(tower=WHITE, level_pct=level, dosing_pct=dosing, returned_m3_h=returned)

    found = forecast(now(downtime(1435, None)), one, past_breaks(*minutes))

    assert (found.held_t or 0) + (found.room_t or 0) == pytest.approx(28.0)
    assert found.until_full_ms is None or found.until_full_ms >= 0
    if found.overflows is not None:
        assert (found.overflows.low or 0) <= found.overflows.value <= (found.overflows.high or 0)
        assert not found.warns or found.overflows.value >= 0.5
