"""The answer of ``threading``: what returns take, by group without ranking, and over time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from analysis.history import History
from analysis.period import Period
from analysis.result import Picture
from analysis.runnability.answering.part import Part
from analysis.runnability.observed import TooFewEvents
from analysis.runnability.rethreading import (
    GroupComparison,
    Learning,
    Return,
    by_crew,
    by_grade,
    by_section,
    compare_groups,
    learning,
)
from analysis.runnability.series import Selection, breaks_of, returns_of
from analysis.runnability.telling.threading import Threading, tell_groups, tell_threading

GROUPS: dict[str, Callable[[Return], str]] = {"section": by_section, "crew": by_crew, "grade": by_grade}


def answer_threading(
    history: History, period: Period, selection: Selection, groups: Sequence[str], *, sections: Sequence[str]
) -> tuple[Part, ...]:
    """All parts of the answer.

    groups
        Of ``GROUPS``, in the order asked.
    sections
        Of the machine, from the wet end.

    Raises
    ------
    TooFewEvents
        If no break was threaded back in the period.
    """
    found = returns_of(history, breaks_of(history, period, selection))
    if not found.returns:
        raise TooFewEvents("no break of this period was threaded back, as far as is known; ask for a longer one")
    (figures,) = compare_groups(found.returns, lambda _: "all").figures
    whole = Threading(
        figures=figures,
        unclear=found.unclear,
        still_open=found.still_open,
        learning=_learning_or_none(found.returns),
    )
    parts = [Part(result=tell_threading(history, period, whole))]
    for by in groups:
        compared = compare_groups(found.returns, GROUPS[by], order=sections if by == "section" else ())
        parts.append(Part(result=tell_groups(history, period, by, compared), draw=partial(_draw_groups, by, compared)))
    return tuple(parts)


def _learning_or_none(returns: Sequence[Return]) -> Learning | None:
    try:
        return learning(returns)
    except TooFewEvents:
        return None


def _draw_groups(by: str, found: GroupComparison) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import pooling_picture  # noqa: PLC0415 - altair loads only to draw

    pictures = []
    if found.first is not None:
        title = f"Held at the first attempt, by {by}"
        pictures.append(pooling_picture(found.first, "share held at the first attempt", title, shares=True))
    if found.minutes is not None:
        title = f"Typical lost minutes, by {by}"
        pictures.append(pooling_picture(found.minutes, "lost minutes", title, shares=False))
    return tuple(pictures)
