"""What may be known at a minute: its features by name, and what the machine's past says of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.risk.rows import DAY_MS, Floats, Past, Rows, count_within, minutes_since
from analysis.risk.settings import MINUTE_MS, RiskSettings

STEADY_MIN = 15
"""The level that is held against the grade run's normal is the mean of this window. [min]"""
RUN_NORMAL, GRADE_NORMAL = NORMALS = ("run normal", "grade normal")
WIDEST = 8.0
"""Distances from normal are cut here: beyond it a sensor has failed or the normal was too short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One thing known at a minute.

    tag
        The tag it comes from, None for what comes from the machine's past.
    stat
        ``last``, ``mean``, ``spread`` (standard deviation), ``slope`` (a minute); ``run normal`` and ``grade normal``
        (distance of the mean from what this grade run, or this grade in all its runs, was like so far, in its standard
        deviations); or the name of a fact of the past.
    window_min
        Length of the trailing window, 0 for none. [min]
    """

    tag: str | None
    stat: str
    window_min: int = 0
    unit: str = ""

    @property
    def name(self) -> str:
        """Short and unique: ``press.draw mean 15 min``."""
        window = f" {self.window_min} min" if self.window_min else ""
        return f"{self.tag} {self.stat}{window}" if self.tag else self.stat

    @property
    def words(self) -> str:
        """For people: ``press.draw, mean of the last 15 min``."""
        if self.tag is None:
            return self.stat
        if self.stat == "last":
            return f"{self.tag}, newest value"
        if self.stat in NORMALS:
            return f"{self.tag}, distance from the {self.stat}"
        return f"{self.tag}, {self.stat} of the last {self.window_min} min"


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """Minute sums of the tags. Arrays of shape (tags, minutes); NaN where a tag had no good sample in a minute.

    first
        Number of the first minute since 1970.
    variance
        Of the samples within the minute, in the tag's unit squared.
    """

    first: int
    tags: tuple[str, ...]
    units: tuple[str, ...]
    mean: Floats
    variance: Floats
    last: Floats


def features_of(tags: tuple[str, ...], units: tuple[str, ...], past: Past, settings: RiskSettings) -> list[Feature]:
    """The features in the order of the columns of the exposure table: facts of the past, then each tag's."""
    found = [Feature(tag=None, stat=name, unit=unit) for name, unit in _past_names(past)]
    for tag, unit in zip(tags, units, strict=True):
        found.append(Feature(tag=tag, stat="last", unit=unit))
        for window in settings.windows_min:
            found.append(Feature(tag=tag, stat="mean", window_min=window, unit=unit))
            found.append(Feature(tag=tag, stat="spread", window_min=window, unit=unit))
            found.append(Feature(tag=tag, stat="slope", window_min=window, unit=f"{unit}/min"))
        found += [Feature(tag=tag, stat=n, window_min=STEADY_MIN, unit="standard deviations") for n in NORMALS]
    return found


def _past_names(past: Past) -> list[tuple[str, str]]:
    fixed = [
        ("minutes since the sheet's return", "min"),
        ("minutes since the turn-up", "min"),
        ("minutes since the grade change", "min"),
        ("breaks in the last 24 h", "breaks"),
    ]
    return fixed + [(f"age of {place}", "d") for place in sorted(past.clothing_ms)]


def past_columns(past: Past, rows: Rows) -> Iterator[Floats]:
    """What the machine's past says at each row: the first columns of the table, one after the other."""
    breaks_ms = np.array([loss.started_ms for loss in past.losses if loss.kind == "break"], np.int64)
    yield rows.on_reel_min
    yield minutes_since(past.turn_ups_ms, rows.at_ms)
    yield minutes_since(past.grade_changes_ms, rows.at_ms)
    yield count_within(breaks_ms, rows.at_ms, DAY_MS)
    for place in sorted(past.clothing_ms):
        yield minutes_since(past.clothing_ms[place], rows.at_ms) * MINUTE_MS / DAY_MS
