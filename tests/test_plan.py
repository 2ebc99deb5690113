"""The plan of a period, by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from analysis.figures.ledger import by_day, ledger
from analysis.figures.plan import plan
from analysis.history import Grade, GradeRun
from analysis.period import Period
from tests.histories import DAY, HELSINKI, HOUR, downtime, on_reel_but_for, rota

GRADES = (Grade(grade="C80", plan_t_d=288.0), Grade(grade="C60", plan_t_d=240.0), Grade(grade="C90"))


def runs(*of: tuple[str | None, float, float]) -> tuple[GradeRun, ...]:
    return tuple(
        GradeRun(grade=grade, shade="white", started_ms=round(a * HOUR), ended_ms=round(b * HOUR)) for grade, a, b in of
    )


def test_a_day_of_one_grade_is_what_mill_toml_says_of_it_whatever_happened() -> None:
    past = on_reel_but_for([downtime(60, 300)], grade_runs=runs(("C80", 0, 24)), grades=GRADES)

    found = plan(past, ledger(past, Period(from_ms=0, to_ms=DAY)))

    assert (found.tonnes_t, found.unplanned_ms) == (288.0, 0)


def test_each_grade_counts_for_its_own_time_and_what_has_no_plan_is_said() -> None:
    past = on_reel_but_for([], grade_runs=runs(("C80", 0, 4), ("C60", 4, 10), ("C90", 10, 11)), grades=GRADES)

    found = plan(past, ledger(past, Period(from_ms=0, to_ms=12 * HOUR)))

    # 4 h of 288 t/d and 6 h of 240 t/d: 48 + 60 t; an hour without a plan and one without a grade
    assert found.tonnes_t == pytest.approx(108.0)
    assert found.unplanned_ms == 2 * HOUR


def test_without_any_plan_all_the_time_is_without_one() -> None:
    past = on_reel_but_for([], grade_runs=runs(("C90", 0, 24)), grades=GRADES)

    found = plan(past, ledger(past, Period(from_ms=0, to_ms=DAY)))

    assert (found.tonnes_t, found.unplanned_ms, found.known) == (0.0, DAY, False)


def test_the_plans_of_the_days_add_up_also_where_clocks_change() -> None:
    first, *_, last = rota(date(2026, 3, 28), 3)
    period = Period(from_ms=first.started_ms, to_ms=last.ended_ms)
    past = replace(
        on_reel_but_for([], from_ms=period.from_ms, to_ms=period.to_ms),
        grade_runs=runs(("C80", 0, 10**6)),
        grades=GRADES,
    )
    book = ledger(past, period)

    parts = [plan(past, day) for day in by_day(book, HELSINKI)]

    # Three days, one of them of 23 h: 71 h of 12 t/h
    assert sum(part.tonnes_t for part in parts) == pytest.approx(71 * 12.0)
