"""Pieces of the SQL that looks at the cells of a file: what is filled into history/cells.sql. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from collector.block import TagKey
from collector.history.signs import THOUSANDS, Signs, grouped
from collector.history.source import literal

_DAY = "greatest(clock_ms // 86400000 - {first_day} + 1, 0)"
CLOCK = (
    ", "
    + ", ".join(
        f"getvariable('{name}')[{_DAY}] AS {name}" for name in ("before_ms", "after_ms", "edge_from_ms", "edge_to_ms")
    )
    + f", getvariable('is_twice')[{_DAY}] AS comes_twice"
)
INSTANT = """CASE
            WHEN clock_ms < edge_from_ms OR edge_to_ms = 0 THEN clock_ms - before_ms
            WHEN clock_ms >= edge_to_ms THEN clock_ms - after_ms
            WHEN NOT comes_twice THEN NULL
            WHEN '{ambiguous}' = 'earlier' THEN clock_ms - before_ms
            WHEN '{ambiguous}' = 'later' THEN clock_ms - after_ms
        END"""
IS_TWICE = "clock_ms >= edge_from_ms AND clock_ms < edge_to_ms AND comes_twice"


def key_list(keys: Iterable[TagKey]) -> str:
    """SQL: machines and tags, each pair as one text."""
    return f"[{', '.join(literal(machine) + ' || chr(10) || ' + literal(tag) for machine, tag in sorted(keys))}]"


def word_list(words: Iterable[str]) -> str:
    """SQL: words as they are compared, in lower case."""
    return ", ".join(literal(word.lower()) for word in words)


def pointed(signs: Signs) -> str:
    """SQL: a value with a decimal point and nothing else between its digits; a sign that is out of place stays so."""
    value = "trim(c.value)"
    plain = value if signs.decimal == "." else f"translate({value}, ',.', '.,')"
    if signs.thousands is None:
        return plain
    shape = literal(grouped(signs.thousands, signs.decimal).pattern)
    bare = f"replace(translate({value}, {literal(THOUSANDS[signs.thousands])}, ''), ',', '.')"
    return f"CASE WHEN regexp_full_match({value}, {shape}) THEN {bare} ELSE {plain} END"
