"""From the views of an open store to what the search for evidence takes."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from importlib.resources import files
from itertools import pairwise

import duckdb
import numpy as np
from numpy.typing import NDArray

from analysis.evidence.cells import Cells, Tag
from analysis.evidence.course import SPEED_FROM, Course, Speed
from analysis.evidence.settings import MINUTE_MS, EvidenceSettings
from analysis.evidence.summing import MARK_MASK, Chunk, add_up, marks
from analysis.period import Period
from analysis.risk.exposure import read_past
from analysis.risk.rows import Floats, Ints

SLICE_MINUTES = 30 * 1440
"""Cells are added up in slices of this many minutes: memory stays small, and a year of daily files is not opened anew
for every few of them. [min]"""
GAP_DAYS = 5
"""Days without any minute that is asked for are passed over where they are so many: to open a year of files again takes
as long as to read them."""
AT_ONCE = 2
"""Slices that are read side by side: DuckDB hands out rows on one core, however many it has."""
FEW_MINUTES = 2_000
"""Of fewer, rows are copied from DuckDB rather than handed over, which needs polars."""
SELDOM = 0.5
"""A tag that has a value in fewer of the minutes asked for is one that is sent only when it changes."""
HOLDS_MINUTES = 1440
"""Its values are taken to hold no longer than this. [min]"""

Slice = tuple[int, int, Floats, Floats]
"""First and last number of some minutes, and the mean and variance of each tag in them."""
Singles = NDArray[np.float32]
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
    tags: Sequence[Tag],
    minutes: Ints,
    progress: Progress | None = None,
) -> Cells:
    """What tags were in some minutes; only days that hold one of them are read.

    minutes
        Rising, each once. [min since 1970]
    """
    shape = (len(tags), len(minutes))
    mean, variance = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    origin = np.full(len(tags), np.nan)
    for start, end, found, spread in _summed(connection, tags, minutes):
        unset = np.isnan(origin)
        origin[unset] = _earliest(found[unset])
        mean[:, start:end] = found - origin[:, None]
        variance[:, start:end] = spread
        if progress is not None:
            progress(end / len(minutes))
    hold(connection, tags, minutes, origin, mean, variance)
    return Cells(tags=tuple(tags), minutes=minutes, origin=np.nan_to_num(origin), mean=mean, variance=variance)


def _summed(connection: duckdb.DuckDBPyConnection, tags: Sequence[Tag], minutes: Ints) -> Iterator[Slice]:
    """The cells slice by slice, in order of time."""
    if not tags:
        return
    (database,) = connection.execute("SELECT current_database()").fetchall()[0]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        waiting: deque[Future[Slice]] = deque()
        try:
            for start, end in _slices(minutes):
                waiting.append(pool.submit(_slice, connection, database, tags, minutes, start, end))
                if len(waiting) > AT_ONCE:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)


def _slice(
    connection: duckdb.DuckDBPyConnection, database: str, tags: Sequence[Tag], minutes: Ints, start: int, end: int
) -> Slice:
    ids = np.array([t.tag_id for t in tags], np.int64)
    row_of = np.full(int(ids.max()) + 1, -1, np.int64)
    row_of[ids] = np.arange(len(ids))
    part = minutes[start:end]
    asked = {
        "first_tag": int(ids.min()),
        "last_tag": int(ids.max()),
        "from_minute": int(part[0]),
        "to_minute": int(part[-1]) + 1,
        "marks": marks(part),
        "mask": MARK_MASK,
    }
    with connection.cursor() as own:
        own.execute(f'USE "{database}"')  # a cursor begins at the database that was opened, not at the one in use
        return start, end, *add_up(_chunks(own.sql(_sql("cell"), params=asked), len(part)), row_of, part)


def _chunks(found: duckdb.DuckDBPyRelation, minutes: int) -> Iterator[Chunk]:
    """The rows of samples as arrays, in pieces as large as they were read."""
    names = ("tag_id", "at_us", "value")
    if minutes < FEW_MINUTES:
        got = found.fetchnumpy()
        yield got["tag_id"], got["at_us"], got["value"]
        return
    import polars as pl  # noqa: PLC0415 - takes a third of a second, so only where it spares more

    frame = pl.DataFrame(found)
    yield from zip(*([one.to_numpy() for one in frame[name].get_chunks()] for name in names), strict=True)


def _earliest(values: Floats) -> Floats:
    """The earliest value of each row, NaN for one without."""
    first: Floats = values[np.arange(len(values)), np.isfinite(values).argmax(axis=1)]
    return first


def hold(
    connection: duckdb.DuckDBPyConnection,
    tags: Sequence[Tag],
    minutes: Ints,
    origin: Floats,
    mean: Singles,
    variance: Singles,
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
    """Stretches of the minutes asked for, each at most a slice long."""
    if not len(minutes):
        return
    cut = (np.diff(minutes // 1440) > GAP_DAYS) | (np.diff(minutes // SLICE_MINUTES) > 0)
    edges = [0, *(np.flatnonzero(cut) + 1).tolist(), len(minutes)]
    yield from pairwise(edges)


@cache
def _sql(name: str) -> str:
    return (files("analysis.evidence") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
