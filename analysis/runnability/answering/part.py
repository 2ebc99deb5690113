"""One part of an answer: what is told, and pictures that are drawn only where they are wanted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analysis.history import History
from analysis.period import Period
from analysis.result import Picture, Result
from analysis.runnability.observed import TooFewEvents
from analysis.telling.common import about, named

Draw = Callable[[], tuple[Picture, ...]]


def _nothing() -> tuple[Picture, ...]:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A result, and what draws its pictures."""

    result: Result
    draw: Draw = _nothing


def part_or_why_not(history: History, period: Period, title: str, make: Callable[[], Part]) -> Part:
    """A part, or in its place the sentence that says why there are too few breaks for it."""
    try:
        return make()
    except TooFewEvents as error:
        result = Result(
            title=f"{title}, {history.machine.name}",
            subject=named(history, period),
            sentence=f"{title.lower()}: {error}.",
            values=about(history, period) | {"figure": title, "why_not": str(error)},
        )
        return Part(result=result)
