"""Keeps parts few: some of one size become one of the next, and a closed day becomes one file."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from collector.publish.day import Day, days_of_source, within
from collector.publish.part_file import make_file, paths_of, source_of
from collector.publish.tidied import Tidied
from collector.store.parts import Content, Part

_WORTH_IT = 8
"""A day's file is written again for an eighth of its rows: so each row is written a few times at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Merging:
    """Gives the rows of closed days to those days' files, and puts the rest into one part of the next level.

    due
        The parts to be merged.
    own
        Every closed day's own file.
    """

    content: Content
    due: tuple[Part, ...]
    own: tuple[Part, ...]
    closed_before: Day

    @property
    def name(self) -> str:
        """What is done."""
        return f"merged {self.content} parts"

    def make(self, connection: duckdb.DuckDBPyConnection, parts: Path, tidying: Path) -> Tidied:
        """Write a file for each closed day, and one for the rest."""
        source = source_of(paths_of(parts, self.due))
        days = days_of_source(connection, source)
        closed = [day for day in days if day < self.closed_before]
        tidied = Tidied(removed=[*self.due, *(part for part in self.own if part.day in closed)])
        for day in closed:
            own = [part for part in self.own if part.day == day]
            rows = within(source_of(paths_of(parts, [*self.due, *own])), day)
            thinned = any(part.thinned for part in own)
            made = make_file(connection, tidying / f"{day}.parquet", self.content, rows, day=day, thinned=thinned)
            tidied.made += [made] if made else []
        if len(closed) < len(days):
            rest = within(source, *closed, inside=False) if closed else source
            level = max(part.level for part in self.due) + 1
            made = make_file(connection, tidying / "rest.parquet", self.content, rest, level=level)
            tidied.made += [made] if made else []
        return tidied


def plan_merging(parts: list[Part], content: Content, *, closed_before: Day, together: int) -> Merging | None:
    """What is to be merged of all parts of one content; None if there is nothing to gain."""
    due = due_parts(parts, closed_before=closed_before, together=together)
    own = tuple(part for part in parts if part.day is not None)
    return Merging(content=content, due=tuple(due), own=own, closed_before=closed_before) if due else None


def due_parts(parts: list[Part], *, closed_before: Day, together: int) -> list[Part]:
    """The parts to be merged now; none if there is nothing to gain. Closed days' own files are not among them."""
    loose = [part for part in parts if part.day is None]
    closed = [part for part in loose if day_of(part.first_us) < closed_before]
    if len(closed) >= together or _much_is_loose(closed, parts):
        return closed
    levels: defaultdict[int, list[Part]] = defaultdict(list)
    for part in loose:
        levels[part.level].append(part)
    full = [same for same in levels.values() if len(same) >= together]
    return full[0] if full else []


def _much_is_loose(closed: list[Part], parts: list[Part]) -> bool:
    """Whether a closed day has no file yet, or so much beside it that writing it again is worth it."""
    own, loose = Counter[Day | None](), Counter[Day]()
    for part in parts:
        own[part.day] += part.row_count
    for part in closed:
        loose[day_of(part.first_us)] += part.row_count
    return any(rows * _WORTH_IT >= own[day] for day, rows in loose.items())


def day_of(at_us: int) -> Day:
    """The day (UTC) of a time. [µs]"""
    return datetime.fromtimestamp(at_us // 1_000_000, UTC).date()
