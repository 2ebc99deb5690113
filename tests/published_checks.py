"""Published worked examples: data, expected values and where each was read, from the files in ``published``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

_FILES = sorted((Path(__file__).parent / "published").glob("*.json"))
_ALL: dict[str, dict[str, Any]] = {
    name: one for file in _FILES for name, one in json.loads(file.read_text(encoding="utf-8")).items()
}


@dataclass(frozen=True)
class Check:
    """One worked example; ``source`` says where its data and values come from."""

    data: dict[str, Any]
    expected: dict[str, Any]
    source: str


def check(name: str) -> Check:
    """The example of that number (``T5-01``)."""
    found = _ALL[name]
    return Check(data=found["data"], expected=found["expected"], source=found["source"])


def examples() -> dict[str, Check]:
    """All examples whose data and values are kept in ``published``, by number."""
    return {name: check(name) for name in _ALL}


near: Any = pytest.approx
"""``pytest.approx`` inside a tuple beside exact values, which type checkers would not let be compared."""
