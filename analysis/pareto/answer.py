"""What ``pareto`` answers: a ranking for each dimension asked for, of every machine or of all together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.command.options import Told
from analysis.figures.ledger import Ledger, ledger
from analysis.history import Downtime, History
from analysis.pareto import (
    ALL_KINDS,
    BREAKS,
    DIMENSIONS,
    Bar,
    Pareto,
    Selection,
    Worth,
    chosen,
    pareto,
    pareto_of,
    worth,
)
from analysis.period import Period
from analysis.result import Picture, Result
from analysis.telling.common import named
from analysis.telling.pareto import tell_pareto
from analysis.telling.worth import tell_worth

_Draw = Callable[[], tuple[Picture, ...]]


def selection_of(within: Sequence[str], kinds: Sequence[str], dimensions: Sequence[str]) -> Selection:
    """Which downtimes were asked for; ValueError says what else to write.

    Ranked by kind, all kinds are.
    """
    narrowed = []
    for text in within:
        by, found, label = text.partition("=")
        if not found or by.strip() not in DIMENSIONS:
            raise ValueError(f"--within {text!r} is not DIMENSION=LABEL; dimensions are {', '.join(DIMENSIONS)}")
        narrowed.append((by.strip(), label.strip()))
    wanted = frozenset(kinds) or (ALL_KINDS if "kind" in dimensions else BREAKS.kinds)
    return Selection(kinds=wanted, within=tuple(narrowed))


def answer_pareto(
    sources: Sequence[tuple[History, Period]],
    dimensions: Sequence[str],
    selection: Selection,
    *,
    listed: bool,
    year: bool,
    year_h: float | None,
) -> list[Told]:
    """The rankings of each machine; ranked by machine, of all of them together, at the end.

    Raises
    ------
    ValueError
        If nothing that was ever lost has the label that was asked for, or for a year of anything but breaks.
    """
    if year and selection.kinds != BREAKS.kinds:
        raise ValueError("--year prices breaks; leave out --kind and --by kind")
    books = [(history, ledger(history, period)) for history, period in sources]
    _check_labels(books, selection)
    own = [by for by in dimensions if by != "machine"]
    told = [_of_machine(h, book, own, selection, listed, year, year_h) for h, book in books] if own else []
    return [*told, _of_all(books, selection)] if "machine" in dimensions else told


def _check_labels(books: Sequence[tuple[History, Ledger]], selection: Selection) -> None:
    """A label that nothing carries is a slip rather than an answer of 0."""
    whole = replace(selection, within=())
    for by, label in selection.within:
        labels = sorted({bar.label for h, book in books for bar in _all_bars(pareto(h, book, by, whole))})
        if label not in labels:
            raise ValueError(f"nothing was lost with {by} {label!r}; there is {', '.join(labels) or 'nothing'}")


def _all_bars(found: Pareto) -> tuple[Bar, ...]:
    return (*found.bars, *found.secondary)


def _of_machine(
    history: History,
    book: Ledger,
    dimensions: Sequence[str],
    selection: Selection,
    listed: bool,
    year: bool,
    year_h: float | None,
) -> Told:
    downtimes = chosen(history, book, selection) if listed else None
    answers: list[tuple[Result, _Draw]] = []
    for place, by in enumerate(dimensions):
        # The downtimes are the same in every order: once is enough.
        answers.append(_ranking(history, book, by, selection, None if place else downtimes))
        if year:
            answers.append(_year(history, book, by, selection, year_h))
    return _told(history, book, answers)


def _ranking(
    history: History, book: Ledger, by: str, selection: Selection, downtimes: Sequence[Downtime] | None
) -> tuple[Result, _Draw]:
    found = pareto(history, book, by, selection)
    return tell_pareto(history, book, found, downtimes), lambda: _bars(history, found)


def _year(history: History, book: Ledger, by: str, selection: Selection, year_h: float | None) -> tuple[Result, _Draw]:
    found = worth(history, book, by, selection, year_h=year_h)
    result = tell_worth(history, book, found, by)
    return result, lambda: _worth_bars(history, found, result)


def _of_all(books: Sequence[tuple[History, Ledger]], selection: Selection) -> Told:
    history, book = books[0]
    found = pareto_of(books, "machine", selection)
    *first, last = (other.machine.name for other, _ in books)
    names = f"{', '.join(first)} and {last}" if first else last
    subject = named(history, book.period).replace(history.machine.name, names, 1)
    result = tell_pareto(history, book, found, subject=subject)
    whole = replace(result, values=result.values | {"machine": None})
    return _told(history, book, [(whole, lambda: _bars(history, found))])


def _told(history: History, book: Ledger, answers: Sequence[tuple[Result, _Draw]]) -> Told:
    return Told(
        history=history,
        period=book.period,
        results=tuple(result for result, _ in answers),
        draw=lambda: [draw() for _, draw in answers],
    )


def _bars(history: History, found: Pareto) -> tuple[Picture, ...]:
    from analysis.report import pareto_picture  # noqa: PLC0415 - altair takes a second, and most answers have no picture

    return (pareto_picture(history, found),) if any(bar.count or bar.lost.ms for bar in found.bars) else ()


def _worth_bars(history: History, found: Worth | None, result: Result) -> tuple[Picture, ...]:
    from analysis.report import worth_picture  # noqa: PLC0415 - see above

    return (worth_picture(history, found, result.tables[0]),) if found and found.costs else ()
