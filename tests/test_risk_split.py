"""Nothing that is learnt from may touch what is judged."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.risk.rows import Breaks, Loss, Past, Rows, primary_breaks, rows_of
from analysis.risk.settings import MINUTE_MS, RiskSettings
from analysis.risk.split import TooFewBreaks, forward_blocks


def machine(gaps_min: list[int], settings_: RiskSettings) -> tuple[Rows, Breaks]:
    """A machine that breaks after each of these on-reel stretches and is back 20 minutes later."""
    on_reel, losses, at = [], [], 0
    for number, length in enumerate(gaps_min):
        on_reel.append([at * MINUTE_MS, (at + length) * MINUTE_MS])
        kind = "planned" if number % 7 == 6 else "break"
        started_ms = (at + length) * MINUTE_MS
        losses.append(Loss(downtime_id=str(number), kind=kind, started_ms=started_ms, secondary=length < 30))
        at += length + 20
    past = Past(on_reel_ms=np.array(on_reel, np.int64), losses=tuple(losses), until_ms=at * MINUTE_MS)
    breaks = primary_breaks(past, settings_)
    return rows_of(past, breaks, settings_), breaks


@settings(max_examples=60, deadline=None)
@given(
    gaps=st.lists(st.integers(20, 900), min_size=60, max_size=160),
    horizon=st.sampled_from([15, 30, 60]),
    blocks=st.integers(1, 7),
)
def test_no_row_that_is_learnt_from_lies_within_horizon_and_window_of_a_judged_one(
    gaps: list[int], horizon: int, blocks: int
) -> None:
    asked = RiskSettings(horizon_min=horizon, blocks=blocks)
    rows, breaks = machine(gaps, asked)
    if len(breaks) < asked.least_breaks:
        return

    for block in forward_blocks(rows, breaks, asked):
        if len(block.train) and len(block.test):
            apart_ms = rows.at_ms[block.test].min() - rows.at_ms[block.train].max()
            assert apart_ms >= (horizon + 60) * MINUTE_MS
            assert not set(rows.group[block.train]) & set(rows.group[block.test])
            assert not set(rows.next_break[block.train]) - {-1} & set(rows.next_break[block.test])


@settings(max_examples=30, deadline=None)
@given(gaps=st.lists(st.integers(20, 900), min_size=60, max_size=120))
def test_every_minute_after_the_first_share_is_judged_just_once(gaps: list[int]) -> None:
    asked = RiskSettings()
    rows, breaks = machine(gaps, asked)
    if len(breaks) < asked.least_breaks:
        return

    blocks = forward_blocks(rows, breaks, asked)

    judged = np.concatenate([b.test for b in blocks])
    assert judged.tolist() == list(range(judged[0], len(rows)))


def test_rows_whose_outcome_is_unknown_are_not_learnt_from() -> None:
    asked = RiskSettings()
    rows, breaks = machine([100] * 80, asked)

    for block in forward_blocks(rows, breaks, asked):
        assert (rows.outcome[block.train] >= 0).all()


def test_a_handful_of_breaks_is_refused() -> None:
    asked = RiskSettings()
    rows, breaks = machine([100] * 20, asked)

    with pytest.raises(TooFewBreaks, match=r"18 primary breaks are too few .* it takes 30"):
        forward_blocks(rows, breaks, asked)
