"""Judges the search for evidence on machines whose causes are known: are they found, and is nothing else claimed?

python -m tests.evidence_acceptance --scenarios 20 --nulls 10
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from analysis.command.options import Asked, chosen
from analysis.evidence.answer import Question, seek
from analysis.evidence.find import Evidence
from analysis.read import open_store
from replay_data.simulator.scenario import Scenario, nothing_planted, random_scenario
from tests.scenarios import make_store

TOP = 3
WHOLE = Asked(
    machines=(),
    from_text=None,
    to_text=None,
    shift=None,
    as_json=False,
    html=None,
    csv=None,
    xlsx=None,
    parquet=None,
    svg=None,
    png=None,
    demo=False,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One scenario.

    places
        Of each plant that acts on tags, the place of its best tag in the ranking, from 1; tags of one plant that stand
        ahead count once. None if none of its tags was tested.
    shown_plants
        Of each such plant, whether one of its tags was shown.
    true, false
        Tags that were shown: those of a plant, and others, with why they move.
    decoys_first
        Whether a decoy stands at the head of the ranking.
    """

    breaks: int
    places: dict[str, int | None]
    shown_plants: dict[str, bool]
    true: tuple[str, ...]
    false: tuple[tuple[str, str], ...]
    decoys_first: bool


def evidence_of(mill: Path) -> Evidence:
    """The search over a whole store, as the command makes it."""
    with open_store(mill, memory="2GB") as store:
        ((history, period),) = chosen(store, WHOLE)
        return seek(store, history, period, Question()).evidence


def judged(evidence: Evidence, plants: Sequence[dict[str, Any]], decoys: Sequence[dict[str, Any]]) -> Judged:
    """An answer held against the truth."""
    plant_of = {tag: plant["plant"] for plant in plants for tag in plant["tags"]}
    why = {decoy["tag"]: decoy["why"] for decoy in decoys}
    ranked = [f.tag.tag for f in evidence.findings if f.result_like is None]
    order = list(dict.fromkeys(plant_of.get(tag, tag) for tag in ranked))
    named = [plant["plant"] for plant in plants if plant["tags"]]
    shown = [f.tag.tag for f in evidence.shown]
    return Judged(
        breaks=len(evidence.matching),
        places={name: order.index(name) + 1 if name in order else None for name in named},
        shown_plants={name: any(plant_of.get(tag) == name for tag in shown) for name in named},
        true=tuple(tag for tag in shown if tag in plant_of),
        false=tuple((tag, why.get(tag, "noise")) for tag in shown if tag not in plant_of),
        decoys_first=bool(ranked) and ranked[0] in why,
    )


def judge(scenario: Scenario) -> Judged:
    """Make a scenario's store, search it, and hold the answer against the truth."""
    with TemporaryDirectory() as folder:
        made = make_store(scenario, Path(folder))
        return judged(evidence_of(made.mill), made.plants, made.decoys)


def summary(planted: Sequence[Judged], null: Sequence[Judged]) -> Iterator[str]:
    """What a run showed, line by line."""
    places = [place for one in planted for place in one.places.values()]
    shown = [was for one in planted for was in one.shown_plants.values()]
    true, false = (sum(len(getattr(one, name)) for one in planted) for name in ("true", "false"))
    if places:
        top = sum(place is not None and place <= TOP for place in places)
        yield f"planted causes among the first {TOP}: {top} of {len(places)} ({top / len(places):.0%})"
        yield f"planted causes shown: {sum(shown)} of {len(shown)}"
        yield f"false among what was shown: {false} of {true + false} ({false / max(true + false, 1):.0%})"
        yield f"decoys at the head of a ranking: {sum(one.decoys_first for one in planted)} of {len(planted)}"
    if null:
        claimed = sum(bool(one.false) for one in null)
        yield f"scenarios without a cause in which something was claimed: {claimed} of {len(null)}"


def main() -> None:
    """Judge so many scenarios, one line each, then the summary."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenarios", type=int, default=20)
    parser.add_argument("--nulls", type=int, default=10)
    asked = parser.parse_args()
    planted = [_told(f"planted {seed}", random_scenario(seed)) for seed in range(asked.scenarios)]
    null = [_told(f"null {seed}", nothing_planted(seed)) for seed in range(asked.nulls)]
    for line in summary(planted, null):
        sys.stdout.write(line + "\n")


def _told(name: str, scenario: Scenario) -> Judged:
    one = judge(scenario)
    sys.stdout.write(f"{name}: {one}\n")
    sys.stdout.flush()
    return one


if __name__ == "__main__":
    main()
