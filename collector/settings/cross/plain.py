"""Reads the plain tables of a mill.toml: what is of a wrong type is passed over, since the model reports it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from collector.settings.locate import KeyPath

Table = Mapping[str, Any]
Finding = tuple[KeyPath, str]


def twice(owner: Table, key: str, name: str, path: KeyPath = ()) -> Iterator[Finding]:
    """A finding for each table of a list whose name an earlier one has."""
    seen: set[str] = set()
    for index, table in tables_of(owner, key):
        word = text_of(table, name)
        if word in seen:
            yield (*path, key, index, name), f'"{word}" is there twice'
        if word:
            seen.add(word)


def table_of(owner: Table, key: str) -> Table:
    """The table of a name; an empty one if there is none."""
    value = owner.get(key)
    return value if isinstance(value, Mapping) else {}


def list_of(owner: Table, key: str) -> list[Any]:
    """The list of a name; an empty one if there is none."""
    value = owner.get(key)
    return value if isinstance(value, list) else []


def tables_of(owner: Table, key: str) -> Iterable[tuple[int, Table]]:
    """(index, table) of a list of tables."""
    return ((index, table) for index, table in enumerate(list_of(owner, key)) if isinstance(table, Mapping))


def texts_of(owner: Table, key: str) -> Iterable[tuple[int, str]]:
    """(index, text) of a list of texts."""
    return ((index, text) for index, text in enumerate(list_of(owner, key)) if isinstance(text, str))


def text_of(owner: Table, key: str) -> str | None:
    """A text that is not empty; else None."""
    value = owner.get(key)
    return value if isinstance(value, str) and value else None


def number_of(value: object) -> float | None:
    """A number; else None."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def topic_root_of(raw: Table) -> str | None:
    """The topic root that the tables set or imply; None if they do not even name the mill."""
    mill = table_of(raw, "mill")
    name = text_of(mill, "name")
    return text_of(mill, "topic_root") or (name.lower() if name else None)
