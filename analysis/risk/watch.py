"""One machine under one model, minute by minute, as the published store grows: the same rows as a replay's."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import duckdb
import numpy as np
from numpy.typing import NDArray

from analysis.risk.card import Card
from analysis.risk.exposure import (
    BEFORE_MINUTES,
    PIECE_MINUTES,
    SLICE_MINUTES,
    NothingToLearn,
    read_losses,
    read_minutes,
    read_on_reel,
    read_past,
    read_span,
    read_state,
)
from analysis.risk.model import AdditiveModel, chance
from analysis.risk.rows import DAY_MS, Breaks, Floats, Ints, Loss, Past, Rows, primary_breaks, rows_of
from analysis.risk.settings import MINUTE_MS, RiskSettings
from analysis.risk.trail import Trail, pieces_of
from analysis.risk.warn import GivenWarning, fates, level_for_budget, shifts_in, silent, warning_rows
from analysis.risk.windows import Minutes, features_of, past_columns

NOTES_MS = 10 * MINUTE_MS
"""The crew's notes, which may change what a loss was, are read again so often. [ms]"""
SETTLE_MS = 5_000
"""A minute is scored once there are data of so much later: what was still waiting for its order (1 s) or had to last
(2 s) is decided by then. [ms]"""


class UnfitModel(Exception):
    """The model uses something that this store does not have, such as a clothing position; fit it again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """All minutes that a model has scored, in order of time.

    values
        What was known of each of the model's factors, shape (rows, terms).
    score, level
        Log-odds said of each row, and from which a warning was due at it.
    newest
        Number of the newest whole minute that was looked at, with the sheet on the reel or not. [min]
    state, since_ms, last_ms
        What the machine is doing, since when, and the time of its newest data.
    """

    rows: Rows
    breaks: Breaks
    quiet: NDArray[np.bool_]
    values: NDArray[np.float32]
    score: Floats
    level: Floats
    newest: int
    state: str
    since_ms: int
    last_ms: int

    @property
    def at_ms(self) -> int:
        """End of the newest whole minute. [ms]"""
        return (self.newest + 1) * MINUTE_MS

    @property
    def scored(self) -> bool:
        """Whether the newest minute itself was scored: the sheet has been on the reel for long enough."""
        return bool(len(self.rows)) and int(self.rows.minute[-1]) == self.newest

    def risk(self) -> Floats:
        """Chance of a break within the horizon, at each row."""
        return chance(self.score)

    def own(self, card: Card, from_ms: int = 0) -> Ints:
        """Rows after all that the model had learnt from, from an instant on, by number."""
        return np.flatnonzero((self.rows.at_ms > card.to_ms) & (self.rows.at_ms >= from_ms))

    def warnings(self, card: Card, from_ms: int = 0) -> list[GivenWarning]:
        """The warnings that were due at rows of its own, and what became of them; ``row`` counts all rows."""
        own, settings = self.own(card), card.settings
        above = self.score[own] - self.level[own]
        found = warning_rows(above, self.rows.take(own), self.quiet[own], 0.0, settings)
        return [w for w in fates(own[found].tolist(), self.rows, self.breaks, settings) if w.at_ms >= from_ms]


class _Grown:
    """Rows that are added to at their end without being copied each time; what was given out before stays as it was."""

    def __init__(self, width: int) -> None:
        self._rows = np.empty((1024, width), np.float32)
        self._count = 0

    def add(self, rows: NDArray[np.float32]) -> None:
        end = self._count + len(rows)
        if end > len(self._rows):
            wider = np.empty((2 * end, self._rows.shape[1]), np.float32)
            wider[: self._count] = self.all
            self._rows = wider
        self._rows[self._count : end] = rows
        self._count = end

    @property
    def all(self) -> NDArray[np.float32]:
        return self._rows[: self._count]


@dataclass(slots=True)
class _Kept:
    """What has been computed so far; arrays grow at their end."""

    trail: Trail
    model: AdditiveModel
    rows: Rows
    grade_runs_ms: Ints
    values: _Grown
    score: list[Floats] = field(default_factory=list)
    day_levels: dict[int, float] = field(default_factory=dict)


class Watch:
    """Scores each minute once, when it is whole, and keeps what it said.

    If the past that it has built on is corrected (a rebuild, history loaded, a note that takes back a break), it begins
    again from the first minute: a matter of seconds.
    """

    def __init__(self, card: Card) -> None:
        """Nothing is read before ``look``."""
        self.card = card
        self.settings: RiskSettings = card.settings
        self._tags = tuple(sorted({t.feature.tag for t in card.model.terms if t.feature.tag}))
        units = {t.feature.tag: t.feature.unit for t in card.model.terms if t.feature.stat == "mean"}
        self._units = tuple(units.get(tag, "") for tag in self._tags)
        self._kept: _Kept | None = None
        self._seen: Seen | None = None
        self._losses: tuple[Loss, ...] = ()
        self._losses_known: tuple[int, ...] = ()

    def look(self, con: duckdb.DuckDBPyConnection, *, until_ms: int | None = None) -> Seen:
        """Read what is new, score the whole minutes among it, and give all that was said.

        until_ms
            Nothing from then on is looked at: the store as it was. [ms]

        Raises
        ------
        NothingToLearn
            For a machine that was not yet on the reel since the model's first minute, or that the store does not know.
        UnfitModel
            Where the store lacks a factor.
        """
        machine = self.card.machine
        last_ms = read_span(con, machine).last_ms
        last_ms = last_ms if until_ms is None else min(last_ms, until_ms + SETTLE_MS)
        end_ms = (last_ms - SETTLE_MS) // MINUTE_MS * MINUTE_MS
        if self._seen is not None and self._seen.at_ms == end_ms:
            return replace(self._seen, last_ms=last_ms)
        losses = self._losses_by(con, end_ms)
        past = read_past(con, machine, from_ms=self.card.from_ms, until_ms=end_ms + 1, losses=losses)
        breaks = primary_breaks(past, self.settings)
        rows = rows_of(past, breaks, self.settings)
        if not len(rows):
            raise NothingToLearn(f"machine {machine!r} was never on the reel for {self.settings.quiet_on_reel_min} min")
        kept = self._fitting(rows, past)
        newest = max(end_ms // MINUTE_MS - 1, kept.trail.next - 1)
        score = self._score_up_to(newest, con, kept, rows, past)
        quiet = silent(rows, past.grade_changes_ms, self.settings)
        state, since_ms = _doing(con, machine, past, end_ms)
        self._seen = Seen(
            rows=rows,
            breaks=breaks,
            quiet=quiet,
            values=kept.values.all,
            score=score,
            level=self._levels(kept, score, rows, quiet),
            newest=newest,
            state=state,
            since_ms=since_ms,
            last_ms=last_ms,
        )
        return self._seen

    def _score_up_to(self, newest: int, con: duckdb.DuckDBPyConnection, kept: _Kept, rows: Rows, past: Past) -> Floats:
        """Score the minutes that are new, in slices, and give the score of every row."""
        for start in range(kept.trail.next, newest + 1, SLICE_MINUTES):
            end = min(start + SLICE_MINUTES - 1, newest)
            minutes = read_minutes(con, self.card.machine, self._tags, self._units, first=start, last=end)
            self._score(kept, minutes, rows, past)
        kept.rows, kept.grade_runs_ms = rows, past.grade_runs_ms
        score = np.concatenate(kept.score)
        kept.score = [score]
        return score

    def _losses_by(self, con: duckdb.DuckDBPyConnection, end_ms: int) -> tuple[Loss, ...]:
        """The losses up to a minute; read again when the sheet has been lost or come back, else for the crew's notes.

        It is the dearest of all reads by far, and nothing else can change it.
        """
        on_reel = read_on_reel(con, self.card.machine, until_ms=end_ms + 1)
        known = (len(on_reel), *on_reel[-1:, 0].tolist(), int((on_reel[-1:, 1] > end_ms).sum()), end_ms // NOTES_MS)
        if known != self._losses_known:
            self._losses = read_losses(con, self.card.machine, until_ms=end_ms + 1)
            self._losses_known = known
        return self._losses

    def _fitting(self, rows: Rows, past: Past) -> _Kept:
        """What was kept, if the past is still the one it was built on; otherwise a new beginning."""
        kept = self._kept
        if kept is None or not _goes_on(kept, rows, past):
            features = tuple(features_of(self._tags, self._units, past, self.settings))
            try:
                model = self.card.model.bound_to(features)
            except KeyError as error:
                raise UnfitModel(
                    f"the model uses {error.args[0]!r}, which the store does not have; fit it again with "
                    "'breakhorn risk fit'"
                ) from error
            first = int(rows.minute[0]) - BEFORE_MINUTES
            trail = Trail(tags=len(self._tags), first=first, settings=self.settings)
            nothing = np.empty(0, np.int64)
            none = rows.take(nothing)
            values = _Grown(len(model.terms))
            kept = _Kept(trail=trail, model=model, rows=none, grade_runs_ms=nothing, values=values)
            self._kept = kept
        return kept

    def _score(self, kept: _Kept, minutes: Minutes, rows: Rows, past: Past) -> None:
        """Score the rows of some minutes: this is all that is done anew each minute."""
        columns = [t.number for t in kept.model.terms]
        for piece in pieces_of(minutes, rows, PIECE_MINUTES):
            here = rows.take(np.arange(piece.start, piece.end))
            tags = kept.trail.extend(piece.minutes, here, past)
            facts = np.column_stack(list(past_columns(past, here))).astype(np.float32)
            known = np.concatenate([facts, tags], axis=1)
            kept.values.add(known[:, columns])
            kept.score.append(kept.model.score(known))

    def _levels(self, kept: _Kept, score: Floats, rows: Rows, quiet: NDArray[np.bool_]) -> Floats:
        """The level in force at each row: set at the beginning of its day (UTC), as in the judging."""
        day = rows.at_ms // DAY_MS
        for number in np.unique(day[rows.at_ms > self.card.to_ms]).tolist():
            if number not in kept.day_levels:
                kept.day_levels[number] = self._level(number * DAY_MS, score, rows, quiet)
        learnt = float(_log_odds(self.card.level))
        return np.array([kept.day_levels.get(n, learnt) for n in np.unique(day)])[_number(day)]

    def _level(self, now_ms: int, score: Floats, rows: Rows, quiet: NDArray[np.bool_]) -> float:
        """The level that would have kept the budget over the last days; the fitted one while they are too few."""
        settings = self.settings
        end_ms = now_ms - settings.horizon_ms
        from_ms = max(self.card.to_ms, end_ms - settings.level_days * DAY_MS)
        if end_ms - from_ms < settings.level_days * DAY_MS / 2:
            return float(_log_odds(self.card.level))
        recent = np.flatnonzero((rows.at_ms > from_ms) & (rows.at_ms <= end_ms))
        span = shifts_in(from_ms, end_ms, settings.shift_h)
        return level_for_budget(score[recent], rows.take(recent), quiet[recent], span, settings)


def _goes_on(kept: _Kept, rows: Rows, past: Past) -> bool:
    """Whether all that was scored is still a row, and no row has come up among it."""
    count, runs = len(kept.rows), len(kept.grade_runs_ms)
    return (
        len(rows) >= count
        and np.array_equal(rows.minute[:count], kept.rows.minute)
        and np.array_equal(rows.since_minute[:count], kept.rows.since_minute)
        and (len(rows) == count or int(rows.minute[count]) >= kept.trail.next)
        and np.array_equal(past.grade_runs_ms[:runs], kept.grade_runs_ms)
    )


def _doing(con: duckdb.DuckDBPyConnection, machine: str, past: Past, end_ms: int) -> tuple[str, int]:
    """State of the machine and since when, at the end of a minute."""
    if len(past.on_reel_ms) and int(past.on_reel_ms[-1, 1]) > end_ms:
        return "on_reel", int(past.on_reel_ms[-1, 0])
    return read_state(con, machine, until_ms=end_ms)


def _log_odds(risk: float) -> Floats:
    with np.errstate(divide="ignore"):
        odds: Floats = np.log(np.float64(risk)) - np.log1p(-np.float64(risk))
    return odds


def _number(day: Ints) -> Ints:
    return np.unique(day, return_inverse=True)[1]
