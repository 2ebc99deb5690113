"""Running sums of the tags, from which every trailing window follows: the only place that says what they were doing.

However the minutes are cut into pieces, every row comes out the same to the last bit: each sum goes on from where it
was. So a replay that reads fifteen days at a time and a scorer that reads one minute at a time say the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Floats, Ints, Past, Rows
from analysis.risk.settings import MINUTE_MS, RiskSettings
from analysis.risk.windows import STEADY_MIN, WIDEST, Minutes

Triple = tuple[Floats, Floats, Floats]


class Trail:
    """What of the past must be kept to say what is known at the minutes to come: the last hour, and the normals."""

    def __init__(self, *, tags: int, first: int, settings: RiskSettings) -> None:
        """Nothing is known yet; ``first`` is the number of the first minute since 1970 that will be given."""
        self.next = first
        self._first = self._base = first
        self._settings = settings
        self._kept = max(*settings.windows_min, STEADY_MIN)
        self._mean, self._last, self._origin = (np.full(tags, np.nan) for _ in range(3))
        self._newest = np.empty((tags, 0))
        self._known, self._total, self._square, self._moment = (np.zeros((tags, 1)) for _ in range(4))
        self._normals: dict[str | None, Floats] = {}
        self._running = np.zeros((3, tags, 1))
        self._run_mark = np.zeros((3, tags))

    def extend(self, minutes: Minutes, rows: Rows, past: Past) -> NDArray[np.float32]:
        """What the tags were doing at each row, shape (rows, tag features), in the order of ``features_of``.

        minutes
            The next piece: it begins at ``next``.
        rows
            Those whose minute lies in the piece.
        past
            Grade runs up to the last row at least; what it knows of later ones changes nothing.
        """
        if minutes.first != self.next:
            raise ValueError(f"the piece begins at minute {minutes.first}, not at {self.next}")
        level = self._take(minutes)
        run = np.searchsorted(past.grade_runs_ms, rows.at_ms - MINUTE_MS, side="right") - 1
        grades = [past.grades[n] if n >= 0 else None for n in run]
        self._take_steady(level, rows, grades)
        self.next += minutes.mean.shape[1]
        table = self._table(rows, run, grades, past)
        self._trim(past)
        return table

    def _take(self, minutes: Minutes) -> Floats:
        """Add the piece to the sums; gives each tag's level above its first value, 0 where not yet known."""
        held = _held(minutes.mean, self._mean)
        known = ~np.isnan(held)
        fresh = np.isnan(self._origin) & known.any(axis=1)
        self._origin[fresh] = held[fresh, known[fresh].argmax(axis=1)]
        level = np.where(known, held - self._origin[:, None], 0.0)
        within = np.nan_to_num(minutes.variance)
        place = np.arange(minutes.first - self._first, minutes.first - self._first + held.shape[1])
        newest = _held(minutes.last, self._last)
        self._newest = np.concatenate([self._newest, newest], axis=1)
        self._known = _go_on(self._known, known)
        self._total = _go_on(self._total, level)
        self._square = _go_on(self._square, level**2 + within)
        self._moment = _go_on(self._moment, level * place)
        if held.shape[1]:
            self._mean, self._last = held[:, -1], newest[:, -1]
        return level

    def _take_steady(self, level: Floats, rows: Rows, grades: list[str | None]) -> None:
        """Add the steady minutes to the normals: the rows' own, well after a restart."""
        here = rows.minute - self.next
        steady = np.zeros(level.shape[1])
        steady[here] = 1.0
        powers = np.stack([np.ones_like(level), level, level**2])
        self._running = _go_on(self._running, steady * powers)
        for grade in {*grades} - {*self._normals}:
            self._normals[grade] = np.zeros((*self._run_mark.shape, self._running.shape[2] - level.shape[1]))
        of_row = np.array(grades, dtype=object)
        for grade, sums in self._normals.items():
            counts = np.zeros(level.shape[1])
            counts[here[of_row == grade]] = 1.0
            self._normals[grade] = _go_on(sums, counts * powers)

    def _table(self, rows: Rows, run: Ints, grades: list[str | None], past: Past) -> NDArray[np.float32]:
        here, begin = rows.minute - self._base, np.maximum(rows.since_minute - self._base, 0)
        settled = np.maximum(here - STEADY_MIN + 1, 0)
        windows = [self._window(np.maximum(here - width + 1, begin), here) for width in self._settings.windows_min]
        level = self._window(np.maximum(here - STEADY_MIN + 1, begin), here)[0]
        of_run = self._of_run(run, settled, past)
        of_grade = self._of_grade(grades, settled)
        columns = [self._newest[:, here]]
        for window in windows:
            columns += window
        columns += [self._away(level, of_run), self._away(level, of_grade)]
        table = np.stack(columns, axis=1).astype(np.float32)
        return table.reshape(table.shape[0] * table.shape[1], len(rows)).T

    def _window(self, first: Ints, last: Ints) -> Triple:
        """Mean, spread and slope over minutes ``first`` to ``last``, both included; NaN where not all are known."""
        count = (last - first + 1).astype(np.float64)
        total = self._total[:, last + 1] - self._total[:, first]
        mean = total / count
        variance = (self._square[:, last + 1] - self._square[:, first]) / count - mean**2
        middle = (first + last) / 2 + (self._base - self._first)
        about_middle = self._moment[:, last + 1] - self._moment[:, first] - total * middle
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(count > 2, about_middle / (count * (count**2 - 1) / 12), np.nan)
        gone = self._known[:, last + 1] - self._known[:, first] < count
        parts = (mean + self._origin[:, None], np.sqrt(np.maximum(variance, 0.0)), slope)
        mean, spread, slope = (np.where(gone, np.nan, part) for part in parts)
        return mean, spread, slope

    def _of_run(self, run: Ints, settled: Ints, past: Past) -> Floats:
        """Count, sum and sum of squares of the steady minutes of each row's grade run so far."""
        start = _run_starts(past)[run] - self._base
        inside = np.maximum(start, 0)
        before = np.where(start < 0, self._run_mark[:, :, None], self._running[:, :, inside])
        end = np.maximum(settled, inside)
        return self._running[:, :, end] - before

    def _of_grade(self, grades: list[str | None], settled: Ints) -> Floats:
        """The same of each row's grade so far, in all its runs."""
        found = np.zeros((*self._run_mark.shape, len(grades)))
        of_row = np.array(grades, dtype=object)
        for grade in {*grades}:
            rows = np.flatnonzero(of_row == grade)
            found[:, :, rows] = self._normals[grade][:, :, settled[rows]]
        return found

    def _away(self, mean: Floats, sums: Floats) -> Floats:
        """How far the level of the last minutes is from a normal, in the normal's own standard deviations."""
        count, total, square = sums
        some = np.maximum(count, 1.0)
        normal = total / some
        spread = np.sqrt(np.maximum(square / some - normal**2, 0.0))
        origin = self._origin[:, None]
        floor = 1e-6 * (np.abs(origin) + np.abs(normal)) + 1e-12
        away = (mean - origin - normal) / np.maximum(spread, floor)
        return np.where(count >= self._settings.normal_after_min, away.clip(-WIDEST, WIDEST), np.nan)

    def _trim(self, past: Past) -> None:
        """Forget all but the longest window before ``next``, and mark where the grade run in force there began."""
        cut = max(self.next - self._kept - self._base, 0)
        starts = _run_starts(past)[:-1] - self._base
        begun = int(np.searchsorted(starts, cut, side="left")) - 1
        if begun >= 0 and starts[begun] >= 0:
            self._run_mark = self._running[:, :, starts[begun]].copy()
        self._base += cut
        self._newest = self._newest[:, cut:].copy()
        self._known, self._total, self._square, self._moment = (
            sums[:, cut:].copy() for sums in (self._known, self._total, self._square, self._moment)
        )
        self._running = self._running[:, :, cut:].copy()
        self._normals = {grade: sums[:, :, cut:].copy() for grade, sums in self._normals.items()}


@dataclass(frozen=True, slots=True)
class Piece:
    """Some minutes, and the rows among them by number: from ``start`` up to ``end``."""

    minutes: Minutes
    start: int
    end: int


def pieces_of(minutes: Minutes, rows: Rows, length: int) -> Iterator[Piece]:
    """Cut minutes into pieces of at most ``length``, each with its rows."""
    whole = minutes.mean.shape[1]
    for begin in range(0, whole, length):
        end = min(begin + length, whole)
        part = Minutes(
            first=minutes.first + begin,
            tags=minutes.tags,
            units=minutes.units,
            mean=minutes.mean[:, begin:end],
            variance=minutes.variance[:, begin:end],
            last=minutes.last[:, begin:end],
        )
        start, stop = np.searchsorted(rows.minute, [minutes.first + begin, minutes.first + end])
        yield Piece(part, int(start), int(stop))


def _run_starts(past: Past) -> Ints:
    """The minute in which each grade run began, and last that of what was before the first: long ago."""
    return np.append(past.grade_runs_ms // MINUTE_MS, np.iinfo(np.int32).min)


def _go_on(sums: Floats, values: NDArray[np.float64] | NDArray[np.bool_]) -> Floats:
    """Sums up to each position, continued over more values (last axis), one after the other as if never cut."""
    more = np.cumsum(np.concatenate([sums[..., -1:], values], axis=-1), axis=-1)
    return np.concatenate([sums, more[..., 1:]], axis=-1)


def _held(values: Floats, before: Floats) -> Floats:
    """Each missing value replaced by the newest one before it in its row; ``before`` is that of the piece before."""
    known = np.concatenate([before[:, None], values], axis=1)
    newest = np.maximum.accumulate(np.where(np.isnan(known), 0, np.arange(known.shape[1])), axis=1)
    return np.take_along_axis(known, newest, axis=1)[:, 1:]
