"""A new model against the one at work, and the change of the file."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from analysis.risk.card import Card, fit, load, save
from analysis.risk.exposure import Exposure, exposure_of
from analysis.risk.judge import judge
from analysis.risk.retrain import LEAST_BREAKS, TooSoon, compare, held_out_from, put_in_place
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import RiskSettings
from tests.risk_card import hand_card
from tests.risk_mill import planted_mill


@cache
def machine() -> tuple[Exposure, Card]:
    """Twenty-four days of a machine with two causes, and a model of its first sixteen."""
    mill = planted_mill(3, days=24, tags=4, causes=(1.2, -1.0), memory_min=180, per_day=8)
    whole = exposure_of("pm2", mill.minutes, mill.past, RiskSettings())
    half_ms = int(whole.rows.at_ms[0]) + 16 * DAY_MS
    past = replace(mill.past, until_ms=half_ms)
    past = replace(
        past,
        losses=tuple(loss for loss in past.losses if loss.started_ms < half_ms),
        on_reel_ms=np.minimum(past.on_reel_ms[past.on_reel_ms[:, 0] < half_ms], half_ms),
    )
    part = exposure_of("pm2", mill.minutes, past, RiskSettings())
    return whole, fit(part, judge(part, challenger=False), made_ms=half_ms)


def knowing_nothing(to_ms: int) -> Card:
    """A model that always says the base rate of some other machine."""
    return hand_card(to_ms=to_ms)


def test_a_model_is_not_worse_than_itself() -> None:
    whole, card = machine()

    found = compare(card, card, whole, card.to_ms + DAY_MS)

    assert found.not_worse
    assert found.difference.value == 0
    assert found.old == found.new
    assert found.breaks > 0


def test_a_model_that_knows_something_is_better_than_one_that_knows_nothing() -> None:
    whole, card = machine()
    from_ms = card.to_ms + DAY_MS

    better = compare(knowing_nothing(card.to_ms), card, whole, from_ms)
    worse = compare(card, knowing_nothing(card.to_ms), whole, from_ms)

    assert better.not_worse
    assert better.difference.high < 0
    assert "better than the one at work, beyond luck, on 7 days" in better.sentence
    assert not worse.not_worse
    assert worse.difference.low > 0
    assert "worse than the one at work, beyond luck" in worse.sentence
    assert better.new.loss == worse.old.loss


def test_the_loss_is_that_of_the_log_of_the_chance() -> None:
    whole, card = machine()
    from_ms = card.to_ms + DAY_MS
    rows = (whole.rows.at_ms >= from_ms) & (whole.rows.outcome >= 0)

    found = compare(knowing_nothing(card.to_ms), card, whole, from_ms)

    # It says 5 % always.
    came = whole.rows.outcome[rows].mean()
    assert found.old.loss == pytest.approx(-came * np.log(0.05) - (1 - came) * np.log(0.95))


def test_half_of_the_new_days_are_held_out_and_never_more_than_asked_for() -> None:
    whole, card = machine()
    newest = int(whole.rows.at_ms[-1])

    assert held_out_from(card, whole, 14) == newest - (newest - card.to_ms) // 2
    assert held_out_from(card, whole, 3) == newest - 3 * DAY_MS


def test_it_is_too_soon_while_hardly_a_break_has_come_since() -> None:
    whole, card = machine()
    newest = replace(card, to_ms=int(whole.rows.at_ms[-1]) - DAY_MS)

    with pytest.raises(TooSoon, match=rf"^1\.0 days since .* it takes {LEAST_BREAKS} to tell"):
        held_out_from(newest, whole, 14)


def test_the_one_before_is_kept_beside_the_one_at_work(tmp_path: Path) -> None:
    file = tmp_path / "risk" / "pm2.json"
    first, second, third = (hand_card(level=level) for level in (0.2, 0.3, 0.4))

    assert put_in_place(first, file) is None
    kept = put_in_place(second, file)
    again = put_in_place(third, file)

    assert kept == again == tmp_path / "risk" / "pm2.previous.json"
    assert load(file) == third
    assert load(kept) == second
    assert sorted(p.name for p in file.parent.iterdir()) == ["pm2.json", "pm2.previous.json"]


def test_a_model_that_cannot_be_written_leaves_the_one_at_work_alone(tmp_path: Path) -> None:
    file = tmp_path / "pm2.json"
    save(hand_card(level=0.2), file)
    (tmp_path / "pm2.json.new").mkdir()

    with pytest.raises(OSError, match=r"pm2\.json\.new"):
        put_in_place(hand_card(level=0.3), file)

    assert load(file).level == 0.2
