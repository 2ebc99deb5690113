"""Losses ranked, with intervals, in every measure side by side, and nothing hidden in a remainder."""

from __future__ import annotations

from analysis.pareto.bars import Bar, Pareto, pareto, pareto_of
from analysis.pareto.dimension import DIMENSIONS
from analysis.pareto.ranking import Measure, Ranked, Sort, ranked
from analysis.pareto.tally import ALL_KINDS, BREAKS, Selection, chosen
from analysis.pareto.worth import Amount, Cost, Worth, Year, worth, year_of

__all__ = [
    "ALL_KINDS",
    "BREAKS",
    "DIMENSIONS",
    "Amount",
    "Bar",
    "Cost",
    "Measure",
    "Pareto",
    "Ranked",
    "Selection",
    "Sort",
    "Worth",
    "Year",
    "chosen",
    "pareto",
    "pareto_of",
    "ranked",
    "worth",
    "year_of",
]
