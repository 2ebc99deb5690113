"""What the tags were doing up to each minute: trailing windows that never look ahead, nor behind the last restart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import DAY_MS, Floats, Ints, Past, Rows, count_within, minutes_since
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
    """The features in the order of the columns that ``columns_of`` gives."""
    found = [Feature(tag=None, stat=name, unit=unit) for name, unit in _past_names(past)]
    for tag, unit in zip(tags, units, strict=True):
        found.append(Feature(tag=tag, stat="last", unit=unit))
        for window in settings.windows_min:
            found.append(Feature(tag=tag, stat="mean", window_min=window, unit=unit))
            found.append(Feature(tag=tag, stat="spread", window_min=window, unit=unit))
            found.append(Feature(tag=tag, stat="slope", window_min=window, unit=f"{unit}/min"))
        found += [Feature(tag=tag, stat=n, window_min=STEADY_MIN, unit="standard deviations") for n in NORMALS]
    return found


def columns_of(minutes: Minutes, rows: Rows, past: Past, settings: RiskSettings) -> NDArray[np.float32]:
    """The values of all features at all rows, shape (rows, features), one column in one piece of memory."""
    features = features_of(minutes.tags, minutes.units, past, settings)
    table = np.empty((len(rows), len(features)), np.float32, order="F")
    number = 0
    for column in _past_columns(past, rows):
        table[:, number] = column
        number += 1
    places = _Places.of(minutes, rows, past)
    for tag in range(len(minutes.tags)):
        for column in _tag_columns(_Sums.of(minutes, tag), places, settings):
            table[:, number] = column
            number += 1
    return table


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Where each row stands among the minutes.

    here, begin
        The minute that has just ended, and the first of this stretch on the reel.
    settled
        End of what counts for a normal: the last 15 minutes are held against it.
    run_start
        First minute of the grade run.
    steady
        Which minutes count for a normal: the rows' own, well after a restart.
    run_grade, minute_grade
        Number of the grade at each row and at each minute.
    """

    here: Ints
    begin: Ints
    settled: Ints
    run_start: Ints
    steady: Floats
    run_grade: Ints
    minute_grade: Ints

    @classmethod
    def of(cls, minutes: Minutes, rows: Rows, past: Past) -> _Places:
        here = rows.minute - minutes.first
        # The grade run in which the minute began: one that begins as the minute ends has made nothing yet.
        run = np.searchsorted(past.grade_runs_ms, rows.at_ms - MINUTE_MS, side="right") - 1
        starts = np.append(past.grade_runs_ms, 0) // MINUTE_MS - minutes.first
        run_start = np.where(run >= 0, starts[run], 0).clip(0, here)
        steady = np.zeros(minutes.mean.shape[1])
        steady[here] = 1.0
        names = sorted(set(past.grades))
        grade = np.array([*(names.index(g) for g in past.grades), -1], np.int64)
        minute_grade = np.full(len(steady), -1, np.int64)
        minute_grade[here] = grade[run]
        return cls(
            here=here,
            begin=np.maximum(rows.since_minute - minutes.first, 0),
            settled=np.maximum(here - STEADY_MIN + 1, 0),
            run_start=run_start,
            steady=steady,
            run_grade=grade[run],
            minute_grade=minute_grade,
        )


def _past_names(past: Past) -> list[tuple[str, str]]:
    fixed = [
        ("minutes since the sheet's return", "min"),
        ("minutes since the turn-up", "min"),
        ("minutes since the grade change", "min"),
        ("breaks in the last 24 h", "breaks"),
    ]
    return fixed + [(f"age of {place}", "d") for place in sorted(past.clothing_ms)]


def _past_columns(past: Past, rows: Rows) -> Iterator[Floats]:
    breaks_ms = np.array([loss.started_ms for loss in past.losses if loss.kind == "break"], np.int64)
    yield rows.on_reel_min
    yield minutes_since(past.turn_ups_ms, rows.at_ms)
    yield minutes_since(past.grade_changes_ms, rows.at_ms)
    yield count_within(breaks_ms, rows.at_ms, DAY_MS)
    for place in sorted(past.clothing_ms):
        yield minutes_since(past.clothing_ms[place], rows.at_ms) * MINUTE_MS / DAY_MS


def _tag_columns(sums: _Sums, places: _Places, settings: RiskSettings) -> Iterator[Floats]:
    yield sums.last[places.here]
    for window in settings.windows_min:
        yield from sums.window(np.maximum(places.here - window + 1, places.begin), places.here)
    yield _away(sums, places, *_run_normal(sums, places), settings)
    yield _away(sums, places, *_grade_normal(sums, places), settings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """Sums of one tag up to each minute, from which every trailing window follows by one subtraction.

    A minute without a sample holds the value before it. Values are taken relative to the tag's first value, so that
    sums of squares keep their digits; the first value is part of the past at every minute.
    """

    origin: float
    last: Floats
    known: Floats
    total: Floats
    square: Floats
    moment: Floats

    @classmethod
    def of(cls, minutes: Minutes, tag: int) -> _Sums:
        held = _held(minutes.mean[tag])
        some = ~np.isnan(held)
        origin = float(held[some.argmax()]) if some.any() else 0.0
        level = np.where(some, held - origin, 0.0)
        within = np.nan_to_num(minutes.variance[tag])
        return cls(
            origin=origin,
            last=_held(minutes.last[tag]),
            known=_upto(some.astype(np.float64)),
            total=_upto(level),
            square=_upto(level**2 + within),
            moment=_upto(level * np.arange(len(level))),
        )

    def window(self, first: Ints, last: Ints) -> tuple[Floats, Floats, Floats]:
        """Mean, spread and slope over whole minutes ``first`` to ``last``, both included; NaN where not all known."""
        count = (last - first + 1).astype(np.float64)
        total = self.total[last + 1] - self.total[first]
        mean = total / count
        variance = (self.square[last + 1] - self.square[first]) / count - mean**2
        about_middle = self.moment[last + 1] - self.moment[first] - total * (first + last) / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(count > 2, about_middle / (count * (count**2 - 1) / 12), np.nan)
        gone = self.known[last + 1] - self.known[first] < count
        out = (mean + self.origin, np.sqrt(np.maximum(variance, 0.0)), slope)
        return tuple(np.where(gone, np.nan, x) for x in out)  # type: ignore[return-value]  # three in, three out


def _run_normal(sums: _Sums, places: _Places) -> tuple[Floats, Floats, Floats]:
    """Count, sum and sum of squares of the steady minutes of this grade run so far."""
    first, end = places.run_start, np.maximum(places.settled, places.run_start)
    level = np.diff(sums.total)
    found = (_upto(places.steady * level**power) for power in range(3))
    count, total, square = (upto[end] - upto[first] for upto in found)
    return count, total, square


def _grade_normal(sums: _Sums, places: _Places) -> tuple[Floats, Floats, Floats]:
    """Count, sum and sum of squares of the steady minutes of this grade so far, in all its runs."""
    level = np.diff(sums.total)
    found = np.zeros((3, len(places.here)))
    for grade in np.unique(places.run_grade):
        rows = places.run_grade == grade
        counts = places.steady * (places.minute_grade == grade)
        for power in range(3):
            found[power, rows] = _upto(counts * level**power)[places.settled[rows]]
    return found[0], found[1], found[2]


def _away(sums: _Sums, places: _Places, count: Floats, total: Floats, square: Floats, settings: RiskSettings) -> Floats:
    """How far the level of the last 15 minutes is from a normal, in the normal's own standard deviations."""
    some = np.maximum(count, 1.0)
    normal = total / some
    spread = np.sqrt(np.maximum(square / some - normal**2, 0.0))
    level = sums.window(np.maximum(places.here - STEADY_MIN + 1, places.begin), places.here)[0] - sums.origin
    floor = 1e-6 * (abs(sums.origin) + np.abs(normal)) + 1e-12
    away = (level - normal) / np.maximum(spread, floor)
    return np.where(count >= settings.normal_after_min, away.clip(-WIDEST, WIDEST), np.nan)


def _upto(values: Floats) -> Floats:
    """Sum of all values before each position: one longer than the values, beginning with 0."""
    return np.concatenate(([0.0], np.cumsum(values)))


def _held(values: Floats) -> Floats:
    """Each missing value replaced by the newest one before it; NaN before the first."""
    newest = np.maximum.accumulate(np.where(np.isnan(values), -1, np.arange(len(values))))
    return np.where(newest >= 0, values[newest], np.nan)
