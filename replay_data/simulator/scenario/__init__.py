"""Machines whose causes of breaks are known, for judging what finds them: random plants among decoys and quiet tags."""

from replay_data.simulator.scenario.draw import nothing_planted, only, random_scenario
from replay_data.simulator.scenario.plan import DecoyTag, Kind, Plant, Scenario
from replay_data.simulator.scenario.stream import scenario_mill_toml, simulate_scenario

__all__ = [
    "DecoyTag",
    "Kind",
    "Plant",
    "Scenario",
    "nothing_planted",
    "only",
    "random_scenario",
    "scenario_mill_toml",
    "simulate_scenario",
]
