"""The clock of a downtime: what belongs to lost time, what follows it, and that no minute is counted twice."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.ledger import ledger
from analysis.history import Attempt, Grade, GradeRun, History, LabResult, Stretch
from analysis.paper.clock import clocks, settled_at
from analysis.paper.offspec import Amount, Specification, Why, failed_reels, outside, specification
from analysis.period import Period
from analysis.telling.offspec import clock_values, offspec_said, offspec_table
from tests.histories import DAY, MINUTE, downtime, on_reel_but_for, random_histories

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)
C80 = Grade(
    grade="C80",
    basis_weight_g_m2=80,
    target_speed_m_min=780,
    basis_weight_within_pct=2.5,
    moisture_low_pct=4.5,
    moisture_high_pct=5.5,
)


def stretch(
    from_min: float, to_min: float, *, at_speed: bool | None = True, in_spec: bool | None = True, **more: object
) -> Stretch:
    """On-reel time between two minutes of the day, at 12 t/h."""
    plain = Stretch(
        started_ms=round(from_min * MINUTE),
        ended_ms=round(to_min * MINUTE),
        grade="C80",
        reel="R1",
        tonnes_t=(to_min - from_min) / 5,
        short_t=0.0 if at_speed else (to_min - from_min) / 60,
        at_speed=at_speed,
        in_spec=in_spec,
    )
    return replace(plain, **more)  # type: ignore[arg-type]  # names are Stretch's own


def test_the_clock_of_a_break_has_all_its_hands() -> None:
    # Lost at 60, tries at 70 and 78, on the reel at 82 min; at target speed from 88, in specification from 95 min on.
    # Lost time 22 min; 13 min after it paper is saleable: 35 min from the loss. 13 min at 12 t/h are 2.6 t.
    tries = (
        Attempt(downtime_id="pm2-3600000", attempt=1, started_ms=70 * MINUTE, ended_ms=74 * MINUTE,
                reached_section="press", outcome="failed"),
        Attempt(downtime_id="pm2-3600000", attempt=2, started_ms=78 * MINUTE, ended_ms=82 * MINUTE,
                reached_section="reel", outcome="success"),
    )  # fmt: skip
    past = on_reel_but_for([downtime(60, 22)], attempts=tries)
    run = [
        stretch(82, 88, at_speed=False, in_spec=False),
        stretch(88, 95, in_spec=False),
        stretch(95, 1440),
    ]

    (clock,) = clocks(past, run, WHOLE_DAY)

    assert [a.started_ms // MINUTE for a in clock.attempts] == [70, 78]
    assert (clock.to_attempt_ms, clock.lost_ms) == (10 * MINUTE, 22 * MINUTE)
    assert (clock.to_speed_ms, clock.to_spec_ms, clock.to_saleable_ms) == (6 * MINUTE, 13 * MINUTE, 35 * MINUTE)
    assert clock.off_spec_t == pytest.approx(2.6)
    assert clock.short_t == pytest.approx(0.1)
    assert clock_values(clock)["in_specification_at"] == "1970-01-01T01:35:00.000Z"


def test_a_run_ends_with_the_next_loss_or_with_what_is_asked_for() -> None:
    past = on_reel_but_for([downtime(60, 22), downtime(300, 10)])
    run = [stretch(82, 300)]

    (whole, *_), (part, *_) = (clocks(past, run, Period(from_ms=0, to_ms=end * MINUTE)) for end in (1440, 90))

    assert (whole.until_ms, part.until_ms) == (300 * MINUTE, 90 * MINUTE)


def test_paper_is_back_in_specification_only_when_it_stays_there() -> None:
    # Within limits for 30 s at 84 min, then out again: only from 90 min on it stays.
    run = [
        stretch(82, 84, in_spec=False),
        stretch(84, 84.5),
        stretch(84.5, 90, in_spec=False),
        stretch(90, 90.7),
        stretch(90.7, 91, at_speed=False),
    ]

    assert settled_at(run, lambda s: s.in_spec, MINUTE) == 90 * MINUTE
    assert settled_at(run, lambda s: s.in_spec, 61_000) is None
    assert settled_at([], lambda s: s.in_spec, 0) is None


def test_a_run_lost_again_before_it_was_in_specification_is_all_off() -> None:
    past = on_reel_but_for([downtime(60, 20), downtime(90, 10, secondary=True)])
    run = [stretch(80, 90, in_spec=False), stretch(100, 1440)]

    first, second = clocks(past, run, WHOLE_DAY)

    assert (first.in_spec_ms, first.to_saleable_ms) == (None, None)
    assert first.off_spec_t == pytest.approx(2.0)
    assert second.to_spec_ms == 0


def test_without_targets_and_limits_the_clock_stops_at_the_reel() -> None:
    past = on_reel_but_for([downtime(60, 20), downtime(1430, None)])

    closed, still_open = clocks(past, [stretch(80, 1430, at_speed=None, in_spec=None)], WHOLE_DAY)

    assert (closed.lost_ms, closed.to_speed_ms, closed.to_spec_ms, closed.off_spec_t) == (20 * MINUTE, None, None, None)
    assert (still_open.lost_ms, still_open.back_ms) == (None, None)


def judged(past: History, run: list[Stretch], *lab: LabResult) -> Specification:
    """The specification of a day of C80 with its limits."""
    return specification(replace(past, grades=(C80,)), run, WHOLE_DAY, lab)


def test_each_minute_out_of_limits_stands_under_its_first_reason() -> None:
    # After the restart 80 to 90; at the change of grade 600 to 612, of which the limits break only 602 to 612, and at
    # 606 the sheet is lost: so 600 to 606. Elsewhere out of limits 700 to 705. The restart at 616 is good at once.
    runs = (
        GradeRun(grade="C70", shade="white", started_ms=0, ended_ms=600 * MINUTE),
        GradeRun(grade="C80", shade="white", started_ms=600 * MINUTE, ended_ms=None),
    )
    past = on_reel_but_for([downtime(60, 20), downtime(606, 10)], grade_runs=runs)
    run = [
        stretch(0, 60),
        stretch(80, 90, in_spec=False),
        stretch(90, 600),
        stretch(600, 602, in_spec=False),
        stretch(602, 606, in_spec=False),
        stretch(616, 700),
        stretch(700, 705, in_spec=False),
        stretch(705, 1440),
    ]

    paper = judged(past, run)

    assert {why: amount.ms // MINUTE for why, amount in paper.off.items()} == {
        Why.RESTART: 10,
        Why.GRADE_CHANGE: 6,
        Why.LIMITS: 5,
    }
    assert paper.good.ms + sum(a.ms for a in paper.off.values()) == sum(s.ms for s in run)
    # (1410 - 21) / 1410 of even production.
    assert paper.quality == pytest.approx(1389 / 1410)
    assert offspec_said(paper) == "4.2 of 282.0 t judged on the reel were out of limits, " \
        "most of it after a restart: 2.0 t in 10.0 min."  # fmt: skip


def test_a_reel_that_fails_in_the_laboratory_is_not_counted_twice() -> None:
    run = [
        stretch(0, 60, reel="R1"),
        stretch(60, 70, reel="R2", in_spec=False),
        stretch(70, 120, reel="R2"),
        stretch(120, 1440, reel="R3"),
    ]
    runs = (GradeRun(grade="C80", shade="white", started_ms=0, ended_ms=None),)
    bad = LabResult(sampled_ms=90 * MINUTE, test="moisture", value=6.1, reel="R2")
    fine = LabResult(sampled_ms=30 * MINUTE, test="moisture", value=5.4, reel="R1")

    paper = judged(on_reel_but_for([], grade_runs=runs), run, fine, bad)

    assert {why: amount.ms // MINUTE for why, amount in paper.off.items()} == {Why.LIMITS: 10, Why.LAB: 50}
    assert failed_reels(replace(on_reel_but_for([], grade_runs=runs), grades=(C80,)), [fine, bad]) == {"R2"}


@pytest.mark.parametrize(
    ("test", "value", "is_outside"),
    [
        ("basis weight", 82.0, False),  # 2.5 % of 80 g/m2 are 2
        ("Basis weight", 82.1, True),
        ("basis weight", 77.9, True),
        ("moisture", 4.5, False),
        ("moisture", 4.4, True),
        ("ash", 99.0, False),
    ],
)
def test_limits_are_kept_up_to_and_including_themselves(test: str, value: float, is_outside: bool) -> None:
    assert outside(C80, test, value) is is_outside
    assert not outside(Grade(grade="plain"), test, value)


def test_paper_that_nothing_judges_is_neither_good_nor_bad() -> None:
    run = [stretch(0, 60, in_spec=None), stretch(60, 70, tonnes_t=None)]

    paper = judged(on_reel_but_for([]), run)

    assert paper.quality is None
    assert paper.unjudged.ms == 70 * MINUTE
    assert "not known" in offspec_said(paper)
    table = offspec_table(paper)
    assert table.rows[-1][:3] == (
        "not judged",
        "1.17",
        "12.0",
    )  # an hour at 12 t/h, and 10 min of which nothing is known
    assert "Through 10.0 min speed or basis weight had no good value" in table.note


def test_tonnes_that_are_not_known_are_not_told_as_none() -> None:
    table = offspec_table(judged(on_reel_but_for([]), [stretch(0, 60), stretch(60, 70, tonnes_t=None)]))

    assert table.rows[-1][2] == "not known"


def test_the_tonnes_of_the_reasons_add_up_to_what_was_judged() -> None:
    paper = Specification(
        good=Amount(tonnes_t=100.04), off={why: Amount(tonnes_t=1.04) for why in (Why.RESTART, Why.LIMITS, Why.LAB)}
    )

    told = [float(row[2]) for row in offspec_table(paper).rows]

    # each rounded by itself would give 103.0
    assert sum(told) == pytest.approx(103.2)
    assert "of 103.2 t judged" in offspec_said(paper)


@st.composite
def random_stretches(draw: st.DrawFn, past: History, period: Period) -> list[Stretch]:
    """Random judgements over the on-reel time of a history's ledger."""
    found = []
    for s in ledger(past, period).slices:
        if s.cls.value != "on reel":
            continue
        cuts = sorted({s.from_ms, s.to_ms, *draw(st.lists(st.integers(s.from_ms, s.to_ms), max_size=3))})
        found += [
            Stretch(
                started_ms=a, ended_ms=b, grade="C80", reel=draw(st.sampled_from(["R1", "R2", None])),
                tonnes_t=draw(st.sampled_from([None, 1.0, 2.5])), short_t=0.0,
                at_speed=draw(st.sampled_from([True, False, None])), in_spec=draw(st.sampled_from([True, False, None])),
            )
            for a, b in pairwise(cuts)
        ]  # fmt: skip
    return found


@given(random_histories(), st.data())
def test_no_minute_is_lost_time_and_off_specification_at_once_and_none_counts_twice(
    made: tuple[History, Period], data: st.DataObject
) -> None:
    past, period = made
    run = data.draw(random_stretches(past, period))

    paper = specification(replace(past, grades=(C80,)), run, period)

    whole = paper.good.ms + paper.unjudged.ms + sum(amount.ms for amount in paper.off.values())
    assert whole == sum(s.ms for s in run)
    # Each stretch is in the run after one downtime at most, so what runs lost adds up to no more than was made.
    off = sum(c.off_spec_t or 0.0 for c in paper.clocks)
    assert off <= sum(s.tonnes_t or 0.0 for s in run) + 1e-9
    for clock in paper.clocks:
        assert clock.to_spec_ms is None or clock.to_spec_ms >= 0
        if clock.to_saleable_ms is not None and clock.lost_ms is not None and clock.to_spec_ms is not None:
            assert clock.to_saleable_ms == clock.lost_ms + clock.to_spec_ms


def test_a_day_without_any_downtime_has_no_clock() -> None:
    assert clocks(on_reel_but_for([]), [stretch(0, 1440)], WHOLE_DAY) == ()


def test_lost_time_does_not_know_of_what_follows_it() -> None:
    past = on_reel_but_for([downtime(60, 20)])
    slow = [stretch(80, 1440, at_speed=False, in_spec=False)]
    quick = [stretch(80, 1440)]

    lost = {clocks(past, run, WHOLE_DAY)[0].lost_ms for run in (slow, quick)}

    assert lost == {20 * MINUTE}
    assert ledger(past, WHOLE_DAY).by_downtime == {"pm2-3600000": 20 * MINUTE}
