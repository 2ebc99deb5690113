"""Which Parquet files hold samples: those that the table part lists, and no others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import duckdb

Content = Literal["value", "text"]

COLUMNS: dict[Content, str] = {"value": "tag_id, sampled_at, value, flags", "text": "tag_id, sampled_at, text, flags"}
"""The columns of a part; the hot table of the same content has the same ones."""

HOT: dict[Content, str] = {"value": "base.hot_sample", "text": "base.hot_text"}
"""Where samples stand until they are exported."""

STORED: dict[Content, str] = {"value": "base.stored_sample", "text": "base.stored_text"}
"""What the views of samples read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One Parquet file of samples, sorted by tag and time.

    level
        How often its rows have been merged.
    day
        The closed day (UTC) of which it holds all the rows; None for others.
    first_us, last_us
        Oldest and newest source time in it. [µs]
    thinned
        True for a day whose rows were thinned: what comes late for it is kept as it comes.
    """

    part_id: int
    content: Content
    level: int
    day: date | None
    row_count: int
    bytes: int
    first_us: int
    last_us: int
    thinned: bool = False


def part_path(folder: Path, part: Part) -> Path:
    """Where a part lies."""
    return folder / part_name(part.part_id, part.content)


def part_name(part_id: int, content: Content) -> str:
    """The file name that belongs to an id. A file that was never listed is overwritten by the next of its id."""
    return f"{content}-{part_id:08d}.parquet"


def parts_of(connection: duckdb.DuckDBPyConnection) -> list[Part]:
    """Every listed part, in order of its making."""
    rows = connection.execute(
        "SELECT part_id, content, level, day, row_count, bytes, epoch_us(first_at), epoch_us(last_at), thinned "
        "FROM base.part ORDER BY part_id"
    ).fetchall()
    return [
        Part(
            part_id=part_id,
            content=content,
            level=level,
            day=day,
            row_count=row_count,
            bytes=size,
            first_us=first_us,
            last_us=last_us,
            thinned=thinned,
        )
        for part_id, content, level, day, row_count, size, first_us, last_us, thinned in rows
    ]


def sql_list(paths: Iterable[Path]) -> str:
    """The paths as a list of SQL strings."""
    return "[" + ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths) + "]"


def look_at_parts(connection: duckdb.DuckDBPyConnection, folder: Path, parts: Iterable[Part]) -> None:
    """Let the writer's views of samples read the hot tables and exactly these parts.

    A row of a part that was replaced is left out: the one that holds is still hot.
    """
    listed = list(parts)
    for content, columns in COLUMNS.items():
        paths = [part_path(folder, part) for part in listed if part.content == content]
        text = f"SELECT {columns} FROM {HOT[content]}"  # noqa: S608 - names of ours
        if paths:
            source = f"read_parquet({sql_list(paths)}) ANTI JOIN base.replaced USING (tag_id, sampled_at)"
            text += f" UNION ALL SELECT {columns} FROM {source}"  # noqa: S608
        connection.execute(f"CREATE OR REPLACE VIEW {STORED[content]} AS {text}")
