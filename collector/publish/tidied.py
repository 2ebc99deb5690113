"""What tidying the parts comes to: files made beside the writer, put in place of others by one short transaction."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import duckdb

from collector.publish.part_file import Made, PartWriter, Relisting, quoted
from collector.store import Store
from collector.store.opening import PARTS
from collector.store.parts import HOT, Part, part_path

FOLDER = "tidying"
"""Where files are made, beside the parts. Nothing in it is listed: it may go at any time that nobody works there."""


@dataclass(slots=True, kw_only=True)
class Tidied:
    """What one plan made.

    removed
        Parts whose rows the files now hold.
    keys
        File of the replaced keys that no part holds any more; None if there are none.
    corrected
        Of the files made, those with the rows that hold in the place of the replaced ones.
    """

    made: list[Made] = field(default_factory=list)
    removed: list[Part] = field(default_factory=list)
    keys: Path | None = None
    corrected: list[Made] = field(default_factory=list)


class Plan(Protocol):
    """One piece of work on parts. It touches nothing but files that are never changed, so it may take its time."""

    @property
    def name(self) -> str:
        """For the log and for tests: what is done to what."""

    def make(self, connection: duckdb.DuckDBPyConnection, parts: Path, tidying: Path) -> Tidied:
        """Write new files into the folder ``tidying``, of those in the folder ``parts``."""


def put_in_place(store: Store, tidied: Tidied, *, now_ms: int) -> None:
    """List what was made in the place of what it was made from, in one transaction.

    Killed before it, the files belong to nobody and are written again; killed after it, all is done.
    """
    writer = PartWriter(store)
    change = Relisting(removed=list(tidied.removed))
    names: dict[Path, Part] = {}
    for made in tidied.made:
        names[made.path] = writer.adopt(made)
        change.added.append(names[made.path])
    with store.transaction() as connection:
        for made in tidied.corrected:
            _no_longer_hot(connection, made, part_path(store.folder / PARTS, names[made.path]))
        if tidied.keys is not None:
            connection.execute(_NO_LONGER_REPLACED.format(keys=quoted(tidied.keys)))
        writer.list_parts(connection, change, now_ms=now_ms)


def _no_longer_hot(connection: duckdb.DuckDBPyConnection, made: Made, path: Path) -> None:
    """A row that was replaced once more since stays hot, and its key among the replaced ones."""
    connection.execute(
        f"DELETE FROM {HOT[made.content]} AS h USING read_parquet('{quoted(path)}') AS p "  # noqa: S608 - names of ours
        "WHERE h.tag_id = p.tag_id AND h.sampled_at = p.sampled_at AND h.flags = p.flags "
        f"AND h.{made.content} IS NOT DISTINCT FROM p.{made.content}"
    )


_NO_LONGER_REPLACED = """
DELETE FROM base.replaced AS r
USING (
    FROM read_parquet('{keys}')
    ANTI JOIN (
        SELECT tag_id, sampled_at FROM base.hot_sample UNION ALL SELECT tag_id, sampled_at FROM base.hot_text
    ) USING (tag_id, sampled_at)
) AS k
WHERE r.tag_id = k.tag_id AND r.sampled_at = k.sampled_at
"""
