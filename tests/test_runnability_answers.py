"""Answers over several machines, and the words for numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from analysis.history import Downtime, History
from analysis.period import Period
from analysis.runnability.answering.compare import answer_compare, split_at
from analysis.runnability.answering.trend import answer_together, answer_trend
from analysis.runnability.control import Limits
from analysis.runnability.series import Selection
from analysis.runnability.telling.wording import amount, chance, changed, listed, percent_of, plain
from tests.histories import DAY, downtime, on_reel_but_for


def machine(name: str, minutes: list[float]) -> tuple[History, Period]:
    """A machine that broke for a minute at these minutes of a day."""
    rows: list[Downtime] = [downtime(m, 1) for m in minutes]
    found = on_reel_but_for(rows)
    return replace(found, machine=replace(found.machine, machine=name, name=name)), Period(from_ms=0, to_ms=DAY)


def test_several_machines_are_tested_together() -> None:
    rising = [600.0, 900, 1100, 1200, 1300, 1350, 1380, 1400, 1420, 1430]

    part = answer_together([machine("PM 1", rising), machine("PM 2", [m - 5 for m in rising])], Selection())

    assert part is not None
    assert part.result.headline.startswith(
        "2 machines, each from its own beginning: a common trend of primary breaks is"
    )
    assert "is shown (Laplace p < 0.001)" in part.result.sentence
    assert "different ways is not shown" in part.result.sentence
    assert "a machine has had 10.0 of them on average" in part.result.sentence
    assert len(part.draw()) == 1


def test_a_power_law_that_does_not_fit_is_not_called_the_best() -> None:
    # Two dense bursts far apart: no power of time, and no constant rate either.
    found, period = machine("PM 1", [300 + 2.0 * i for i in range(15)] + [1100 + 2.0 * i for i in range(15)])

    (part,) = answer_trend(found, period, Selection())

    law = part.result.values["power_law"]
    assert law["fit_level"] == 0.01
    assert "power law" not in part.result.sentence


def test_one_machine_that_broke_is_not_several() -> None:
    assert answer_together([machine("PM 1", [100.0, 200.0]), machine("PM 2", [])], Selection()) is None


def test_the_watch_takes_its_dispersion_from_before_so_that_looking_changes_nothing() -> None:
    even = [d * 1440.0 + m for d in range(10) for m in (300, 900)]
    bursts = [d * 1440.0 + 300 + 20 * i for d in (10, 15) for i in range(8)]
    rows = [downtime(m, 1) for m in even + bursts]
    found, period = on_reel_but_for(rows, to_ms=20 * DAY), Period(from_ms=0, to_ms=20 * DAY)

    compared, watched, plan = answer_compare(
        found, period, split_at(period, 10 * DAY, 0), Selection(), planned=-0.2, power=0.8
    )

    assert compared.result.values["comparison"]["chosen"]["method"] == "quasi-Poisson"
    assert watched.result.values["monitor"]["dispersion"] == 1
    assert plan.result.values["plan"]["dispersion"] == 1


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (0.73, "−27 %"),
        (1.0, "+0 %"),
        (1.5, "+50 %"),
        (0.0, "−100 %"),
        (144.0, "over +1000 %"),
        (math.inf, "without limit"),
        (math.nan, "not known"),
    ],
)
def test_ratios_are_said_as_changes(ratio: float, said: str) -> None:
    assert changed(ratio) == said


def test_numbers_are_said_without_false_precision() -> None:
    assert [chance(p) for p in (0.0004, 0.0432, 0.43)] == ["p < 0.001", "p = 0.043", "p = 0.43"]
    assert [amount(v) for v in (1234.5678, None, math.nan, math.inf)] == ["1,234.57", "–", "–", "without limit"]
    assert [percent_of(s) for s in (0.714, None)] == ["71 %", "–"]
    assert [listed(w) for w in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


@dataclass(frozen=True)
class Some:
    """A result with everything that JSON has no word for."""

    array: object
    limits: Limits
    open_end: float
    by_number: dict[int, float]


def test_results_become_values_that_json_has() -> None:
    some = Some(np.array([1.0, np.nan]), Limits.SIGMA, math.inf, {1: np.float64(2.5)})

    assert plain(some) == {"array": [1.0, None], "limits": "three sigma", "open_end": None, "by_number": {"1": 2.5}}
