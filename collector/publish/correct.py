"""Takes replaced rows out of the parts that hold them. Until that is done, readers get what holds from beside them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb

from collector.publish.part_file import Made, make_file, paths_of, quoted, source_of
from collector.publish.tidied import Tidied
from collector.store import Store
from collector.store.parts import COLUMNS, HOT, Content, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Correcting:
    """Writes parts again without the rows that were replaced.

    near
        Parts that may hold one of the replaced keys.
    keys
        File of the keys that were replaced when the plan was made.
    corrected
        Files with the rows that hold in their place.
    """

    near: tuple[Part, ...]
    keys: Path
    corrected: tuple[Made, ...]

    @property
    def name(self) -> str:
        """What is done."""
        return "corrected parts"

    def make(self, connection: duckdb.DuckDBPyConnection, parts: Path, tidying: Path) -> Tidied:
        """Write each part again that holds a replaced row."""
        keys = f"{source_of([self.keys])} AS k"
        tidied = Tidied(made=list(self.corrected), keys=self.keys, corrected=list(self.corrected))
        for part in self.near:
            source = f"{source_of(paths_of(parts, [part]))} AS p"
            held = f"SELECT 1 FROM {source} JOIN {keys} USING (tag_id, sampled_at) LIMIT 1"  # noqa: S608
            if connection.execute(held).fetchone() is None:
                continue
            made = make_file(
                connection,
                tidying / f"left-of-{part.part_id}.parquet",
                part.content,
                f"{source} ANTI JOIN {keys} USING (tag_id, sampled_at)",
                level=part.level,
                day=part.day,
                thinned=part.thinned,
            )
            tidied.removed.append(part)
            tidied.made += [made] if made else []
        return tidied


def plan_correcting(store: Store, tidying: Path) -> Correcting | None:
    """What is to be corrected; None if no row was replaced. Writes down the keys, and the rows that hold, as of now."""
    connection = store.connection
    row = connection.execute(
        "SELECT epoch_us(min(sampled_at)), epoch_us(max(sampled_at)) FROM base.replaced"
    ).fetchone()
    if row is None or row[0] is None:
        return None
    keys = tidying / "keys.parquet"
    connection.execute(f"COPY (SELECT tag_id, sampled_at FROM base.replaced) TO '{quoted(keys)}' (FORMAT parquet)")  # noqa: S608
    made = [_corrected(connection, content, tidying) for content in COLUMNS]
    return Correcting(
        near=tuple(part for part in store.parts() if part.first_us <= row[1] and part.last_us >= row[0]),
        keys=keys,
        corrected=tuple(one for one in made if one),
    )


def _corrected(connection: duckdb.DuckDBPyConnection, content: Content, tidying: Path) -> Made | None:
    rows = f"{HOT[content]} SEMI JOIN base.replaced USING (tag_id, sampled_at)"
    return make_file(connection, tidying / f"corrected-{content}.parquet", content, rows)
