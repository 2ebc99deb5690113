"""What a published store says of itself: its views, their columns with unit and meaning, and its macros."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from analysis.dictionary.keys import EXAMPLES, KEYS, Key
from analysis.read import Store

_UNIT = re.compile(r"\s*\[([^]]+)\]\.?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column; ``unit`` is empty where it has none, ``meaning`` says no more of it."""

    name: str
    type: str
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One view."""

    name: str
    meaning: str
    columns: tuple[Column, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Macro:
    """One macro, with a SELECT that uses it; empty if nobody wrote one."""

    name: str
    parameters: tuple[str, ...]
    meaning: str
    example: str


@dataclass(frozen=True, kw_only=True)
class Dictionary:
    """All of it."""

    views: tuple[View, ...]
    macros: tuple[Macro, ...]

    @cached_property
    def keys(self) -> tuple[Key, ...]:
        """How the views that are there belong together."""
        there = {view.name for view in self.views}
        return tuple(key for key in KEYS if key.view in there and key.target in there)


def dictionary(store: Store) -> Dictionary:
    """Read the catalogue: the views and macros of the schema ``main``, by name."""
    return Dictionary(views=tuple(_views(store)), macros=tuple(_macros(store)))


def _views(store: Store) -> list[View]:
    columns: dict[str, list[Column]] = {}
    for row in store.rows(
        "SELECT table_name, column_name, data_type, coalesce(comment, '') AS comment FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY table_name, column_index"
    ):
        found = _UNIT.search(row["comment"])
        columns.setdefault(row["table_name"], []).append(
            Column(
                name=row["column_name"],
                type=row["data_type"],
                unit=found[1] if found else "",
                meaning=_UNIT.sub("", row["comment"]),
            )
        )
    rows = store.rows(
        "SELECT view_name, coalesce(comment, '') AS comment FROM duckdb_views() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY view_name"
    )
    return [
        View(name=row["view_name"], meaning=row["comment"], columns=tuple(columns[row["view_name"]])) for row in rows
    ]


def _macros(store: Store) -> list[Macro]:
    rows = store.rows(
        "SELECT function_name, parameters, coalesce(comment, '') AS comment FROM duckdb_functions() "
        "WHERE schema_name = 'main' AND NOT internal AND function_type IN ('macro', 'table_macro') ORDER BY 1"
    )
    return [
        Macro(
            name=row["function_name"],
            parameters=tuple(row["parameters"]),
            meaning=row["comment"],
            example=EXAMPLES.get(row["function_name"], ""),
        )
        for row in rows
    ]
