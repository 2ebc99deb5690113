"""Efficiency figures, by hand and against published formulas."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.figures.durations import mean_length
from analysis.figures.efficiency import (
    availability,
    available_ms,
    effectiveness,
    efficiency,
    oee_index,
    overall_machine_efficiency,
    quality,
    quality_ratio,
    speed_efficiency,
    time_efficiency,
)
from analysis.figures.ledger import Class, ledger
from analysis.figures.tonnes import rate_t_h
from analysis.history import Grade, History, Production, StateSpan
from analysis.paper.offspec import Amount, Specification, Why
from analysis.period import Period
from tests.histories import DAY, HOUR, MILL, MINUTE, downtime, history, on_reel_but_for

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)


def worked_day() -> History:
    """One day by hand: breaks of 22, 35 and 18 min, the sheet taken off for 20 min, C80 at 780 m/min all the time."""
    lost = [
        downtime(120, 22, rate_before_t_h=12.7296),
        downtime(600, 35, rate_before_t_h=12.7296),
        downtime(700, 20, "planned"),
        downtime(1000, 18, rate_before_t_h=12.7296),
    ]
    past = on_reel_but_for(lost, grades=(Grade(grade="C80", basis_weight_g_m2=80, target_speed_m_min=780),))
    return replace(past, production=tuple(made_while_on_reel(past, speed_m_min=780)))


def made_while_on_reel(past: History, *, speed_m_min: float) -> list[Production]:
    """On-reel time in one row a stretch, at one speed and 80 g/m2."""
    rate = rate_t_h(trim_m=3.4, speed_m_min=speed_m_min, basis_weight_g_m2=80)
    rows = []
    for s in past.states:
        ended_ms = DAY if s.ended_ms is None else s.ended_ms
        if s.state == "on_reel":
            hours = (ended_ms - s.started_ms) / HOUR
            rows.append(
                Production(
                    started_ms=s.started_ms,
                    ended_ms=ended_ms,
                    grade="C80",
                    shade="white",
                    reel="R1",
                    length_m=speed_m_min * 60 * hours,
                    tonnes_t=rate * hours,
                )
            )
    return rows


def test_the_worked_day_has_the_figures_worked_by_hand() -> None:
    # 1,440 - 22 - 35 - 18 - 20 = 1,345 min on the reel: 93.403 %. The planned 20 min are shorter than the cut-off, so
    # they stay in available time. Reel 285.36 t, saleable 269.29 t: 94.37 %; together 88.15 %. At target speed E = 1,
    # so that the OEE index is the same 88.15 %. Restoring took (22 + 35 + 18) / 3 = 25 min, in the middle 22.
    past = worked_day()
    found = efficiency(past, ledger(past, WHOLE_DAY), saleable_t=269.29, reel_t=285.36)

    assert found.on_reel_ms == 1345 * MINUTE
    assert found.figure("time efficiency").value == pytest.approx(0.93403, abs=5e-6)
    assert found.figure("quality").value == pytest.approx(0.9437, abs=5e-5)
    assert found.figure("overall machine efficiency").value == pytest.approx(0.8815, abs=1e-4)
    assert found.figure("availability (ISO 22400-2)").value == pytest.approx(0.9340, abs=5e-5)
    assert found.figure("effectiveness (ISO 22400-2)").value == pytest.approx(1.0)
    assert found.figure("OEE index (ISO 22400-2)").value == pytest.approx(0.8815, abs=1e-4)
    assert found.figure("mean time to restore the sheet").value == pytest.approx(25.0)
    assert found.figure("median time to restore the sheet").value == pytest.approx(22.0)
    assert found.figure("mean time between breaks").value == pytest.approx(1345 / 60 / 3)


def test_a_slower_machine_is_less_effective_and_as_available() -> None:
    # At 740 instead of 780 m/min: 740 / 780 = 0.9487.
    past = worked_day()
    slow = replace(past, production=tuple(made_while_on_reel(past, speed_m_min=740)))

    found = efficiency(slow, ledger(slow, WHOLE_DAY))

    assert found.figure("effectiveness (ISO 22400-2)").value == pytest.approx(740 / 780)
    assert found.figure("time efficiency").value == pytest.approx(1345 / 1440)


def test_speed_efficiency_is_sheet_made_over_sheet_at_target_speed() -> None:
    # 740 instead of 780 m/min: 94.87 % (trade note 3.4, own arithmetic); at target speed 1.
    past = worked_day()
    slow = replace(past, production=tuple(made_while_on_reel(past, speed_m_min=740)))

    at_target, slower = (efficiency(p, ledger(p, WHOLE_DAY)).figure("speed efficiency").value for p in (past, slow))

    assert at_target == pytest.approx(1.0)
    assert slower == pytest.approx(0.9487, abs=5e-5)
    assert speed_efficiency(length_m=0, target_length_m=0) is None


def test_quality_comes_from_limits_where_nobody_gives_saleable_tonnes() -> None:
    # Of the worked day's 285.36 t on the reel 2.546 t were off after restarts: 282.81 / 285.36 = 99.11 %.
    past = worked_day()
    paper = Specification(
        good=Amount(ms=1333 * MINUTE, tonnes_t=282.81), off={Why.RESTART: Amount(ms=12 * MINUTE, tonnes_t=2.546)}
    )

    judged = efficiency(past, ledger(past, WHOLE_DAY), paper=paper)
    told = efficiency(past, ledger(past, WHOLE_DAY), paper=paper, saleable_t=269.29, reel_t=285.36)

    assert judged.figure("quality").value == pytest.approx(0.9911, abs=5e-5)
    assert "winder" in judged.figure("quality").formula
    assert judged.figure("overall machine efficiency").value == pytest.approx(0.93403 * 0.9911, abs=1e-4)
    assert told.figure("quality").value == pytest.approx(0.9437, abs=5e-5)


def test_the_mean_time_to_restore_has_an_interval_from_five_breaks_on() -> None:
    past = on_reel_but_for([downtime(100 * n, 10 + n) for n in range(1, 7)])

    figure = efficiency(past, ledger(past, WHOLE_DAY)).figure("mean time to restore the sheet")

    assert figure.value == pytest.approx(13.5)
    assert figure.low is not None
    assert figure.high is not None
    assert figure.low < 13.5 < figure.high


def test_what_is_not_known_is_not_set_and_says_why() -> None:
    past = replace(worked_day(), grades=())

    found = efficiency(past, ledger(past, WHOLE_DAY))

    for name in ("quality", "overall machine efficiency", "quality ratio (ISO 22400-2)", "OEE index (ISO 22400-2)"):
        assert found.figure(name).value is None
        assert "saleable" in found.figure(name).why_not
    assert found.figure("effectiveness (ISO 22400-2)").value is None
    assert "C80" in found.figure("effectiveness (ISO 22400-2)").why_not


def test_every_figure_names_its_formula_and_source() -> None:
    past = worked_day()

    figures = efficiency(past, ledger(past, WHOLE_DAY)).figures

    assert all(f.formula and f.source and f.unit for f in figures)


def test_the_iso_formulas_give_the_constructed_example() -> None:
    # T11-01 to T11-03: formulas of ISO 22400-2 as in the OPC Foundation's companion specifications; the example is
    # constructed, since no published one was found: POT 1,440, planned 60, APT 1,200 min, PRI 1.5 min/t, PQ 760 t,
    # GQ 722 t.
    # PBT = 1,380: 1,200/1,380; 1.5 * 760/1,200 = 0.95; 722/760 = 0.95; product = 1.5 * 722/1,380.
    a = availability(apt=1200, pbt=1440 - 60)
    e = effectiveness(pri=1.5, pq=760, apt=1200)
    q = quality_ratio(gq=722, pq=760)

    assert a == pytest.approx(0.8695652174)
    assert (e, q) == pytest.approx((0.95, 0.95))
    assert oee_index(availability=a, effectiveness=e, quality_ratio=q) == pytest.approx(1.5 * 722 / 1380)
    restored = mean_length([12, 20, 31, 9, 33])
    assert restored is not None
    assert restored.value == 21.0


def test_the_published_arithmetic_of_an_overall_figure_holds() -> None:
    # T11-04: S. Nakajima, Introduction to TPM (Productivity Press, 1988): good x ideal cycle / planned time; the public
    # example 480 min planned, 420 run, 1 min a piece, 400 made, 380 good prints 87.5 %, 95.2 %, 95 %.
    a = availability(apt=420, pbt=480)
    e = effectiveness(pri=1.0, pq=400, apt=420)
    q = quality_ratio(gq=380, pq=400)

    assert (round(100 * a, 1), round(100 * e, 1), round(100 * q, 1)) == (87.5, 95.2, 95.0)
    assert oee_index(availability=a, effectiveness=e, quality_ratio=q) == pytest.approx(380 / 480)


def test_the_guideline_target_is_time_times_quality() -> None:
    # Uptime 93 % x saleable 95 % = 88.35 %, the arithmetic of TAPPI TIP 0404-47's guideline as D. Reese cites it.
    assert overall_machine_efficiency(time_efficiency=0.93, quality=0.95) == pytest.approx(0.8835)
    assert quality(saleable_t=0, reel_t=0) is None
    assert time_efficiency(on_reel_ms=0, available_ms=0) is None


@pytest.mark.parametrize(("hours", "left_out"), [(23.9, False), (24.0, False), (24.1, True)])
def test_only_planned_downtime_longer_than_the_cutoff_leaves_available_time(hours: float, left_out: bool) -> None:
    off = downtime(60, 60 * hours, "planned")
    past = on_reel_but_for([off], to_ms=3 * DAY)

    found = efficiency(past, ledger(past, Period(from_ms=0, to_ms=3 * DAY)))

    assert found.left_out_planned_ms == (round(hours * HOUR) if left_out else 0)
    assert found.available_ms == 3 * DAY - found.left_out_planned_ms


def test_the_cutoff_looks_at_the_whole_downtime_also_where_the_period_shows_a_part() -> None:
    # 30 h off from 12:00 on; the period is the first day, so 12 h of it are left out.
    off = downtime(720, 30 * 60, "planned")
    past = on_reel_but_for([off], to_ms=3 * DAY)

    found = efficiency(past, ledger(past, WHOLE_DAY))

    assert found.available_ms == 12 * HOUR
    assert found.figure("time efficiency").value == 1.0


def test_a_break_stays_in_available_time_however_long_it_lasts() -> None:
    past = on_reel_but_for([downtime(60, 60 * 30, "break")], to_ms=3 * DAY)

    found = efficiency(past, ledger(past, Period(from_ms=0, to_ms=3 * DAY)))

    # 42 of 72 h on the reel.
    assert (found.left_out_planned_ms, found.available_ms) == (0, 3 * DAY)
    assert found.figure("time efficiency").value == pytest.approx(42 / 72)


def test_the_cutoff_is_the_mills_own() -> None:
    off = downtime(60, 60 * 30, "planned")
    past = replace(on_reel_but_for([off], to_ms=3 * DAY), mill=replace(MILL, planned_cutoff_h=48.0))
    book = ledger(past, Period(from_ms=0, to_ms=3 * DAY))

    assert available_ms(book, past.downtimes, planned_cutoff_h=48.0, horizon_ms=3 * DAY) == 3 * DAY


def test_time_without_data_is_in_neither_on_reel_nor_available_time() -> None:
    past = history(
        [
            StateSpan(state="on_reel", started_ms=0, ended_ms=6 * HOUR),
            StateSpan(state="no_data", started_ms=6 * HOUR, ended_ms=12 * HOUR),
            StateSpan(state="on_reel", started_ms=12 * HOUR, ended_ms=None),
        ]
    )

    found = efficiency(past, ledger(past, WHOLE_DAY))

    assert (found.on_reel_ms, found.available_ms, found.no_data_ms) == (18 * HOUR, 18 * HOUR, 6 * HOUR)
    assert found.left_out_planned_ms == 0
    assert found.figure("time efficiency").value == 1.0


def test_a_period_without_any_data_has_no_efficiency() -> None:
    found = efficiency(history(), ledger(history(), WHOLE_DAY))

    assert found.figure("time efficiency").value is None
    assert found.figure("mean time between breaks").value is None
    assert found.breaks.rate is None


def test_open_and_half_seen_breaks_count_but_say_nothing_of_their_length() -> None:
    lost = [downtime(60, 20), downtime(200, 300, end_uncertain=True), downtime(1400, None)]
    past = on_reel_but_for(lost)

    found = efficiency(past, ledger(past, WHOLE_DAY))

    assert found.breaks.count == 3
    assert found.figure("mean time to restore the sheet").value == 20.0
    assert "2 open or of uncertain length left out" in found.figure("mean time to restore the sheet").formula


def test_secondary_breaks_are_kept_apart_from_the_rate() -> None:
    lost = [downtime(60, 20, secondary=False), downtime(90, 10, secondary=True), downtime(300, 10, secondary=None)]
    past = on_reel_but_for(lost)

    found = efficiency(past, ledger(past, WHOLE_DAY))

    assert (found.breaks.count, found.secondary) == (2, 1)
    assert found.on_reel_ms == ledger(past, WHOLE_DAY).ms[Class.ON_REEL]
