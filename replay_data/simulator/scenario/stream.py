"""The messages of a scenario, through the same machine, gateway and crew as the demo's, and its mill.toml."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np

from replay_data.simulator.context import Context
from replay_data.simulator.gateway import Gateway
from replay_data.simulator.line import ROOT, Line
from replay_data.simulator.machine import Machine
from replay_data.simulator.mill import MACHINE, with_tags
from replay_data.simulator.planted import Account
from replay_data.simulator.rota import ZONE
from replay_data.simulator.scenario.instruments import DECOYS, INSTRUMENTS, Instrument
from replay_data.simulator.scenario.law import PlantedLaw
from replay_data.simulator.scenario.plan import Scenario
from replay_data.simulator.scenario.readings import Readings, names
from replay_data.simulator.scenario.trace import trace
from replay_data.simulator.stream import Day
from replay_data.simulator.upkeep import HOUR_MS

REACH = 12.0
"""Plausible range of an instrument: so many spreads either way. It flags; nothing is left out."""


def simulate_scenario(scenario: Scenario) -> Iterator[Day]:
    """The days of a scenario one after the other. Nothing goes wrong with its messages."""
    line = _line(scenario)
    for _ in range(scenario.days):
        from_ms = line.machine.day_ms
        sent, truth = line.day()
        local = datetime.fromtimestamp((from_ms + 12 * HOUR_MS) / 1000, ZONE).date()
        yield Day(local, sorted(sent, key=lambda one: one[0]), truth)


def _line(scenario: Scenario) -> Line:
    traces = {plant.name: trace(plant, scenario) for plant in scenario.plants}
    law = PlantedLaw(scenario, traces)
    gateway, context = (np.random.default_rng([scenario.seed, 78, part]) for part in (1, 2))
    machine = Machine(MACHINE, seed=scenario.seed, start_ms=scenario.start_ms, forced=[], law=law)
    scanned = names(scenario)
    return Line(
        machine=machine,
        instruments=Readings(scenario, traces),
        gateway=Gateway(MACHINE, ROOT, gateway, scanned, machine.signals(), names=scanned),
        context=Context(MACHINE, ROOT, context, odd_notes=False),
        mishaps=None,
        account=Account(MACHINE, law, scenario.end_ms),
        end_ms=scenario.end_ms,
    )


def scenario_mill_toml(scenario: Scenario) -> str:
    """The demo's mill.toml with the instruments of the scenario."""
    uses = {decoy.name: decoy.use for decoy in scenario.decoys}
    tables = []
    for name in scenario.tags:
        if name in uses:
            what, (low, high) = DECOYS[name][0], (0.0, 10_000.0)
        else:
            what = INSTRUMENTS[name]
            low, high = what.mean - REACH * what.spread, what.mean + REACH * what.spread
        tables.append(_table(what, low, high, uses.get(name, "process")))
    return with_tags("\n".join(tables))


def _table(what: Instrument, low: float, high: float, use: str) -> str:
    return (
        f'[[machine.tag]]\nname = "{what.name}"\nunit = "{what.unit}"\nlow = {low:.6g}\nhigh = {high:.6g}\n'
        f'section = "{what.section}"\nuse = "{use}"\n'
    )
