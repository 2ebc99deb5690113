"""On-reel time judged in SQL, on samples few enough to work out by hand."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.figures.tonnes import made, made_by
from analysis.history import Stretch
from analysis.paper.offspec import specification
from analysis.period import Period
from analysis.read import open_store
from tests.analysis_store import Break, HandMadeStore, at, ms

TAGS = {"speed": "reel.speed", "basis_weight": "scanner.basis_weight", "moisture": "scanner.moisture"}
Samples = list[tuple[str, str, float | None]]


def judged_store(folder: Path, samples: Samples) -> HandMadeStore:
    """PM 2 from 06:00 on with C80 and its limits; samples are (time, role, value)."""
    store = HandMadeStore(folder)
    store.machine("2026-03-02 06:00", "2026-03-02 12:00")
    store.insert(
        "grade", grade="C80", basis_weight_g_m2=80, target_speed_m_min=780, basis_weight_within_pct=2.5,
        moisture_low_pct=4.5, moisture_high_pct=5.5,
    )  # fmt: skip
    store.insert("grade_run", machine="pm2", grade="C80", shade="white", started_at=at("2026-03-02 06:00"))
    for number, (role, tag) in enumerate(TAGS.items(), start=10):
        store.insert("signal", machine="pm2", role=role, tag=tag)
        store.insert("tag", tag_id=number, machine="pm2", tag=tag)
    for when, role, value in samples:
        store.insert("hot_sample", tag_id=10 + list(TAGS).index(role), sampled_at=at(f"2026-03-02 {when}"), value=value)
    return store


def stretches(store: HandMadeStore, from_text: str = "06:00", to_text: str = "12:00") -> tuple[Stretch, ...]:
    """What is read of a part of the day."""
    period = Period(from_ms=ms(f"2026-03-02 {from_text}"), to_ms=ms(f"2026-03-02 {to_text}"))
    with open_store(store.close(published="2026-03-02 12:01", data_to="2026-03-02 12:00")) as opened:
        return opened.stretches(opened.machine("pm2"), period)


STEADY: Samples = [("06:00", "speed", 780), ("06:00", "basis_weight", 80), ("06:00", "moisture", 5.0)]


def clocked(found: tuple[Stretch, ...]) -> list[tuple[float, bool | None, bool | None, float | None]]:
    """Minutes, at speed, in specification and tonnes of each stretch."""
    return [(s.ms / 60_000, s.at_speed, s.in_spec, None if s.tonnes_t is None else round(s.tonnes_t, 4)) for s in found]


def test_steady_paper_is_one_stretch_with_the_tonnes_of_the_rate(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 08:00", "down"))

    found = stretches(store)

    # 2 h at 3.40 x 780 x 80 x 60 / 10^6 = 12.7296 t/h (trade fixture 7).
    assert clocked(found) == [(120.0, True, True, 25.4592)]
    assert found[0].short_t == 0.0


def test_every_change_of_judgement_begins_a_stretch(tmp_path: Path) -> None:
    more: Samples = [
        ("06:30", "moisture", 5.6),  # above 5.5
        ("06:40", "moisture", 5.5),  # at the limit: within
        ("07:00", "speed", 772),  # 1 % below 780 is 772.2
        ("07:10", "speed", 780),
        ("07:20", "basis_weight", 82.1),  # 2.5 % above 80 is 82
        ("07:30", "basis_weight", None),  # bad: unknown from here
        ("07:40", "basis_weight", 80),
    ]
    store = judged_store(tmp_path, STEADY + more)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 08:00", "down"))

    found = stretches(store)

    assert clocked(found) == [
        (30.0, True, True, 6.3648),
        (10.0, True, False, 2.1216),
        (20.0, True, True, 4.2432),
        (10.0, False, True, round(2.1216 * 772 / 780, 4)),
        (10.0, True, True, 2.1216),
        (10.0, True, False, round(2.1216 * 82.1 / 80, 4)),
        (10.0, True, None, None),
        (20.0, True, True, 4.2432),
    ]
    # 8 m/min too slow for 10 min: 8 x 10 x 3.40 x 80 / 10^6 t.
    assert found[3].short_t == pytest.approx(8 * 10 * 3.4 * 80 / 1e6)


def test_time_off_the_reel_and_without_data_is_in_no_stretch(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    store.states(
        ("2026-03-02 06:00", "on_reel"),
        ("2026-03-02 07:00", "no_data"),
        ("2026-03-02 07:10", "on_reel"),
        ("2026-03-02 08:00", "down"),
        ("2026-03-02 08:30", "on_reel"),
        ("2026-03-02 09:00", "stopped"),
    )

    found = stretches(store, "06:50", "08:45")

    assert [s.ms // 60_000 for s in found] == [10, 50, 15]


def test_what_held_before_the_time_asked_for_holds_at_its_beginning(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    store.states(("2026-03-02 06:00", "on_reel"))

    (found,) = stretches(store, "11:00", "12:00")

    assert (found.ms // 60_000, found.in_spec, round(found.tonnes_t or 0, 4)) == (60, True, 12.7296)


@pytest.mark.parametrize("part_min", [7, 20, 65, 100])
def test_judged_in_parts_the_stretches_are_the_same(tmp_path: Path, part_min: int) -> None:
    # Whatever part it falls into, a value holds until the next one: the weight of 06:00 through every cut.
    more: Samples = [
        ("06:30", "moisture", 5.6),
        ("07:00", "speed", 770),
        ("07:10", "speed", 780),
        ("07:20", "moisture", 5),
    ]
    more += [("07:30", "moisture", None), ("07:41", "moisture", 5.0)]
    store = judged_store(tmp_path, STEADY + more)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 07:15", "down"), ("2026-03-02 07:25", "on_reel"))
    period = Period(from_ms=ms("2026-03-02 06:05"), to_ms=ms("2026-03-02 09:00"))
    with open_store(store.close(published="2026-03-02 12:01", data_to="2026-03-02 12:00")) as opened:
        whole = opened.stretches(opened.machine("pm2"), period)
        parts = opened.stretches(opened.machine("pm2"), period, part_ms=part_min * 60_000)

    assert clocked(parts) == clocked(whole)
    assert [(s.started_ms, s.grade) for s in parts] == [(s.started_ms, s.grade) for s in whole]
    assert len(whole) == 7


def test_an_implausible_value_judges_nothing(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    for when, value, flags in (("06:30", 900.0, 2), ("06:40", 80.0, 0)):
        store.insert("hot_sample", tag_id=11, sampled_at=at(f"2026-03-02 {when}"), value=value, flags=flags)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 07:00", "down"))

    found = stretches(store)

    assert clocked(found) == [(30.0, True, True, 6.3648), (10.0, True, None, None), (20.0, True, True, 4.2432)]


def test_a_grade_without_limits_or_target_judges_nothing(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    store.insert("grade_run", machine="pm2", grade="C95", shade="white", started_at=at("2026-03-02 07:00"))
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 08:00", "down"))

    found = stretches(store)

    assert [(s.grade, s.at_speed, s.in_spec, s.short_t) for s in found] == [
        ("C80", True, True, 0.0),
        ("C95", None, None, None),
    ]


def test_a_jumbo_holds_what_its_size_says(tmp_path: Path) -> None:
    # Trade fixture 18 (own arithmetic): 2.6 m on a 0.5 m spool of 100 um sheet is 51,129 m; at 780 m/min 65.6 min and,
    # at 3.40 m and 80 g/m2, 13.91 t.
    store = judged_store(tmp_path, STEADY)
    store.insert("reel", machine="pm2", reel="R1", started_at=at("2026-03-02 06:00"))
    store.insert("reel", machine="pm2", reel="R2", started_at=at(ms("2026-03-02 06:00") + round(51_129 / 780 * 60_000)))
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 08:00", "down"))

    first, second = stretches(store)

    assert (first.reel, second.reel) == ("R1", "R2")
    assert first.ms / 60_000 == pytest.approx(65.6, abs=0.05)
    assert first.tonnes_t == pytest.approx(13.91, abs=0.005)


def test_the_clock_goes_on_from_the_reel_to_saleable_paper(tmp_path: Path) -> None:
    # Lost 07:00, back 07:22; wet until 07:34 (12 min), slow until 07:28. 12 min at 12.7296 t/h (slower at first).
    more: Samples = [
        ("07:10", "speed", 720),
        ("07:10", "moisture", 6.0),
        ("07:28", "speed", 780),
        ("07:34", "moisture", 5.0),
    ]
    store = judged_store(tmp_path, STEADY + more)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 07:00", "down"), ("2026-03-02 07:22", "on_reel"))
    store.breaks(Break("2026-03-02 07:00", "2026-03-02 07:22"))
    period = Period(from_ms=ms("2026-03-02 06:00"), to_ms=ms("2026-03-02 12:00"))
    with open_store(store.close(published="2026-03-02 12:01", data_to="2026-03-02 12:00")) as opened:
        machine = opened.machine("pm2")
        past = opened.history(machine, period)
        paper = specification(past, opened.stretches(machine, period), period, opened.lab(machine, period))

    (clock,) = paper.clocks

    assert (clock.lost_ms, clock.to_speed_ms, clock.to_spec_ms) == (22 * 60_000, 6 * 60_000, 12 * 60_000)
    assert clock.off_spec_t == pytest.approx((6 * 720 + 6 * 780) * 3.4 * 80 / 1e6)
    assert paper.off_t == pytest.approx(clock.off_spec_t)


def test_a_laboratory_result_condemns_its_reel_once_it_holds(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    store.states(("2026-03-02 06:00", "on_reel"), ("2026-03-02 08:00", "down"))
    store.insert("reel", machine="pm2", reel="R1", started_at=at("2026-03-02 06:00"))
    row = {"machine": "pm2", "sampled_at": at("2026-03-02 06:30"), "test": "moisture", "reel": "R1"}
    store.insert("lab", receipt=1, value=6.4, received_at=at("2026-03-02 07:00"), **row)
    period = Period(from_ms=ms("2026-03-02 06:00"), to_ms=ms("2026-03-02 12:00"))
    with open_store(store.close(published="2026-03-02 12:01", data_to="2026-03-02 12:00")) as opened:
        machine = opened.machine("pm2")
        past = opened.history(machine, period)
        paper = specification(past, opened.stretches(machine, period), period, opened.lab(machine, period))

    assert paper.quality == 0.0
    assert {why.value: amount.ms // 60_000 for why, amount in paper.off.items()} == {"failed in the laboratory": 120}


@settings(max_examples=15)
@given(
    st.lists(st.tuples(st.floats(0, 20), st.booleans(), st.booleans()), min_size=1, max_size=20),
    st.integers(1, 55),
)
def test_the_views_of_reels_and_grade_runs_are_one_sum_with_production(
    hours: list[tuple[float, bool, bool]], minutes: int
) -> None:
    begin = ms("2026-03-02 06:00")
    with TemporaryDirectory() as folder:
        store = HandMadeStore(Path(folder))
        store.machine("2026-03-02 06:00", "2026-03-03 06:00")
        for n, (tonnes, turned_up, changed) in enumerate(hours):
            hour = begin + n * 3_600_000
            if turned_up or not n:
                store.insert("reel", machine="pm2", reel=f"R{n}", started_at=at(hour))
            if changed or not n:
                store.insert("grade_run", machine="pm2", grade=f"C{n}", started_at=at(hour))
            ended = at(hour + minutes * 60_000)
            store.insert("production", machine="pm2", started_at=at(hour), ended_at=ended, tonnes_t=tonnes)
        mill = store.close(published="2026-03-03 06:01", data_to="2026-03-03 06:00")
        with open_store(mill) as opened:
            sums = [
                opened.rows(f"SELECT coalesce(sum(tonnes_t), 0) AS t FROM {view}")[0]["t"]
                for view in ("production", "reel", "grade_run")
            ]

    assert sums == pytest.approx([sum(tonnes for tonnes, *_ in hours)] * 3)


def test_reels_and_grades_of_production_add_up_to_the_whole(tmp_path: Path) -> None:
    store = judged_store(tmp_path, STEADY)
    for hour, reel, grade, tonnes in (("06", "R1", "C80", 12.0), ("07", "R1", "C70", 11.5), ("08", "R2", "C70", 12.5)):
        store.produced(f"2026-03-02 {hour}:00", f"2026-03-02 {hour}:55", tonnes, reel=reel, grade=grade)
    period = Period(from_ms=ms("2026-03-02 06:30"), to_ms=ms("2026-03-02 12:00"))
    with open_store(store.close(published="2026-03-02 12:01", data_to="2026-03-02 12:00")) as opened:
        rows = opened.history(opened.machine("pm2"), period).production

    whole = made(rows, period).tonnes_t

    for by in (made_by(rows, period, lambda r: r.reel), made_by(rows, period, lambda r: r.grade)):
        assert sum(m.tonnes_t for m in by.values()) == pytest.approx(whole)
