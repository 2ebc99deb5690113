"""Quiet runs: like the break in all that is not asked about, chosen blind to the tags, the same every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.evidence.balance import balance, balanced
from analysis.evidence.course import Course, Speed
from analysis.evidence.matching import Matching, match
from analysis.evidence.settings import DAY_MS, MINUTE_MS, EvidenceSettings, Window
from analysis.history import Downtime
from analysis.period import Period
from analysis.risk.rows import Loss, Past
from tests.evidence_mill import HELSINKI, Sought, sought
from tests.risk_mill import planted_mill

SETTINGS = EvidenceSettings()


@pytest.fixture(scope="module")
def made() -> Sought:
    """Sixty days with grade runs of 60 h, and a speed that falls in steps from day to day."""
    mill = planted_mill(4, days=60, tags=4)
    days = (np.arange(mill.minutes.mean.shape[1]) // 1440).astype(np.float64)
    return sought(mill, speed=780.0 + 15.0 * (days % 4))


@pytest.fixture(scope="module")
def matching(made: Sought) -> Matching:
    return match(made.breaks, made.course, made.period, SETTINGS)


def pairs(matching: Matching) -> list[tuple[int, int]]:
    return [(n, int(c)) for n, row in enumerate(matching.controls) for c in row if c >= 0]


def test_every_break_is_matched_or_left_out_with_a_reason(made: Sought, matching: Matching) -> None:
    assert len(matching) + len(matching.unmatched) == len(made.breaks)
    assert len(matching) > 0.8 * len(made.breaks)
    assert all(u.reason for u in matching.unmatched)
    assert (matching.of_each >= 1).all()
    assert (matching.of_each <= SETTINGS.controls).all()


def test_a_quiet_run_is_like_its_break(matching: Matching) -> None:
    edges = np.array(SETTINGS.restart_edges_min)
    for n, c in pairs(matching):
        assert matching.at.grade[n] == matching.quiet.grade[c]
        assert abs(matching.at.speed[n] - matching.quiet.speed[c]) <= SETTINGS.speed_band_m_min
        assert abs(matching.at.at_ms[n] - matching.quiet.at_ms[c]) <= SETTINGS.near_days * DAY_MS
        bands = [np.searchsorted(edges, m.on_reel_min[k], "right") for m, k in ((matching.at, n), (matching.quiet, c))]
        assert bands[0] == bands[1]
        assert (matching.at.grade_age_min[n] < 60) == (matching.quiet.grade_age_min[c] < 60)


def test_no_loss_follows_a_quiet_run_within_the_hour(made: Sought, matching: Matching) -> None:
    lost = np.array([loss.started_ms for loss in made.course.past.losses])

    for at_ms in matching.quiet.at_ms:
        after = lost[lost >= at_ms]
        assert not len(after) or after[0] - at_ms >= 60 * MINUTE_MS


def test_quiet_runs_of_a_break_share_no_minute_and_come_from_stretches_of_their_own(matching: Matching) -> None:
    for row in matching.controls:
        chosen = row[row >= 0]
        assert (np.diff(np.sort(matching.quiet.at_ms[chosen])) >= 60 * MINUTE_MS).all()
        assert len(set(matching.quiet.stretch[chosen].tolist())) == len(chosen)


def test_the_same_breaks_get_the_same_quiet_runs_in_any_order(made: Sought, matching: Matching) -> None:
    again = match(made.breaks[::-1], made.course, made.period, SETTINGS)

    assert again.quiet.at_ms.tolist() == matching.quiet.at_ms.tolist()
    assert again.controls.tolist() == matching.controls.tolist()


def test_data_that_come_later_leave_breaks_alone_that_lie_far_enough_back(made: Sought, matching: Matching) -> None:
    cut_ms = made.period.from_ms + 50 * DAY_MS
    past = made.course.past
    earlier = replace(past, on_reel_ms=past.on_reel_ms[past.on_reel_ms[:, 1] < cut_ms], until_ms=cut_ms)
    before = match(
        [d for d in made.breaks if d.started_ms < cut_ms],
        replace(made.course, past=earlier),
        Period(from_ms=made.period.from_ms, to_ms=cut_ms),
        SETTINGS,
    )

    # Nothing within 21 days of these was added.
    settled = [n for n, d in enumerate(before.breaks) if d.started_ms < cut_ms - 22 * DAY_MS]
    for n in settled:
        now = matching.breaks.index(before.breaks[n])
        was = before.quiet.at_ms[before.controls[n][before.controls[n] >= 0]]
        assert matching.quiet.at_ms[matching.controls[now][matching.controls[now] >= 0]].tolist() == was.tolist()
    assert len(settled) > 10


def test_another_seed_chooses_others(made: Sought, matching: Matching) -> None:
    other = match(made.breaks, made.course, made.period, replace(SETTINGS, seed=1))

    assert other.quiet.at_ms.tolist() != matching.quiet.at_ms.tolist()


def small(*, speed: float | None = 780.0, grade: str = "C80") -> Course:
    """Five stretches of ten hours on the reel; the third and only it ends with a break."""
    starts = np.arange(5) * 12 * 60 * MINUTE_MS
    past = Past(
        on_reel_ms=np.stack((starts, starts + 600 * MINUTE_MS), axis=1),
        losses=(Loss(downtime_id="a", kind="break", started_ms=int(starts[2]) + 600 * MINUTE_MS),),
        until_ms=int(starts[-1]) + 600 * MINUTE_MS,
        grade_runs_ms=np.array([-1, int(starts[2]), int(starts[3])]),
        grades=("C80", grade, "C80"),
    )
    mean = np.full(5 * 720, np.nan if speed is None else speed)
    return Course(machine="pm2", past=past, speed=Speed(first=0, mean=mean))


def tried(course: Course, at_ms: int | None = None) -> Matching:
    loss_ms = course.past.losses[0].started_ms if at_ms is None else at_ms
    downtime = Downtime(downtime_id="a", kind="break", started_ms=loss_ms, ended_ms=None)
    return match([downtime], course, Period(from_ms=0, to_ms=course.past.until_ms), SETTINGS)


def test_a_break_with_all_its_like_gets_as_many_as_asked() -> None:
    found = tried(small())

    assert found.of_each.tolist() == [4]
    # The break came 600 min after the return: quiet runs end 480 min or more after theirs, and an hour before the end.
    assert (found.quiet.on_reel_min >= 480).all()
    assert (found.quiet.on_reel_min <= 540).all()


@pytest.mark.parametrize(
    ("course", "at_ms", "reason"),
    [
        (small(grade="C60"), None, "no quiet run"),
        (small(speed=None), None, "the speed before it is not known"),
        (small(), (24 * 60 + 5) * MINUTE_MS, "the sheet was back for less than 10 min"),
        (small(), 23 * 60 * MINUTE_MS, "the sheet was not seen on the reel before it"),
    ],
)
def test_a_break_without_its_like_says_why(course: Course, at_ms: int | None, reason: str) -> None:
    found = tried(course, at_ms)

    if reason == "no quiet run":
        # Its own stretch is of its grade: the one quiet run there is.
        assert found.of_each.tolist() == [1]
    else:
        assert [u.reason for u in found.unmatched] == [reason]


def test_a_machine_that_names_no_speed_is_matched_without() -> None:
    found = tried(replace(small(), speed=None))

    assert found.of_each.tolist() == [4]


def test_the_balance_is_what_a_hand_works_out() -> None:
    # Breaks 4 and 8, quiet runs (1, 3) and 6: differences 4 − 2 and 8 − 6; variances 8 of the breaks and of 1, 3, 6
    # (mean 10/3, squares 49/9 + 1/9 + 64/9 = 114/9) 57/9: spread = √((8 + 6.333)/2) = 2.677.
    found = balanced("x", "", np.array([4.0, 8.0]), np.array([1.0, 3.0, 6.0]), np.array([[0, 1], [2, -1]]))

    assert found.of_breaks == 6.0
    assert found.of_quiet == 4.0
    assert found.difference == pytest.approx(2 / 2.677, abs=1e-3)


def test_a_difference_that_luck_could_bring_is_not_called_poor() -> None:
    rng = np.random.default_rng(1)
    controls = np.arange(40).reshape(10, 4)

    large = balanced("x", "", rng.normal(2, 1, 10), rng.normal(0, 1, 40), controls)
    luck = balanced("x", "", np.array([-9.0, 10.0] * 5), np.zeros(40) + rng.normal(0, 1, 40), controls)

    assert large.poor
    assert not luck.poor


def test_matched_quantities_are_balanced(made: Sought, matching: Matching) -> None:
    found = {b.name: b for b in balance(matching, made.course, HELSINKI)}

    assert abs(found["speed"].difference or 0.0) < 0.25
    assert abs(found["since the sheet's return"].difference or 0.0) < 0.25
    assert not found["midday rather than midnight"].poor


def test_windows_may_not_reach_into_the_lead() -> None:
    with pytest.raises(ValueError, match="2 min before the loss"):
        EvidenceSettings(windows=(Window(start=-10, end=-1),))
    with pytest.raises(ValueError, match="no window"):
        Window(start=-3, end=-2)
