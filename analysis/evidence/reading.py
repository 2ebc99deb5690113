"""From the views of an open store to what the search for evidence takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

import duckdb
import numpy as np

from analysis.evidence.cells import Cells, Tag
from analysis.evidence.course import SPEED_FROM, Course, Speed
from analysis.evidence.settings import MINUTE_MS, EvidenceSettings
from analysis.period import Period
from analysis.risk.exposure import read_past
from analysis.risk.rows import Ints

SLICE_MINUTES = 30 * 1440
"""Cells are added up in slices of this many minutes: memory stays small, and a year of daily files is not opened anew
for every few of them. [min]"""
SELDOM = 0.5
"""A tag that has a value in fewer of the minutes asked for is one that is sent only when it changes."""
HOLDS_MINUTES = 1440
"""Its values are taken to hold no longer than this. [min]"""

Progress = Callable[[float], None]
"""Told the share that is done, 0 to 1."""


def read_course(
    connection: duckdb.DuckDBPyConnection, machine: str, period: Period, settings: EvidenceSettings, *, until_ms: int
) -> Course:
    """What a machine did up to ``until_ms``, and its speed in a period. [ms]"""
    past = read_past(connection, machine, until_ms=until_ms)
    first, last = period.from_ms // MINUTE_MS + SPEED_FROM, period.to_ms // MINUTE_MS
    signal = connection.execute(_sql("speed_tag"), {"machine": machine}).fetchone()
    if signal is None:
        return Course(machine=machine, past=past, speed=None)
    asked = {"tag_id": signal[0], "from_minute": first, "to_minute": last + 1}
    got = connection.execute(_sql("speed"), asked).fetchnumpy()
    mean = np.full(last + 1 - first, np.nan)
    mean[np.asarray(got["minute"], np.int64) - first] = got["mean"]
    return Course(machine=machine, past=past, speed=Speed(first=first, mean=mean))


def read_tags(connection: duckdb.DuckDBPyConnection, machine: str) -> tuple[Tag, ...]:
    """Tags of a machine that may predict, by name: not those that mill.toml calls results or context."""
    rows = connection.execute(_sql("tag"), {"machine": machine}).fetchall()
    return tuple(Tag(tag=tag, tag_id=tag_id, unit=unit, section=section) for tag, tag_id, unit, section in rows)


def read_cells(
    connection: duckdb.DuckDBPyConnection,
    machine: str,
    tags: Sequence[Tag],
    minutes: Ints,
    progress: Progress | None = None,
) -> Cells:
    """What tags of a machine were in some minutes; only days that hold one of them are read.

    minutes
        Rising, each once. [min since 1970]
    """
    shape = (len(tags), len(minutes))
    mean, variance = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    origin = np.full(len(tags), np.nan)
    ids = [t.tag_id for t in tags]
    row_of = np.full(max(ids, default=0) + 1, -1, np.int64)
    row_of[ids] = range(len(ids))
    for start, end in _slices(minutes):
        part = minutes[start:end]
        base = int(part[0])
        asked = {"machine": machine, "from_minute": base, "to_minute": int(part[-1]) + 1, "minutes": part.tolist()}
        got = connection.execute(_sql("cell"), asked).fetchnumpy()
        tag_ids = np.asarray(got["tag_id"], np.int64)
        own = np.isin(tag_ids, ids)
        rows = row_of[tag_ids[own]]
        column_of = np.zeros(int(part[-1]) - base + 1, np.int64)
        column_of[part - base] = np.arange(start, end)
        columns = column_of[np.asarray(got["minute"], np.int64)[own]]
        values = np.asarray(got["mean"], np.float64)[own]
        _set_origin(origin, rows, columns, values)
        mean[rows, columns] = values - origin[rows]
        variance[rows, columns] = np.asarray(got["variance"], np.float64)[own]
        if progress is not None:
            progress(end / len(minutes))
    _hold(connection, tags, minutes, origin, mean, variance)
    return Cells(tags=tuple(tags), minutes=minutes, origin=np.nan_to_num(origin), mean=mean, variance=variance)


def _set_origin(origin: Any, rows: Ints, columns: Ints, values: Any) -> None:
    """The earliest value of each tag, in whatever order they were read: else the last digit of all would follow it."""
    earliest = np.argsort(columns, kind="stable")
    new, first = np.unique(rows[earliest], return_index=True)
    at = earliest[first]
    unset = np.isnan(origin[new])
    origin[new[unset]] = values[at[unset]]


def _hold(
    connection: duckdb.DuckDBPyConnection, tags: Sequence[Tag], minutes: Ints, origin: Any, mean: Any, variance: Any
) -> None:
    """Fill in tags that are sent only when they change: all they said is read, and each value held."""
    if not len(minutes):
        return
    seldom = [n for n in range(len(tags)) if np.isfinite(mean[n]).mean() < SELDOM]
    if not seldom:
        return
    asked = {
        "tags": [tags[n].tag_id for n in seldom],
        "from_minute": int(minutes[0]) - HOLDS_MINUTES,
        "to_minute": int(minutes[-1]) + 1,
    }
    got = {name: np.asarray(column) for name, column in connection.execute(_sql("held"), asked).fetchnumpy().items()}
    for n in seldom:
        own = got["tag_id"] == tags[n].tag_id
        said, last = got["minute"][own], got["last"][own]
        if not len(said):
            continue
        if np.isnan(origin[n]):
            origin[n] = last[0]
        place = np.searchsorted(said, minutes, side="right") - 1
        held = (place >= 0) & (minutes - said[place] <= HOLDS_MINUTES) & np.isnan(mean[n])
        mean[n, held] = last[place[held]] - origin[n]
        variance[n, held] = 0.0


def _slices(minutes: Ints) -> Iterator[tuple[int, int]]:
    """Stretches of the minutes asked for, each at most a slice long; a day without any is not touched."""
    if not len(minutes):
        return
    cut = (np.diff(minutes // 1440) > 1) | (np.diff(minutes // SLICE_MINUTES) > 0)
    edges = [0, *(np.flatnonzero(cut) + 1).tolist(), len(minutes)]
    yield from pairwise(edges)


@cache
def _sql(name: str) -> str:
    return (files("analysis.evidence") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
