"""How numbers of the statistics are said, and how results become plain values for JSON."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from analysis.result import number, percent, signed, significant

HOURS_A_DAY = 24.0
"""Rates are said per day of running: 24 h with the sheet on the reel."""
_MOST_SAID = 11.0
"""Ratios beyond which a change in per cent says nothing more."""
_MOST_EXACT = 10_000


def a_day(rate: float | None, digits: int = 2) -> str:
    """A rate per on-reel hour, said per day on the reel."""
    return "–" if rate is None or not math.isfinite(rate) else f"{rate * HOURS_A_DAY:.{digits}f}"


def changed(ratio: float) -> str:
    """A ratio as a change in per cent."""
    if not math.isfinite(ratio):
        return "without limit" if ratio > 0 else "not known"
    if ratio > _MOST_SAID:
        return f"over +{100 * (_MOST_SAID - 1):.0f} %"
    return signed(f"{100 * (ratio - 1):+.0f}") + " %"


def chance(p_value: float) -> str:
    """A p-value with two figures, and no more zeros than say something."""
    if p_value < 0.001:
        return "p < 0.001"
    return f"p = {p_value:.3f}" if p_value < 0.1 else f"p = {p_value:.2f}"


def percent_of(share: float | None) -> str:
    """A share in whole per cent."""
    return "–" if share is None or math.isnan(share) else percent(share, 0)


def span(low: float, high: float, digits: int = 2) -> str:
    """An interval."""
    return f"{amount(low, digits)} to {amount(high, digits)}"


def amount(value: float | None, digits: int = 2) -> str:
    """A number, or that it has no end."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "without limit"
    # Five figures of a limit that a handful of breaks gives say no more than four.
    return significant(value, 4) if abs(value) >= _MOST_EXACT else number(value, digits)


def listed(words: list[str]) -> str:
    """Words as people list them."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def level(confidence: float) -> str:
    """A confidence as people write it."""
    return f"{100 * confidence:g} %"


def plain(value: object) -> Any:
    """A result as JSON-ready values: fields by name, arrays as lists, and null for what has no number."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, np.ndarray | list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
