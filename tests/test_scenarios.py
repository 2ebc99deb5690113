"""Scenarios hold what their truth says: plants raise hazards, decoys do not, and the collector takes them in."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import duckdb
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.settings import parse_mill
from replay_data.simulator import MILL_TOML, Day
from replay_data.simulator.scenario import (
    Kind,
    Scenario,
    nothing_planted,
    only,
    random_scenario,
    scenario_mill_toml,
    simulate_scenario,
)
from tests.scenarios import Made


def rows(days: list[Day], table: str) -> list[dict[str, Any]]:
    return [dict(row) for day in days for row in day.truth if row["table"] == table]


def per_h(rows: list[dict[str, Any]], name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A column of hazards, all days in one; not a number while the sheet is off."""
    return np.array([rate for row in rows for rate in row[name]], dtype=np.float64)


# ---- what is drawn


@given(seed=st.integers(0, 10_000))
def test_a_drawn_scenario_keeps_to_its_bounds(seed: int) -> None:
    drawn = random_scenario(seed)
    planted = [tag for plant in drawn.plants for tag in plant.tags]
    decoys = [decoy.name for decoy in drawn.decoys]

    assert 1 <= len(drawn.plants) <= 3
    assert all(1 <= len(plant.tags) <= 3 for plant in drawn.plants)
    assert 3 <= len(decoys) <= 8
    assert 20 <= len(drawn.tags) <= 60
    assert len(drawn.tags) == len(planted) + len(decoys) + len(drawn.quiet)
    assert sum(drawn.shares) == pytest.approx(1.0)
    assert len({plant.section for plant in drawn.plants}) == len(drawn.plants)


@given(seed=st.integers(0, 10_000))
def test_the_mill_of_a_drawn_scenario_is_valid_and_names_its_tags(seed: int) -> None:
    drawn = random_scenario(seed)

    mill = parse_mill(scenario_mill_toml(drawn), file=MILL_TOML)

    (machine,) = mill.machines
    assert {tag.name for tag in machine.tags} == {"reel.speed", "scanner.basis_weight", *drawn.tags}
    assert {plant.cause for plant in drawn.plants} <= {cause.code for cause in mill.causes}


def test_where_nothing_is_planted_the_truth_names_no_plant() -> None:
    days = list(simulate_scenario(nothing_planted(5, days=2)))

    assert rows(days, "plant") == []
    assert rows(days, "plant_hazard") == []
    assert len(rows(days, "decoy")) >= 3


# ---- what it does


@pytest.fixture(scope="module", params=list(Kind))
def planted_days(request: pytest.FixtureRequest) -> list[Day]:
    return list(simulate_scenario(only(request.param, 11, days=60, scan_s=60)))


def test_a_plant_raises_the_hazard_of_its_section_as_much_as_the_truth_says(planted_days: list[Day]) -> None:
    (plant,) = rows(planted_days, "plant")
    hazards = rows(planted_days, "plant_hazard")
    with_it, without = per_h(hazards, "per_h"), per_h(hazards, "without_per_h")

    ratio = np.nansum(with_it) / np.nansum(without)

    # Both are rounded to five decimals; the lift of every kind is drawn between 1.6 and 2.6, on and off reel together.
    assert {row["section"] for row in hazards} == {plant["section"]}
    assert plant["rate_ratio"] == pytest.approx(ratio, rel=2e-3)
    assert 1.3 < ratio < 3.3


def test_the_share_of_a_plant_is_what_would_not_have_broken_without_it(planted_days: list[Day]) -> None:
    (plant,) = rows(planted_days, "plant")
    hazards = rows(planted_days, "plant_hazard")
    added = np.nansum(per_h(hazards, "per_h") - per_h(hazards, "without_per_h")) / 60
    every = np.nansum(per_h(rows(planted_days, "hazard"), "per_h")) / 60

    # Turn-ups are missed about 0.3 times a day beside what the hazard counts: 60 days of them are some 18 breaks.
    assert plant["share_of_breaks"] == pytest.approx(added / (every + 18), rel=0.15)


def test_breaks_put_down_to_a_plant_are_as_many_as_its_share(planted_days: list[Day]) -> None:
    (plant,) = rows(planted_days, "plant")
    breaks = [row for row in rows(planted_days, "downtime") if row["kind"] == "break"]
    due = sum(row["plant"] == plant["plant"] for row in breaks)
    expected = plant["share_of_breaks"] * len(breaks)

    # Some of them are called settling after a restart or a grade change. Four standard deviations of a count.
    assert 0.5 * expected - 4 * expected**0.5 < due < expected + 4 * expected**0.5
    assert all(row["section"] == plant["section"] for row in breaks if row["plant"])


@pytest.mark.parametrize("seed", [2, 4])
def test_a_decoy_leaves_the_hazard_as_it_is(seed: int) -> None:
    drawn = random_scenario(seed, days=6, scan_s=60)
    without = replace(drawn, decoys=())

    assert len(drawn.decoys) >= 3
    assert rows(list(simulate_scenario(without)), "hazard") == rows(list(simulate_scenario(drawn)), "hazard")


def test_without_its_plants_a_scenario_breaks_less() -> None:
    drawn = random_scenario(3, days=40, scan_s=60)
    tags = tuple(tag for plant in drawn.plants for tag in plant.tags)
    bare = replace(drawn, plants=(), quiet=tuple(sorted((*drawn.quiet, *tags))))

    planted, quiet = (list(simulate_scenario(scenario)) for scenario in (drawn, bare))

    assert drawn.tags == bare.tags
    assert np.nansum(per_h(rows(quiet, "hazard"), "per_h")) < np.nansum(per_h(rows(planted, "hazard"), "per_h"))


def test_the_same_seed_gives_the_same_bytes_and_another_one_another_scenario() -> None:
    first, again = (next(simulate_scenario(random_scenario(8, days=1))) for _ in range(2))

    assert first == again
    assert random_scenario(8, days=1) == random_scenario(8, days=1)
    assert random_scenario(8).plants != random_scenario(9).plants


def test_a_planted_tag_shows_what_it_is_said_to_show() -> None:
    days = list(simulate_scenario(only(Kind.BUILDS_UP, 11, days=30, scan_s=60)))
    (plant,) = rows(days, "plant")
    tag, lead_ms = plant["tags"][0], plant["lead_min"] * 60_000
    raised, usual = _readings_by_hazard(days, tag, lead_ms)

    # It goes at least 0.7 x 4 of its spreads at the peak, so more than one on average where the hazard is doubled.
    moved = (np.mean(raised) - np.mean(usual)) / np.std(usual)
    assert len(raised) > 100
    assert moved > 1 if plant["direction"] == "up" else moved < -1


def _readings_by_hazard(days: list[Day], tag: str, lead_ms: int) -> tuple[list[float], list[float]]:
    """What a tag showed a lead before minutes of a hazard more than doubled, and before those hardly raised."""
    factor = {
        row["started_ms"] + k * 60_000: with_it / without
        for row in rows(days, "plant_hazard")
        for k, (with_it, without) in enumerate(zip(row["per_h"], row["without_per_h"], strict=True))
        if with_it is not None
    }
    raised, usual = [], []
    for at_ms, values in _scans(days):
        felt = factor.get((at_ms + lead_ms) // 60_000 * 60_000)
        if tag in values and felt is not None:
            if felt > 2:
                raised.append(values[tag])
            elif felt < 1.05:
                usual.append(values[tag])
    return raised, usual


def _scans(days: list[Day]) -> Iterator[tuple[int, dict[str, Any]]]:
    for day in days:
        for _, topic, payload in day.messages:
            if topic.endswith("/scan"):
                for scan in json.loads(payload):
                    yield scan["ts"], scan["values"]


# ---- the collector


@pytest.fixture(scope="module")
def made(scenario_stores: Callable[[Scenario], Made]) -> Made:
    return scenario_stores(random_scenario(6, days=8))


def test_the_collector_finds_every_downtime_of_a_scenario(made: Made) -> None:
    with duckdb.connect(made.mill.parent / "store" / "published.duckdb", read_only=True) as connection:
        found = connection.execute(
            "SELECT downtime_id, found_kind, section, epoch_ms(started_at), epoch_ms(ended_at) FROM downtime"
        ).fetchall()

    names = ("downtime_id", "kind", "section", "started_ms", "ended_ms")
    assert set(found) == {tuple(row[name] for name in names) for row in made.truth["downtime"]}


def test_the_collector_stores_every_tag_of_a_scenario_with_the_use_that_the_mill_declares(made: Made) -> None:
    with duckdb.connect(made.mill.parent / "store" / "published.duckdb", read_only=True) as connection:
        stored = dict(connection.execute("SELECT tag, use FROM tag WHERE use IS NOT NULL").fetchall())
        counts = dict(connection.execute("SELECT tag, count(*) FROM sample GROUP BY tag").fetchall())
        rejected = connection.execute("SELECT count(*) FROM rejected_message").fetchone()

    # 8 days of 86,400 s, every 30 s: 23,040 scans.
    assert {decoy["tag"]: decoy["use"] for decoy in made.decoys}.items() <= stored.items()
    assert {counts[tag] for tag in made.scenario.tags} == {23_040}
    assert any(decoy["misdeclared"] for decoy in made.decoys)
    assert rejected == (0,)
