"""The subcommands of the statistics; all that click knows of them is here."""

# ruff: noqa: PLC0415 - every command imports what it needs when it is called, so that --help answers at once

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analysis.command.give import give
from analysis.command.options import Asked, Told, asks, chosen, sections_of, way_out

if TYPE_CHECKING:
    from analysis.history import History
    from analysis.period import Period
    from analysis.read import Store
    from analysis.result import Picture
    from analysis.runnability.answering.part import Part
    from analysis.runnability.series import Clothing

_SQL = Path(__file__).parent.parent / "sql"

_section = click.option("--section", metavar="NAME", help="Only breaks of this section.")
_secondary = click.option("--secondary", is_flag=True, help="Count secondary breaks as well.")


@click.command()
@_section
@_secondary
@click.option(
    "--chart",
    type=click.Choice(("day", "shift")),
    default="day",
    show_default=True,
    help="What a point of it is.",
)
@click.option(
    "--limits",
    type=click.Choice(("probability", "sigma", "widened")),
    help="Control limits. Default: probability, or widened where breaks come in clusters.",
)
@asks
@click.pass_obj
def rate(path: Path, asked: Asked, section: str | None, secondary: bool, chart: str, limits: str | None) -> None:
    """How often the sheet breaks, with intervals; control charts, time to break, clustering.

    Example: breakhorn rate --from 2026-03-01 --section press
    """
    from analysis.runnability.answering.rate import answer_rate
    from analysis.runnability.control import Limits
    from analysis.runnability.series import Selection

    selection = Selection(secondary=secondary, section=section)
    named = {"probability": Limits.PROBABILITY, "sigma": Limits.SIGMA, "widened": Limits.WIDENED}
    with _answers(path) as store:

        def answer(history: History, period: Period) -> Sequence[Part]:
            return answer_rate(
                history,
                period,
                selection,
                sections=sections_of(store, history, section),
                turn_ups_ms=_turn_ups(store, history, period),
                by_shift=chart == "shift",
                limits=named[limits] if limits else None,
            )

        give("rate", asked, _each(store, asked, answer))


@click.command()
@click.option("--change", "change_text", required=True, metavar="TIME", help="When it was changed, as for --from.")
@click.option(
    "--settle", type=click.FloatRange(0), default=0.0, metavar="DAYS", help="Days after the change to leave out. [d]"
)
@click.option(
    "--plan",
    type=click.FloatRange(-100, min_open=True),
    default=-20.0,
    show_default=True,
    metavar="PERCENT",
    help="The change that a trial is to show. [%]",
)
@click.option("--power", type=click.FloatRange(0.5, 0.99), default=0.8, show_default=True, help="Of that trial.")
@click.option("--mid-p", is_flag=True, help="Mid-p instead of the exact interval: narrower, without guarantee.")
@_section
@_secondary
@asks
@click.pass_obj
def compare(
    path: Path,
    asked: Asked,
    change_text: str,
    settle: float,
    plan: float,
    power: float,
    mid_p: bool,
    section: str | None,
    secondary: bool,
) -> None:
    """Before and after a change: did the break rate change, by how much, and how sure is it?

    Example: breakhorn compare --change 2026-03-15 --settle 1
    """
    from analysis.period import instant_ms
    from analysis.runnability.answering.compare import answer_compare, split_at
    from analysis.runnability.series import MS_PER_DAY, Selection

    if not plan:
        raise click.UsageError("--plan 0 is no change to show")
    selection = Selection(secondary=secondary, section=section)
    with _answers(path) as store:

        def answer(history: History, period: Period) -> Sequence[Part]:
            sections_of(store, history, section)
            at_ms = instant_ms(change_text, history.mill.zone, now_ms=history.horizon_ms)
            change = split_at(period, at_ms, round(settle * MS_PER_DAY))
            return answer_compare(history, period, change, selection, planned=plan / 100, power=power, mid_p=mid_p)

        give("compare", asked, _each(store, asked, answer))


@click.command()
@_section
@_secondary
@click.option("--clothing", "position", metavar="POSITION", help="Breaks over the lives of the clothing there as well.")
@click.option(
    "--weigh",
    type=click.Choice(("breaks", "minutes", "tonnes")),
    default="breaks",
    show_default=True,
    help="What adds up over those lives.",
)
@asks
@click.pass_obj
def trend(path: Path, asked: Asked, section: str | None, secondary: bool, position: str | None, weigh: str) -> None:
    """Is the break rate rising or falling, in steps or steadily; and breaks since a felt was changed.

    Example: breakhorn trend --section press
    """
    from analysis.runnability.answering.trend import answer_lives, answer_together, answer_trend
    from analysis.runnability.series import Selection

    selection = Selection(secondary=secondary, section=section)
    with _answers(path) as store:
        seen: list[tuple[History, Period]] = []

        def answer(history: History, period: Period) -> Sequence[Part]:
            sections_of(store, history, section)
            seen.append((history, period))
            parts = answer_trend(history, period, selection)
            if position is None:
                return parts
            clothing = _clothing(store, history, position)
            return (*parts, answer_lives(history, period, selection, clothing, position, weigh))

        told = _each(store, asked, answer)
        if len(seen) > 1 and (together := answer_together(seen, selection)) is not None:
            told.append(_told(*seen[0], (together,)))
        give("trend", asked, told)


@click.command()
@click.option(
    "--by",
    "groups",
    multiple=True,
    type=click.Choice(("section", "crew", "grade")),
    help="Groups side by side; may be repeated. Default: section and crew.",
)
@_section
@asks
@click.pass_obj
def threading(path: Path, asked: Asked, groups: tuple[str, ...], section: str | None) -> None:
    """Bringing the sheet back: attempts and minutes, by section and crew, without ranking what cannot be told apart.

    Example: breakhorn threading --by section --from 2026-03-01
    """
    from analysis.runnability.answering.threading import answer_threading
    from analysis.runnability.series import Selection

    selection = Selection(secondary=True, section=section)
    with _answers(path) as store:

        def answer(history: History, period: Period) -> Sequence[Part]:
            sections = sections_of(store, history, section)
            return answer_threading(history, period, selection, groups or ("section", "crew"), sections=sections)

        give("threading", asked, _each(store, asked, answer))


@contextmanager
def _answers(path: Path) -> Iterator[Store]:
    """The store; too few breaks for an answer end the command with the one line that says so."""
    from analysis.read import open_store
    from analysis.runnability.observed import TooFewEvents

    with way_out(), open_store(path) as store:
        try:
            yield store
        except TooFewEvents as error:
            raise click.ClickException(str(error)) from error


def _each(store: Store, asked: Asked, answer: Callable[[History, Period], Sequence[Part]]) -> list[Told]:
    """The answer for each machine; stderr says of which there is none. None at all is an error."""
    from analysis.runnability.observed import TooFewEvents

    told, failed = [], []
    for history, period in chosen(store, asked):
        try:
            told.append(_told(history, period, answer(history, period)))
        except TooFewEvents as error:
            failed.append((history.machine.name, error))
    if failed and not told:
        raise failed[0][1]
    for name, why in failed:
        click.echo(f"{name}: {why}", err=True)
    return told


def _told(history: History, period: Period, parts: Sequence[Part]) -> Told:
    return Told(history=history, period=period, results=tuple(part.result for part in parts), draw=_drawing(parts))


def _drawing(parts: Sequence[Part]) -> Callable[[], list[tuple[Picture, ...]]]:
    return lambda: [part.draw() for part in parts]


def _turn_ups(store: Store, history: History, period: Period) -> list[int]:
    rows = _rows(store, "turn_up", machine=history.machine.machine, from_ms=period.from_ms, to_ms=period.to_ms)
    return [row["at_ms"] for row in rows]


def _clothing(store: Store, history: History, position: str) -> list[Clothing]:
    """All clothing of a machine; the position asked for must be among it."""
    from analysis.runnability.series import Clothing

    found = [Clothing(**row) for row in _rows(store, "clothing", machine=history.machine.machine)]
    positions = sorted({c.position for c in found})
    if position not in positions:
        there = f"it has {', '.join(positions)}" if positions else "none was ever reported"
        raise click.UsageError(f"{history.machine.name} has no clothing at {position!r}; {there}")
    return found


def _rows(store: Store, name: str, **parameters: object) -> list[dict[str, Any]]:
    return store.rows((_SQL / f"{name}.sql").read_text(encoding="utf-8"), **parameters)
