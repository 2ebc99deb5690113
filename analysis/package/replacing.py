"""Puts pseudonyms into a view's rows, and looks afterwards whether a name is left anywhere in them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import partial

import polars as pl

from analysis.package.choice import CLOSED, IDS, kind_of
from analysis.package.pseudonyms import Pseudonyms
from analysis.read import Store

_SHORTEST = 3
"""Shorter names, such as a crew's letter, are replaced, but cannot be looked for: they stand in every word."""


class NameLeft(Exception):
    """A name would have gone out; the message says where it stands."""


def replaced(view: str, rows: pl.DataFrame, names: Pseudonyms) -> pl.DataFrame:
    """The rows with every name replaced and every time moved."""
    changes = []
    for column, kind in rows.schema.items():
        if isinstance(kind, pl.Datetime) or kind == pl.Date:
            changes.append(pl.col(column) + names.shift)
        elif column in IDS:
            changes.append(_mapped(rows, column, names.of_downtime))
        elif (sort := kind_of(view, column)) is not None:
            changes.append(_mapped(rows, column, partial(names.of, sort)))
    return rows.with_columns(changes)


def _mapped(rows: pl.DataFrame, column: str, change: Callable[[str], str]) -> pl.Expr:
    known = rows.get_column(column).drop_nulls().unique().to_list()
    return pl.col(column).replace_strict({name: change(name) for name in known}, default=None, return_dtype=pl.String)


def names_of(store: Store) -> frozenset[str]:
    """Every name in the store that must not go out: mill, machines, tags, crews, people."""
    rows = store.rows(
        "SELECT name FROM mill UNION SELECT topic_root FROM mill UNION SELECT machine FROM machine "
        "UNION SELECT name FROM machine UNION SELECT tag FROM tag UNION SELECT tag FROM sheet_detector "
        "UNION SELECT tag FROM signal UNION SELECT crew FROM shift UNION SELECT noted_by FROM note "
        "UNION SELECT noted_by FROM clothing"
    )
    return frozenset(row["name"] for row in rows if row["name"])


def search(view: str, rows: pl.DataFrame, names: Iterable[str]) -> None:
    """Look for names as words in every text of the rows.

    Raises
    ------
    NameLeft
        At the first one, with the column.
    """
    wanted = sorted((name for name in names if len(name) >= _SHORTEST), key=len, reverse=True)
    if not wanted:
        return
    any_name = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, wanted))})(?!\w)", re.IGNORECASE)
    for column, kind in rows.schema.items():
        if column in CLOSED or kind not in (pl.String, pl.List(pl.String)):
            continue
        values = rows.get_column(column).drop_nulls()
        for text in (values.explode() if kind == pl.List(pl.String) else values).drop_nulls().unique():
            if found := any_name.search(text):
                raise NameLeft(
                    f"the name {found[0]!r} stands in {view}.{column} ({text!r}); leave that view out with --view"
                )
