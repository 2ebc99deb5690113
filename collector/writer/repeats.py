"""The sample rule: one row a machine, tag and source time, ever; of two values for one key the later received holds.

A time above the tag's newest is new, which needs no look at the store. Everything else is *suspect* and looked up: the
same value is dropped, another one replaces it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import numpy as np

from collector.store.parts import COLUMNS, HOT, Content, Part, part_path, sql_list
from collector.writer.columns import Columns, Truths
from collector.writer.tagbook import Ids, Ints, TagBook

SampleValue = float | str | None
Key = tuple[int, int]
"""Tag id and source time. [ms]"""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A sample that may be there already."""

    place: int
    key: Key
    value: SampleValue
    flags: int


@dataclass(slots=True)
class Settled:
    """What became of suspects.

    changed
        The rows to be written: keys that were not there, and keys whose value is another one now.
    hot, parted
        Keys of rows to be taken away first: from the hot tables, and from parts.
    new, repeated, replaced
        Tag ids of the suspects that were new, dropped, and put in the place of another value.
    """

    changed: dict[Key, Suspect] = field(default_factory=dict)
    hot: list[Key] = field(default_factory=list)
    parted: list[Key] = field(default_factory=list)
    new: list[int] = field(default_factory=list)
    repeated: list[int] = field(default_factory=list)
    replaced: list[int] = field(default_factory=list)


def are_new(*, ids: Ids, at_ms: Ints, places: Ids, book: TagBook) -> Truths:
    """Which samples lie above the newest of their tag, earlier ones of the same columns counted in.

    The samples of one tag are looked at in order of arrival, all tags at once: a running maximum over the samples
    sorted by tag and arrival, in which each tag begins above the one before it.
    """
    if not len(ids):
        return np.zeros(0, np.bool_)
    order = np.argsort((ids.astype(np.int64) << 32) | places)
    tags, times = ids[order], at_ms[order]
    first = np.empty(len(tags), np.bool_)
    first[0], first[1:] = True, tags[1:] != tags[:-1]
    oldest = int(times.min())
    floor = (np.cumsum(first) - 1) * (int(times.max()) - oldest + 1)
    highest = np.maximum.accumulate(floor + (times - oldest)) - floor + oldest
    limit = book.newest_ms[tags]
    limit[1:] = np.where(first[1:], limit[1:], np.maximum(limit[1:], highest[:-1]))
    new = np.empty(len(tags), np.bool_)
    new[order] = times > limit
    return new


class Archive:
    """Everything that is stored of some times: the hot tables, and the parts that may hold one of them."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, at_ms: Ints, *, parts: Iterable[Part], folder: Path
    ) -> None:
        """Look only at parts with times near those given. [ms]"""
        self.connection = connection
        times = np.sort(at_ms)
        self._near = [part for part in parts if _is_near(part, times)]
        self._folder = folder

    def sources(self, content: Content) -> Iterator[tuple[str, bool]]:
        """Where rows of a content stand, as SQL after FROM, and whether in parts. Replaced rows do not count."""
        yield f"{HOT[content]} AS s", False
        paths = [part_path(self._folder, part) for part in self._near if part.content == content]
        if paths:
            columns, source = COLUMNS[content], f"read_parquet({sql_list(paths)})"
            yield f"(SELECT {columns} FROM {source} ANTI JOIN base.replaced USING (tag_id, sampled_at)) AS s", True  # noqa: S608

    def holds_same(self, content: Content, columns: Columns) -> Truths:
        """Which of these samples stand there with the same value."""
        same = np.zeros(len(columns), np.bool_)
        if not len(columns):
            return same
        rows = {"row_no": np.arange(len(columns)), "tag_id": columns.ids, "at_us": columns.at_ms * 1000}
        with registered(self.connection, "some_key", {**rows, "value": columns.nullable_values()}):
            for source, _ in self.sources(content):
                found = self.connection.execute(
                    f"SELECT k.row_no FROM {source} JOIN ({_KEYS}) AS k "  # noqa: S608 - names of ours
                    f"USING (tag_id, sampled_at) WHERE s.{content} IS NOT DISTINCT FROM k.value"
                ).fetchnumpy()
                same[found["row_no"]] = True
        return same

    def rows(self, keys: Iterable[Key]) -> tuple[dict[Key, SampleValue], dict[Key, SampleValue]]:
        """The values of these keys that stand in the hot tables, and those that stand in parts."""
        stored: tuple[dict[Key, SampleValue], dict[Key, SampleValue]] = ({}, {})
        with registered(self.connection, "some_key", key_columns(keys)):
            for content in COLUMNS:
                for source, in_parts in self.sources(content):
                    found = self.connection.execute(
                        f"SELECT s.tag_id, epoch_ms(s.sampled_at), s.{content} FROM {source} "  # noqa: S608
                        f"JOIN ({_KEYS}) AS k USING (tag_id, sampled_at)"
                    ).fetchall()
                    stored[in_parts].update({(tag_id, at_ms): value for tag_id, at_ms, value in found})
        return stored


_KEYS = "SELECT * EXCLUDE (at_us), make_timestamptz(at_us) AS sampled_at FROM some_key"


def _is_near(part: Part, times: Ints) -> bool:
    """Whether a part may hold one of the times, which are sorted. [ms]"""
    return bool(np.searchsorted(times, part.first_us // 1000) < np.searchsorted(times, part.last_us // 1000, "right"))


def settle(archive: Archive, numbers: Columns, texts: Columns) -> Settled:
    """Compare suspects with what is stored.

    A repeat whose key comes but once needs no more than a look; the rest is gone through one by one, as it arrived.
    """
    keys = np.concatenate((numbers.keys(), texts.keys()))
    _, place, count = np.unique(keys, return_inverse=True, return_counts=True)
    once = count[place] == 1
    same = np.concatenate((archive.holds_same("value", numbers), archive.holds_same("text", texts))) & once
    ids = np.concatenate((numbers.ids, texts.ids))
    left_numbers, left_texts = numbers.some(~same[: len(numbers)]), texts.some(~same[len(numbers) :])
    suspects = sorted([*_suspects(left_numbers), *_suspects(left_texts)], key=lambda suspect: suspect.place)
    settled = Settled(repeated=ids[same].tolist())
    if suspects:
        _settle_one_by_one(settled, suspects, *archive.rows({suspect.key for suspect in suspects}))
    return settled


def _settle_one_by_one(
    settled: Settled, suspects: list[Suspect], hot: dict[Key, SampleValue], parted: dict[Key, SampleValue]
) -> None:
    held = {**parted, **hot}
    for suspect in suspects:
        key = suspect.key
        if key not in held:
            settled.new.append(key[0])
        elif held[key] == suspect.value:
            settled.repeated.append(key[0])
            continue
        else:
            settled.replaced.append(key[0])
        held[key], settled.changed[key] = suspect.value, suspect
    settled.hot = [key for key in settled.changed if key in hot]
    settled.parted = [key for key in settled.changed if key in parted]


def _suspects(columns: Columns) -> Iterator[Suspect]:
    rows = zip(
        columns.places.tolist(),
        columns.ids.tolist(),
        columns.at_ms.tolist(),
        columns.values.tolist(),
        columns.flags.tolist(),
        strict=True,
    )
    for place, tag_id, at_ms, value, flags in rows:
        yield Suspect(place, (tag_id, at_ms), None if value != value else value, flags)


def key_columns(keys: Iterable[Key]) -> dict[str, Ids | Ints]:
    """Keys as columns ``tag_id`` and ``at_us``."""
    listed = list(keys)
    return {
        "tag_id": np.array([tag_id for tag_id, _ in listed], np.int32),
        "at_us": np.array([at_ms for _, at_ms in listed], np.int64) * 1000,
    }


@contextmanager
def registered(connection: duckdb.DuckDBPyConnection, name: str, columns: Mapping[str, object]) -> Iterator[None]:
    """Makes columns a table of the connection for a while.

    After an error they stay until the next of that name: taking them away in a transaction that has failed would fail
    too, and hide the first error.
    """
    connection.register(name, dict(columns))
    yield
    connection.unregister(name)
