"""The search itself: what is planted is found, what is not is not claimed, and decoys do not win."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.evidence.band import band, unusual
from analysis.evidence.effect import Auc
from analysis.evidence.find import Evidence
from analysis.evidence.lead import Kind, Lead, WithLoss, looks_like_a_result
from analysis.evidence.matching import match
from analysis.evidence.settings import EvidenceSettings, Statistic, Window
from analysis.evidence.strata import split
from analysis.risk.rows import Floats
from tests.evidence_mill import Sought, evidence_of, frames_of, sought, with_tag
from tests.risk_mill import Mill, noise_mill, planted_mill

SETTINGS = EvidenceSettings(flips=999)
PLANTED = {"tag00", "tag01", "tag02"}


def near_breaks(mill: Mill, before_min: int, *, after_min: int = 0) -> Floats:
    """1 in the minutes before each loss (and after it), else 0."""
    course = np.zeros(mill.minutes.mean.shape[1])
    for loss in mill.past.losses:
        at = loss.started_ms // 60_000 - mill.minutes.first
        course[max(at - before_min, 0) : at + after_min] = 1.0
    return course


@pytest.fixture(scope="module")
def planted() -> Evidence:
    return evidence_of(sought(planted_mill(1, days=60, tags=15, causes=(1.2, -1.0, 1.0))), SETTINGS)


@pytest.fixture(scope="module")
def quiet_mill() -> Mill:
    """Tags that wander and have nothing to do with breaks; each test changes one of them."""
    return planted_mill(7, days=60, tags=12, causes=())


def test_planted_tags_stand_first_and_in_their_direction(planted: Evidence) -> None:
    assert {f.tag.tag for f in planted.findings[:3]} == PLANTED
    assert {f.tag.tag: f.upwards for f in planted.findings[:3]} == {"tag00": True, "tag01": False, "tag02": True}


def test_planted_tags_are_shown_with_all_that_is_known_of_them(planted: Evidence) -> None:
    assert {f.tag.tag for f in planted.shown} >= {"tag00", "tag02"}
    for found in planted.shown:
        assert found.tag.tag in PLANTED
        assert found.best.auc.shown
        assert found.detail is not None
        assert found.detail.share is not None
        assert found.detail.share.low < found.detail.share.value < found.detail.share.high
        # They wander for hours: they show as far back as was looked.
        assert found.detail.lead.minutes is not None
        assert found.detail.lead.minutes >= 30
        assert {"part of the period", "crew", "hour"} <= set(found.detail.splits)


def test_every_test_counts(planted: Evidence) -> None:
    # 15 tags, three windows, six statistics.
    assert planted.tests == 15 * 3 * 6


@pytest.mark.parametrize("seed", range(4))
def test_with_nothing_planted_nothing_is_claimed(seed: int) -> None:
    """Random walks and random breaks: the trap that makes a careless comparison find whatever one likes."""
    found = evidence_of(sought(noise_mill(seed, days=40, tags=40, breaks=110)), SETTINGS)

    assert len(found.matching) > 60
    assert found.shown == ()


def test_the_same_store_gives_the_same_answer(quiet_mill: Mill) -> None:
    first, second = (evidence_of(sought(quiet_mill), SETTINGS) for _ in range(2))

    assert [(f.tag.tag, f.p, f.q, f.best) for f in first.findings] == [
        (f.tag.tag, f.p, f.q, f.best) for f in second.findings
    ]


def test_a_tag_that_rises_half_an_hour_ahead_has_that_lead(quiet_mill: Mill) -> None:
    noise = quiet_mill.minutes.mean[3] * 0.3
    mill = with_tag(quiet_mill, 3, 50 + noise + 2.0 * near_breaks(quiet_mill, 30))

    found = evidence_of(sought(mill), SETTINGS)

    best = found.findings[0]
    assert best.tag.tag == "tag03"
    assert found.holds(best)
    assert best.detail is not None
    # Bins are five minutes wide, and the frame is laid by whole minutes.
    assert best.detail.lead.minutes in (25, 30, 35)
    assert not best.detail.lead.from_the_beginning


def test_unrest_alone_is_found_by_its_spread(quiet_mill: Mill) -> None:
    variance = 0.02 + 0.5 * near_breaks(quiet_mill, 12)
    mill = with_tag(quiet_mill, 5, quiet_mill.minutes.mean[5], variance)

    best = evidence_of(sought(mill), SETTINGS).findings[0]

    assert best.tag.tag == "tag05"
    assert best.best.statistic is Statistic.SPREAD
    assert best.best.window == Window(start=-10, end=-2)


def test_a_swing_is_found_by_its_swing(quiet_mill: Mill) -> None:
    minutes = np.arange(quiet_mill.minutes.mean.shape[1])
    swing = 0.8 * np.sin(2 * np.pi * minutes / 4) * near_breaks(quiet_mill, 30)
    mill = with_tag(quiet_mill, 5, quiet_mill.minutes.mean[5] * 0.5 + swing)

    best = evidence_of(sought(mill), SETTINGS).findings[0]

    assert best.tag.tag == "tag05"
    assert best.best.statistic in (Statistic.SWING, Statistic.SPREAD)


def test_what_moves_with_the_loss_only_is_a_result_and_not_shown(quiet_mill: Mill) -> None:
    mill = with_tag(quiet_mill, 2, quiet_mill.minutes.mean[2] + 20 * near_breaks(quiet_mill, 0, after_min=15))

    found = evidence_of(sought(mill), SETTINGS)

    assert {f.tag.tag: f.result_like for f in found.result_like} == {"tag02": Kind.AFTER}
    assert found.shown == ()


def test_what_moves_within_the_lead_only_is_a_result_as_well(quiet_mill: Mill) -> None:
    mill = with_tag(quiet_mill, 2, quiet_mill.minutes.mean[2] + 20 * near_breaks(quiet_mill, 2, after_min=15))

    found = evidence_of(sought(mill), SETTINGS)

    assert {f.tag.tag: f.result_like for f in found.result_like} == {"tag02": Kind.AFTER}


def effect(value: float, reach: float = 0.05) -> Auc:
    return Auc(value=value, low=value - reach, high=value + reach, breaks=100, clusters=50)


def lead(*values: float, minutes: int | None) -> Lead:
    bins = tuple((-5 * (len(values) - n), -5 * (len(values) - n - 1) or -2) for n in range(len(values)))
    return Lead(bins=bins, aucs=tuple(effect(v) for v in values), minutes=minutes, from_the_beginning=False)


@pytest.mark.parametrize(
    ("moved", "undisturbed", "seen", "kind"),
    [
        (0.97, effect(0.51), lead(0.6, 0.62, 0.65, 0.66, minutes=20), Kind.ECHO),
        (0.97, effect(0.66), lead(0.6, 0.62, 0.65, 0.66, minutes=20), None),
        (0.97, effect(0.66), lead(0.5, 0.51, 0.5, 0.66, minutes=5), Kind.CLOCK),
        (0.60, effect(0.66), lead(0.5, 0.51, 0.5, 0.66, minutes=5), None),
        (0.60, effect(0.51), lead(0.6, 0.62, 0.65, 0.66, minutes=20), None),
    ],
)
def test_signs_of_a_result(moved: float, undisturbed: Auc, seen: Lead, kind: Kind | None) -> None:
    with_loss = WithLoss(lead=effect(0.5), after=effect(moved, 0.02))

    assert looks_like_a_result(with_loss, seen, undisturbed, effect(0.66)) is kind


def test_a_tag_that_moves_with_grade_or_season_does_not_win(quiet_mill: Mill) -> None:
    past = quiet_mill.past
    minutes = np.arange(quiet_mill.minutes.mean.shape[1])
    run = np.searchsorted(past.grade_runs_ms, (minutes + quiet_mill.minutes.first) * 60_000, side="right") - 1
    by_grade = np.array([hash_of[g] for g in past.grades for hash_of in ({"C80": 0.0, "C60": 9.0, "C100": -9.0},)])[run]
    season = 8 * np.sin(2 * np.pi * minutes / (365 * 1440))
    mill = with_tag(quiet_mill, 0, quiet_mill.minutes.mean[0] + by_grade)
    mill = with_tag(mill, 1, quiet_mill.minutes.mean[1] + season)

    assert evidence_of(sought(mill), SETTINGS).shown == ()


def test_a_section_with_a_cause_of_its_own_is_found_though_others_drown_it(quiet_mill: Mill) -> None:
    rng = np.random.default_rng(3)
    wet = rng.random(len(quiet_mill.past.losses)) < 0.35
    losses = tuple(
        replace(loss, section="couch" if w else "reel") for loss, w in zip(quiet_mill.past.losses, wet, strict=True)
    )
    chosen = replace(
        quiet_mill, past=replace(quiet_mill.past, losses=tuple(x for x, w in zip(losses, wet, strict=True) if w))
    )
    moved = with_tag(quiet_mill, 4, quiet_mill.minutes.mean[4] * 0.5 + 1.2 * near_breaks(chosen, 40))
    made = sought(replace(moved, past=replace(moved.past, losses=losses)))

    best = evidence_of(made, SETTINGS).findings[0]

    assert (best.tag.tag, best.among) == ("tag04", "couch")


def test_too_few_breaks_are_not_tested(quiet_mill: Mill) -> None:
    made = sought(quiet_mill)
    few = replace(made.history, downtimes=made.history.downtimes[:9])

    found = evidence_of(Sought(mill=quiet_mill, course=made.course, history=few, period=made.period), SETTINGS)

    assert found.findings == ()
    assert found.tests == 0


def test_small_strata_are_named_but_not_judged() -> None:
    labels = ["A"] * 40 + ["B"] * 30 + ["C"] * 4
    placed = np.concatenate((np.full(40, 0.9), np.full(30, 0.2), np.full(4, 0.5)))
    placed += np.resize([-0.1, 0.1], 74)

    found = split("crew", labels, placed, np.arange(74), SETTINGS)

    assert [(s.name, s.breaks, s.auc is None) for s in found.strata] == [
        ("A", 40, False),
        ("B", 30, False),
        ("C", 4, True),
    ]
    assert found.differ_p is not None
    assert found.differ_p < 0.001


def test_strata_are_compared_only_if_two_are_large_enough() -> None:
    placed = np.resize([0.4, 0.6], 40)

    found = split("crew", ["A"] * 25 + ["B"] * 15, placed, np.arange(40), SETTINGS)

    assert found.differ_p is None


def test_equal_strata_seldom_seem_to_differ() -> None:
    rng = np.random.default_rng(12)
    labels = ["A"] * 60 + ["B"] * 50 + ["C"] * 30

    p = [split("crew", labels, rng.integers(0, 5, 140) / 4, np.arange(140), SETTINGS).differ_p for _ in range(300)]

    # 5 % ± three standard errors of 1.3 %.
    assert np.mean([x is not None and x < 0.05 for x in p]) < 0.09


def test_the_quiet_band_holds_four_fifths_and_ranks_the_unusual(quiet_mill: Mill) -> None:
    mill = with_tag(quiet_mill, 3, 50 + 0.1 * quiet_mill.minutes.mean[3] + 9.0 * near_breaks(quiet_mill, 30))
    made = sought(mill)
    matching = match(made.breaks, made.course, made.period, SETTINGS)
    frames = frames_of(made, matching, SETTINGS)
    quiet = len(matching) + np.arange(len(matching.quiet))

    found = band(frames, 3, quiet)

    inside = (frames.mean(3)[quiet] >= found.low) & (frames.mean(3)[quiet] <= found.high)
    assert np.nanmean(inside[:, :50]) == pytest.approx(0.8, abs=0.03)
    assert unusual(frames, 3, 0, quiet, -20, -2) == 1.0
    assert 0.0 < unusual(frames, 4, 0, quiet, -20, -2) < 1.0


def test_a_frame_does_not_reach_behind_the_return() -> None:
    made = sought(planted_mill(2, days=20, tags=4, per_day=8.0))
    matching = match(made.breaks, made.course, made.period, SETTINGS)
    frames = frames_of(made, matching, SETTINGS)

    mean = frames.mean(0)
    young = np.flatnonzero(matching.at.on_reel_min < 55)
    assert len(young)
    for n in young:
        back = -int(matching.at.on_reel_min[n])
        assert np.isnan(mean[n, frames.span(-60, back - 1)]).all()
        assert np.isfinite(mean[n, frames.span(back + 1, 0)]).all()
