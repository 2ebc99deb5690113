"""How every page of ours is filled in: escaped, and with nothing that was forgotten."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined


@cache
def templates_in(folder: Path, *filters: tuple[str, Callable[..., str]]) -> Environment:
    """The templates of a folder; made once.

    filters
        Names and functions that the templates use beside Jinja's own.
    """
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    return environment
