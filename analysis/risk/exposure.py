"""The exposure table: one row for each on-reel minute, with what was known then and what followed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from importlib.resources import files

import duckdb
import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Breaks, Ints, Loss, Past, Rows, primary_breaks, rows_of
from analysis.risk.settings import RiskSettings
from analysis.risk.trail import Trail, pieces_of
from analysis.risk.windows import Feature, Minutes, features_of, past_columns

SLICE_MINUTES = 15 * 1440
"""Samples are added up in slices of this many minutes, so that memory does not grow with the archive. [min]"""
PIECE_MINUTES = 1440
"""What has been read goes into the running sums a day at a time."""
BEFORE_MINUTES = 1440
"""How far before the first row tags are read, for values that come only when they change. [min]"""


class NothingToLearn(Exception):
    """The machine has no on-reel minutes, no tags or too few breaks yet; the message says which."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What the model is asked and what it may know.

    values
        Of each row and feature, shape (rows, features), as they were known at the row's minute.
    breaks
        The primary breaks that are to be foreseen.
    """

    machine: str
    settings: RiskSettings
    rows: Rows
    features: tuple[Feature, ...]
    values: NDArray[np.float32]
    breaks: Breaks
    grade_changes_ms: Ints

    def row(self, at_ms: int) -> NDArray[np.float32]:
        """What was known at one minute; KeyError for a minute that is no row."""
        number = int(np.searchsorted(self.rows.at_ms, at_ms))
        if number == len(self.rows) or self.rows.at_ms[number] != at_ms:
            raise KeyError(at_ms)
        known: NDArray[np.float32] = self.values[number]
        return known


def build(
    con: duckdb.DuckDBPyConnection,
    machine: str,
    settings: RiskSettings,
    *,
    from_ms: int | None = None,
    until_ms: int | None = None,
    change: Callable[[Minutes], Minutes] = lambda minutes: minutes,
) -> Exposure:
    """The exposure table of a machine, from the views of an open store.

    from_ms
        Minutes before it are no rows, though windows may reach into them. [ms]
    until_ms
        Nothing from then on is looked at, as if the store had been read at that instant. [ms]
    change
        What the tags are taken to have been instead, minutes by minutes: for a what-if.

    Raises
    ------
    NothingToLearn
        For a machine that the store does not know, or of which it has no whole minute on the reel.
    """
    span = read_span(con, machine)
    settings = replace(settings, secondary_within_min=span.secondary_within_min)
    end_ms = span.last_ms + 1 if until_ms is None else min(span.last_ms + 1, until_ms)
    past = read_past(con, machine, from_ms=from_ms or 0, until_ms=end_ms)
    breaks = primary_breaks(past, settings)
    rows = rows_of(past, breaks, settings)
    if not len(rows):
        raise NothingToLearn(f"machine {machine!r} was never on the reel for {settings.quiet_on_reel_min} min")
    tags, units = tags_of(con, machine)
    first, last = int(rows.minute[0]) - BEFORE_MINUTES, int(rows.minute[-1])
    slices = map(change, _read_slices(con, machine, tags, units, first, last))
    return _filled(machine, slices, past, settings, (tags, units, first))


def exposure_of(machine: str, minutes: Minutes, past: Past, settings: RiskSettings) -> Exposure:
    """The exposure table from minute sums and the machine's past; pure."""
    return _filled(machine, [minutes], past, settings, (minutes.tags, minutes.units, minutes.first))


def _filled(
    machine: str,
    slices: Iterable[Minutes],
    past: Past,
    settings: RiskSettings,
    about: tuple[tuple[str, ...], tuple[str, ...], int],
) -> Exposure:
    """The exposure table from slices of minutes, one after the other; ``about``: tags, units, first minute."""
    tags, units, first = about
    breaks = primary_breaks(past, settings)
    rows = rows_of(past, breaks, settings)
    features = tuple(features_of(tags, units, past, settings))
    values = np.empty((len(rows), len(features)), np.float32, order="F")
    known = 0
    for known, column in enumerate(past_columns(past, rows), start=1):
        values[:, known - 1] = column
    trail = Trail(tags=len(tags), first=first, settings=settings)
    for minutes in slices:
        for piece in pieces_of(minutes, rows, PIECE_MINUTES):
            here = np.arange(piece.start, piece.end)
            values[piece.start : piece.end, known:] = trail.extend(piece.minutes, rows.take(here), past)
    return Exposure(
        machine=machine,
        settings=settings,
        rows=rows,
        features=features,
        values=values,
        breaks=breaks,
        grade_changes_ms=past.grade_changes_ms,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """First and newest data of a machine [ms], and what it counts as a secondary break. [min]"""

    first_ms: int
    last_ms: int
    secondary_within_min: float


def read_span(con: duckdb.DuckDBPyConnection, machine: str) -> Span:
    """From when to when there are data of a machine; NothingToLearn where there are none."""
    found = con.execute(_sql("span"), {"machine": machine}).fetchone()
    if found is None or found[0] is None:
        raise NothingToLearn(f"the store holds no data of machine {machine!r}")
    return Span(first_ms=found[0], last_ms=found[1], secondary_within_min=float(found[2]))


def read_state(con: duckdb.DuckDBPyConnection, machine: str, *, until_ms: int) -> tuple[str, int]:
    """What a machine was doing at an instant, and since when [ms]; ``no_data`` where nothing is known."""
    found = con.execute(_sql("state"), {"machine": machine, "until_ms": until_ms}).fetchone()
    return ("no_data", until_ms) if found is None else (str(found[0]), int(found[1]))


def read_past(
    con: duckdb.DuckDBPyConnection,
    machine: str,
    *,
    from_ms: int = 0,
    until_ms: int,
    losses: tuple[Loss, ...] | None = None,
) -> Past:
    """Sheet, losses, turn-ups, grade runs and clothing of a machine, up to ``until_ms``; rows begin at ``from_ms``.

    losses
        What ``read_losses`` gave, where nothing can have changed since.
    """
    events = con.execute(_sql("event"), {"machine": machine, "until_ms": until_ms}).fetchall()
    at: dict[str, list[int]] = {}
    clothing: dict[str, list[int]] = {}
    grades = tuple(name for event, name, _ in events if event == "grade run")
    for event, name, at_ms in events:
        if event == "clothing":
            clothing.setdefault(name, []).append(at_ms)
        else:
            at.setdefault(event, []).append(at_ms)
    return Past(
        on_reel_ms=read_on_reel(con, machine, until_ms=until_ms),
        losses=read_losses(con, machine, until_ms=until_ms) if losses is None else losses,
        from_ms=from_ms,
        until_ms=until_ms,
        turn_ups_ms=np.array(at.get("turn-up", []), np.int64),
        grade_runs_ms=np.array(at.get("grade run", []), np.int64),
        grades=grades,
        grade_changes_ms=np.array(at.get("grade change", []), np.int64),
        clothing_ms={place: np.array(ms, np.int64) for place, ms in clothing.items()},
    )


def read_on_reel(con: duckdb.DuckDBPyConnection, machine: str, *, until_ms: int) -> Ints:
    """Stretches with the sheet on the reel, shape (n, 2), up to an instant. [ms]"""
    found = con.execute(_sql("on_reel"), {"machine": machine, "until_ms": until_ms}).fetchall()
    return np.array(found, np.int64).reshape(-1, 2)


def read_losses(con: duckdb.DuckDBPyConnection, machine: str, *, until_ms: int) -> tuple[Loss, ...]:
    """Every loss of the sheet before an instant, as the notes of the crew have it now."""
    found = con.execute(_sql("downtime"), {"machine": machine, "until_ms": until_ms}).fetchall()
    return tuple(
        Loss(downtime_id=name, kind=kind, started_ms=started, section=section, secondary=secondary)
        for name, kind, started, section, secondary in found
    )


def tags_of(con: duckdb.DuckDBPyConnection, machine: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The tags of a machine that may predict, and their units."""
    known = con.execute(_sql("tag"), {"machine": machine}).fetchall()
    return tuple(tag for tag, _, _ in known), tuple(unit for _, unit, _ in known)


def read_minutes(
    con: duckdb.DuckDBPyConnection,
    machine: str,
    tags: tuple[str, ...],
    units: tuple[str, ...],
    *,
    first: int,
    last: int,
) -> Minutes:
    """Minute sums of some tags, from minute ``first`` to ``last``, both included."""
    shape = (len(tags), last - first + 1)
    mean, variance, newest = (np.full(shape, np.nan) for _ in range(3))
    asked = {"machine": machine, "tags": list(tags), "from_minute": first, "to_minute": last + 1}
    got = con.execute(_sql("minute"), asked).fetchnumpy()
    place = np.asarray(got["tag_number"], np.int64), np.asarray(got["minute"], np.int64)
    mean[place], variance[place], newest[place] = got["mean"], got["variance"], got["last"]
    return Minutes(first=first, tags=tags, units=units, mean=mean, variance=variance, last=newest)


def _read_slices(
    con: duckdb.DuckDBPyConnection, machine: str, tags: tuple[str, ...], units: tuple[str, ...], first: int, last: int
) -> Iterator[Minutes]:
    for start in range(first, last + 1, SLICE_MINUTES):
        end = min(start + SLICE_MINUTES - 1, last)
        yield read_minutes(con, machine, tags, units, first=start, last=end)


def _sql(name: str) -> str:
    return (files("analysis.risk") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
