"""The judged days as they would have gone, and what drives the breaks."""

from __future__ import annotations

from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.risk.card import fitted
from analysis.risk.chart import risk_svg
from analysis.risk.explain import odds_of, partial_effects, refits
from analysis.risk.exposure import Exposure, exposure_of
from analysis.risk.forecast import ADDITIVE, one_thread
from analysis.risk.judge import Judgement, judge
from analysis.risk.replay import Replay, replay
from analysis.risk.section import risk_section
from analysis.risk.settings import RiskSettings
from analysis.risk.tell import OWN_HAZARD, tell_judgement, tell_replay
from analysis.risk.warn import Fate
from tests.risk_mill import planted_mill

SETTINGS = RiskSettings()
ZONE = ZoneInfo("Europe/Helsinki")


@cache
def replayed() -> tuple[Exposure, Judgement, Replay]:
    mill = planted_mill(3, days=30, tags=4, causes=(1.2, -1.0), memory_min=180, per_day=8)
    exposure = exposure_of("m", mill.minutes, mill.past, SETTINGS)
    found = judge(exposure, challenger=False)
    return exposure, found, replay(exposure, found)


def test_every_judged_break_is_hit_or_missed_as_the_judging_says() -> None:
    exposure, found, seen = replayed()

    hits = {b.downtime_id for b in seen.breaks if b.lead_min is not None}
    assert len(seen.breaks) == len(found.judged)
    assert hits == {exposure.breaks.downtime_id[n] for n in found.named(ADDITIVE).hits}
    assert hits


def test_sections_add_up_to_all_breaks() -> None:
    _, found, seen = replayed()

    assert sum(s.breaks for s in seen.sections) == len(found.judged)
    assert sum(round(s.warned.value * s.breaks) for s in seen.sections) == len(found.named(ADDITIVE).hits)


def test_a_warning_names_what_raised_the_risk_strongest_first() -> None:
    _, _, seen = replayed()

    reasons = [w.reasons for w in seen.warnings]
    assert all(list(r) == sorted(r, key=lambda x: -x.times) for r in reasons)
    assert all(x.times > 1 for r in reasons for x in r)
    named = [x.words for r in reasons for x in r]
    assert sum(words.startswith(("tag00", "tag01")) for words in named) > 0.8 * len(named)
    assert "usually" in next(r for r in reasons if r)[0].sentence


def test_a_hit_has_a_lead_and_a_false_warning_none() -> None:
    _, _, seen = replayed()

    for w in seen.warnings:
        assert (w.lead_min is not None) == (w.fate in (Fate.HIT, Fate.LATE))
        assert w.fate is not Fate.HIT or (w.lead_min or 0) >= SETTINGS.lead_min


def test_risk_at_a_warning_is_at_or_above_the_level_in_force() -> None:
    _, _, seen = replayed()
    at = {int(t): n for n, t in enumerate(seen.at_ms)}

    assert all(w.risk >= seen.level[at[w.at_ms]] for w in seen.warnings)
    assert all(w.risk == pytest.approx(seen.risk[at[w.at_ms]]) for w in seen.warnings)


def test_the_picture_is_one_svg_that_refers_to_nothing_outside() -> None:
    _, _, seen = replayed()

    svg, text = risk_svg(seen, ZONE)

    assert svg.startswith("<svg")
    assert svg.count("<svg") == svg.count("</svg>") == 1
    assert "href=" not in svg.replace('xlink:href="#', "")
    assert "breaks were warned of" in text


def test_the_section_of_a_report_begins_with_the_verdict() -> None:
    exposure, found, seen = replayed()

    section = risk_section(exposure, found, seen, ZONE, demo=True)

    assert section.headline == found.verdict.sentence
    assert all(len(row) == len(section.columns) for row in section.rows)
    assert OWN_HAZARD in section.text
    assert section.svg


def test_answers_begin_with_the_verdict_and_hold_every_table() -> None:
    _, found, seen = replayed()

    judged = tell_judgement("PM 2", found)
    told = tell_replay("PM 2", found, seen, ZONE, None)

    assert judged.headline == f"PM 2: {found.verdict.sentence}"
    assert [t.title for t in told.tables][1:] == ["Breaks warned of, by section", "Breaks, hit and missed", "Warnings"]
    for table in (*judged.tables, *told.tables):
        assert all(len(row) == len(table.columns) for row in table.rows)


@cache
def effects() -> tuple[Exposure, Judgement]:
    exposure, found, _ = replayed()
    return exposure, found


def test_the_drivers_are_the_planted_ones_in_their_direction() -> None:
    exposure, found = effects()
    with one_thread():
        model = fitted(exposure, found.walk)

    driving = partial_effects(model, refits(exposure, model, found.walk.penalty, found.walk.line.slope))

    certain = [e for e in driving if e.certain and e.term.feature.tag]
    up = [e for e in certain if e.term.feature.name == "tag00 mean 5 min"]
    down = [e for e in certain if e.term.feature.name == "tag01 mean 5 min"]
    assert up[0].times.low > 1
    assert down[0].times.high < 1
    assert all(e.low[n] <= e.high[n] for e in driving for n in range(len(e.low)))


def test_odds_are_said_as_one_in_so_many() -> None:
    assert odds_of(0.125) == "1 in 8"
    assert odds_of(0.0) == "1 in 10000"
    assert odds_of(0.42) == "4 in 10"
    assert odds_of(0.74) == "7 in 10"
    assert odds_of(0.96) == "more than 9 in 10"


def test_a_break_that_nothing_was_said_before_has_no_highest_risk() -> None:
    _, _, seen = replayed()

    assert all(0 < b.highest < 1 or np.isnan(b.highest) for b in seen.breaks)
