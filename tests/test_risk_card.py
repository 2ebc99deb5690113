"""A fitted model kept as plain numbers, and read again without trusting the file."""

from __future__ import annotations

import json
import pickle
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from analysis.risk.card import MOST_BYTES, RECORD_DAYS, BadCard, Card, fit, load, save
from analysis.risk.explain import refits
from analysis.risk.exposure import Exposure, exposure_of
from analysis.risk.judge import judge
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import RiskSettings
from tests.risk_mill import planted_mill

MADE_MS = 1_780_000_000_000


class _Harmful:
    def __init__(self, sign: Path) -> None:
        self.sign = sign

    def __reduce__(self) -> tuple[object, tuple[object, ...]]:
        return Path.touch, (self.sign,)


@cache
def made() -> tuple[Exposure, Card]:
    mill = planted_mill(4, days=30, tags=4, causes=(1.0,), per_day=6)
    exposure = exposure_of("pm2", mill.minutes, mill.past, RiskSettings())
    return exposure, fit(exposure, judge(exposure, challenger=False), made_ms=MADE_MS)


def test_a_card_comes_back_as_it_was_and_scores_alike(tmp_path: Path) -> None:
    exposure, card = made()

    save(card, tmp_path / "pm2.json")
    again = load(tmp_path / "pm2.json")

    assert again == card
    np.testing.assert_array_equal(again.model.score(exposure.values), card.model.score(exposure.values))


def test_the_refits_of_a_card_come_back_as_they_were_made(tmp_path: Path) -> None:
    exposure, card = made()
    save(card, tmp_path / "pm2.json")

    again = load(tmp_path / "pm2.json").again

    fresh = refits(exposure, card.model, card.penalty, card.calibration.slope)
    assert len(again) == len(fresh)
    for kept, one in zip(again, fresh, strict=True):
        np.testing.assert_array_equal(kept.contributions(exposure.values[:50]), one.contributions(exposure.values[:50]))


def test_a_refit_changed_by_hand_is_refused(tmp_path: Path) -> None:
    _, card = made()
    file = tmp_path / "pm2.json"
    save(card, file)
    changed = json.loads(file.read_text(encoding="utf-8"))
    changed["redrawn"][0][0]["slope"] += 1.0
    file.write_text(json.dumps(changed), encoding="utf-8")

    with pytest.raises(BadCard, match="was changed after it was written"):
        load(file)


def test_a_card_says_what_it_learnt_from_and_how_it_was_judged(tmp_path: Path) -> None:
    exposure, card = made()

    save(card, tmp_path / "pm2.json")
    written = json.loads((tmp_path / "pm2.json").read_text(encoding="utf-8"))

    assert written["made_ms"] == MADE_MS
    assert written["breaks"] == len(exposure.breaks)
    assert written["from_ms"] == exposure.rows.at_ms[0]
    assert written["verdict"].startswith("The model ")
    assert {"python", "numpy", "scikit-learn"} <= set(written["versions"])
    assert written["live"] == ("beats the plain rules" in written["verdict"])
    assert 0 < written["base_rate"] < 1


def test_contributions_of_a_kept_model_still_add_up(tmp_path: Path) -> None:
    exposure, card = made()
    save(card, tmp_path / "pm2.json")
    model = load(tmp_path / "pm2.json").model.bound_to(exposure.features)

    total = model.base + model.contributions(exposure.values).sum(axis=1)

    np.testing.assert_allclose(total, model.score(exposure.values), atol=1e-12)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not json",
        b"{}",
        b'{"format": 1}',
        b"\x80\x04\x95\x1c\x00\x00\x00",  # the beginning of a pickle
    ],
)
def test_what_is_no_card_is_refused_with_the_way_out(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "pm2.json"
    file.write_bytes(content)

    with pytest.raises(BadCard, match="fit the model again with 'breakhorn risk fit'"):
        load(file)


def test_a_card_of_another_format_is_refused(tmp_path: Path) -> None:
    _, card = made()
    file = tmp_path / "pm2.json"
    save(card, file)
    file.write_text(file.read_text(encoding="utf-8").replace('"format": 3', '"format": 1'), encoding="utf-8")

    with pytest.raises(BadCard, match="format 1, not 3"):
        load(file)


def test_a_number_of_the_wrong_kind_in_a_card_is_refused(tmp_path: Path) -> None:
    _, card = made()
    file = tmp_path / "pm2.json"
    save(card, file)
    file.write_text(file.read_text(encoding="utf-8").replace('"live": ', '"live": "yes", "was": '), encoding="utf-8")

    with pytest.raises(BadCard):
        load(file)


@pytest.mark.parametrize(
    ("what", "instead"),
    [(r'"live": false', '"live": true'), (r'"live": true', '"live": false'), (r'"level": 0', '"level": 1')],
)
def test_a_card_that_was_changed_after_it_was_written_is_refused(tmp_path: Path, what: str, instead: str) -> None:
    _, card = made()
    file = tmp_path / "pm2.json"
    save(card, file)
    text = file.read_text(encoding="utf-8")
    changed = text.replace(what, instead, 1) if what in text else text.replace('"penalty": ', '"penalty": 1', 1)
    file.write_text(changed, encoding="utf-8")

    with pytest.raises(BadCard, match=r"was changed after it was written; fit the model again with 'breakhorn risk"):
        load(file)


def test_a_pickle_that_would_run_something_is_refused_and_runs_nothing(tmp_path: Path) -> None:
    file, sign = tmp_path / "pm2.json", tmp_path / "ran"
    file.write_bytes(pickle.dumps(_Harmful(sign)))

    with pytest.raises(BadCard, match="is no model of Breakhorn"):
        load(file)

    assert not sign.exists()


def test_a_file_far_too_large_for_a_card_is_not_even_read(tmp_path: Path) -> None:
    file = tmp_path / "pm2.json"
    with file.open("wb") as out:
        out.truncate(MOST_BYTES + 1)

    with pytest.raises(BadCard, match="larger than any model"):
        load(file)


def test_a_card_remembers_what_its_kind_was_worth_in_the_newest_judged_days() -> None:
    exposure, card = made()
    record = card.record

    judged = exposure.breaks.started_ms[exposure.breaks.started_ms > record.from_ms]
    assert sorted((*record.warned, *record.missed)) == judged.tolist()
    assert record.to_ms - record.from_ms <= RECORD_DAYS * DAY_MS
    given = (*record.false, *record.late, *record.undecided)
    assert all(record.from_ms <= at_ms <= record.to_ms for at_ms in given)


def test_hardly_a_learning_minute_lies_outside_of_what_was_learnt_from() -> None:
    exposure, card = made()

    beyond = card.model.outside(exposure.values) > card.outside_limit

    assert card.outside_limit >= 0.1
    assert beyond.mean() < 0.02


def test_a_card_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    _, card = made()
    save(card, tmp_path / "pm2.json")

    save(card, tmp_path / "pm2.json")

    assert [p.name for p in tmp_path.iterdir()] == ["pm2.json"]
