"""Draws scenarios: a few causes out of a catalogue, on random tags, among decoys and tags that mean nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from replay_data.simulator.geometry import SECTIONS
from replay_data.simulator.grades import GRADES
from replay_data.simulator.rota import CREWS
from replay_data.simulator.scenario.instruments import DECOYS, INSTRUMENTS
from replay_data.simulator.scenario.plan import DecoyTag, Kind, Plant, Scenario

SHARE_OF_PLANTED = (0.16, 0.30)
"""Share in the base hazard of a section in which something is planted."""
FEWEST_TAGS, MOST_TAGS = 20, 60
FEWEST_DECOYS, MOST_DECOYS = 3, 8
BREAKS_PER_DAY = 2.4


@dataclass(frozen=True, slots=True)
class _Template:
    """What a kind of plant may be like: how often it is drawn, its lift, its lead [min], its clarity."""

    weight: float
    lift: tuple[float, float]
    lead_min: tuple[int, int]
    clarity: tuple[float, float]


CATALOGUE = {
    Kind.BUILDS_UP: _Template(3, (1.7, 2.6), (3, 25), (0.7, 0.95)),
    Kind.WANDERS: _Template(2, (1.7, 2.6), (3, 25), (0.85, 0.97)),
    Kind.HABIT: _Template(1, (1.6, 2.2), (10, 40), (0.7, 0.95)),
    Kind.SWINGS: _Template(2, (1.7, 2.6), (3, 20), (0.7, 0.95)),
    Kind.FLUTTERS: _Template(1, (1.7, 2.6), (3, 20), (0.7, 0.95)),
    Kind.MOVED: _Template(1, (1.6, 2.2), (3, 15), (0.8, 1.0)),
    Kind.AGES: _Template(1, (1.7, 2.4), (30, 60), (0.7, 0.95)),
    Kind.DRIFTS: _Template(1, (1.7, 2.4), (30, 60), (0.85, 0.97)),
}
# Causes by which a plant is called, a section an entry: none of those that a crew finds when nothing stands out.
CAUSES = {
    "couch": ("FO-VAC", "FO-JET", "CH-RET", "CH-CHG"),
    "press": ("PR-DRW", "PR-FLT", "PR-CRS", "PR-VIB"),
    "pre-dryer": ("PD-STM", "PD-OVR", "PD-ROP"),
    "size press": ("SP-FLD", "SP-MOI", "SP-DRW"),
    "after-dryer": ("AD-DRW", "ME-UTL"),
    "calender": ("ME-HYD", "ME-BRG"),
    "reel": ("ME-DRV", "IC-LOP"),
}


def random_scenario(seed: int, *, days: int = 90, scan_s: int = 30) -> Scenario:
    """One to three plants in as many sections, three to eight decoys, 20 to 60 tags in all."""
    rng = np.random.default_rng([seed, 1])
    count = 1 + int(rng.integers(3))
    sections = [str(s) for s in rng.choice(SECTIONS, size=count, replace=False, p=_section_weights())]
    free = [str(name) for name in rng.permutation([name for name in INSTRUMENTS if name not in DECOYS])]
    plants = tuple(_plant(rng, number, section, free) for number, section in enumerate(sections))
    return _filled(rng, seed, plants, free, days=days, scan_s=scan_s)


def nothing_planted(seed: int, *, days: int = 90, scan_s: int = 30) -> Scenario:
    """The same without a plant: whatever is found is not there."""
    rng = np.random.default_rng([seed, 2])
    free = [str(name) for name in rng.permutation([name for name in INSTRUMENTS if name not in DECOYS])]
    return _filled(rng, seed, (), free, days=days, scan_s=scan_s)


def only(kind: Kind, seed: int, *, days: int = 90, scan_s: int = 30) -> Scenario:
    """One plant of a given kind, with decoys and quiet tags."""
    rng = np.random.default_rng([seed, 3])
    section = str(rng.choice(SECTIONS, p=_section_weights()))
    free = [str(name) for name in rng.permutation([name for name in INSTRUMENTS if name not in DECOYS])]
    plant = _plant(rng, 0, section, free, kind)
    return _filled(rng, seed, (plant,), free, days=days, scan_s=scan_s)


def _section_weights() -> list[float]:
    """The wet end and the open draw are where most causes lie: common practice."""
    return [0.18, 0.28, 0.18, 0.15, 0.07, 0.07, 0.07]


def _plant(rng: np.random.Generator, number: int, section: str, free: list[str], kind: Kind | None = None) -> Plant:
    """A plant of that section, on one to three tags of the section or from upstream of it, which are free no more."""
    if kind is None:
        weights = np.array([template.weight for template in CATALOGUE.values()])
        kind = list(CATALOGUE)[int(rng.choice(len(CATALOGUE), p=weights / weights.sum()))]
    template = CATALOGUE[kind]
    upstream = SECTIONS[: SECTIONS.index(section) + 1]
    near = section if rng.random() < 0.75 else upstream[int(rng.integers(len(upstream)))]
    tags = [name for name in free if INSTRUMENTS[name].section == near][: int(rng.choice([1, 2, 3], p=[0.5, 0.3, 0.2]))]
    for tag in tags:
        free.remove(tag)
    return Plant(
        name=f"{kind.value.replace('_', ' ')} {number + 1}",
        kind=kind,
        section=section,
        tags=tuple(tags),
        signs=tuple(1 if rng.random() < 0.5 else -1 for _ in tags),
        lead_min=int(rng.integers(*template.lead_min)),
        lift=float(rng.uniform(*template.lift)),
        clarity=float(rng.uniform(*template.clarity)),
        cause=str(rng.choice(CAUSES[section])),
        seed=number + 1,
        crew=str(rng.choice(list(CREWS))) if kind is Kind.HABIT else None,
    )


def _filled(
    rng: np.random.Generator, seed: int, plants: tuple[Plant, ...], free: list[str], *, days: int, scan_s: int
) -> Scenario:
    """A scenario with its decoys, its quiet tags, and as many breaks as usual."""
    decoys = _decoys(rng)
    used = sum(len(plant.tags) for plant in plants) + len(decoys)
    quiet = tuple(sorted(free[: int(rng.integers(FEWEST_TAGS, MOST_TAGS + 1)) - used]))
    shares = _shares(rng, plants)
    whole = sum(shares) + sum(shares[SECTIONS.index(plant.section)] * (plant.lift - 1) for plant in plants)
    scenario = Scenario(seed=seed, plants=plants, decoys=decoys, quiet=quiet, days=days, scan_s=scan_s)
    return replace(
        scenario,
        breaks_per_day=BREAKS_PER_DAY / whole,
        shares=shares,
        grade_factor=tuple((name, round(float(rng.uniform(0.6, 1.6)), 2)) for name in GRADES),
        restart_factor=round(float(rng.uniform(1.0, 3.0)), 2),
    )


def _decoys(rng: np.random.Generator) -> tuple[DecoyTag, ...]:
    """One of each sort at least but for restarts; the first that follows the break is not declared a result."""
    count = int(rng.integers(FEWEST_DECOYS, MOST_DECOYS + 1))
    names = [str(name) for name in rng.permutation(list(DECOYS))]
    firsts = [next(name for name in names if DECOYS[name][1] == why) for why in ("season", "grade", "break")]
    chosen = [*firsts, *(name for name in names if name not in firsts)][:count]
    misdeclared = firsts[-1]
    return tuple(DecoyTag(name=name, use=_use(name, misdeclared)) for name in sorted(chosen))


def _use(name: str, misdeclared: str) -> str:
    return "result" if DECOYS[name][1] == "break" and name != misdeclared else "process"


def _shares(rng: np.random.Generator, plants: tuple[Plant, ...]) -> tuple[float, ...]:
    """Each section's share of the base hazard; sections with a plant have enough breaks to show it."""
    planted = {plant.section: float(rng.uniform(*SHARE_OF_PLANTED)) for plant in plants}
    rest = rng.dirichlet([4.0] * (len(SECTIONS) - len(planted))) * (1 - sum(planted.values()))
    others = iter(rest.tolist())
    return tuple(planted[section] if section in planted else next(others) for section in SECTIONS)
