"""The evidence in short, for a page of many answers: the sentence, the strongest few, and the caution."""

from __future__ import annotations

from dataclasses import replace

from analysis.evidence.answer import Question, seek
from analysis.evidence.reading import Progress
from analysis.evidence.tell import tell_evidence
from analysis.history import History
from analysis.period import Period
from analysis.read import Store
from analysis.result import Result

STRONGEST = 5
"""Tags that are named; ``breakhorn evidence`` names the rest."""


def in_short(store: Store, history: History, period: Period, progress: Progress | None = None) -> Result:
    """What differs before primary breaks, or that nothing does; of the tables the first, cut to its strongest rows.

    progress
        Told how much of the samples is read.
    """
    question = Question()
    told = tell_evidence(history, period, question, seek(store, history, period, question, progress=progress))
    tables = tuple(
        replace(table, rows=table.rows[:STRONGEST], note=f"{table.note} All of it: breakhorn evidence.")
        for table in told.tables[:1]
    )
    return replace(told, tables=tables)
