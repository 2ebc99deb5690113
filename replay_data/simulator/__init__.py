"""A simulated fine-paper machine that sends what a real one would: ``simulate`` gives its days one after the other."""

from replay_data.simulator.mill import MILL_TOML, mill_toml
from replay_data.simulator.stream import DEFAULT_START, Day, simulate, write_truth
from replay_data.simulator.truth import TruthWriter, read_truth

__all__ = ["DEFAULT_START", "MILL_TOML", "Day", "TruthWriter", "mill_toml", "read_truth", "simulate", "write_truth"]
