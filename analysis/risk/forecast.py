"""Walks forward through the blocks: learns from what lies before each, foretells it, never looks back to improve."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.choose import Screened, pick, screen
from analysis.risk.exposure import Exposure
from analysis.risk.model import (
    PENALTIES,
    AdditiveModel,
    Calibration,
    Design,
    calibrate,
    chance,
    design,
    fit_boosted,
)
from analysis.risk.rows import DAY_MS, Floats, Ints
from analysis.risk.score import log_loss
from analysis.risk.split import Block, forward_blocks, learnable
from analysis.risk.warn import level_for_budget, shifts_in, silent
from analysis.risk.windows import Feature

ADDITIVE = "additive model"
BOOSTED = "boosted challenger"
CHANCE = "chance (base rate)"
RESTART = "minutes since restart"
RECENT = "breaks in the last 24 h"
BEST_TAG = "best single tag"
RULES = (CHANCE, RESTART, RECENT, BEST_TAG)

CHALLENGER_FEATURES = 30
TOO_GOOD = 0.95
"""A single feature that ranks the minutes before breaks this well rather shows breaks than foresees them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """What was learnt before one block.

    additive
        The models for each penalty, uncalibrated.
    base
        Share of learning minutes before a break.
    suspects
        Features too good to be true.
    """

    block: Block
    additive: tuple[AdditiveModel, ...]
    base: float
    best: Screened | None
    suspects: tuple[Feature, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One forecaster on the forward rows: its scores, and the warning level in force at each of them."""

    name: str
    score: Floats
    level: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """Forecasts of all judged rows, each by what was learnt before its block.

    numbers
        Row numbers in the exposure table, in order of time.
    block
        Which block each belongs to, from 1; block 0 is the warm-up and is not among them.
    base
        Base rate known at the time.
    models
        The additive model that foretold each block, calibrated: contributions and base add up to its scores.
    penalty, line, level
        What would be taken now, after all blocks: penalty, calibration and warning level of the additive model.
    """

    numbers: Ints
    block: Ints
    base: Floats
    told: tuple[Told, ...]
    learnt: tuple[Learnt, ...]
    models: tuple[AdditiveModel, ...]
    penalty: float
    line: Calibration
    level: float


def walk(exposure: Exposure, *, challenger: bool = True) -> Walk:
    """Learn and foretell, block by block. Raises TooFewBreaks where there is nothing to judge.

    challenger
        Whether the boosted model takes part.
    """
    blocks = forward_blocks(exposure.rows, exposure.breaks, exposure.settings)
    forward = _Forward(exposure, blocks, challenger=challenger)
    with one_thread():
        for number, block in enumerate(blocks):
            forward.learn(number, block)
    return forward.result()


def one_thread() -> AbstractContextManager[object]:
    """Keep the numerical libraries to one thread.

    On a busy machine their threads wait for each other, and it took ten times as long; and the collector keeps the
    other core.
    """
    import scipy.linalg  # noqa: F401, PLC0415  only what is loaded can be limited
    import sklearn.ensemble  # noqa: F401, PLC0415
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # noqa: PLC0415  as scikit-learn

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def learn(exposure: Exposure, train: Ints) -> tuple[Design, list[Screened]]:
    """Choose features from the learning rows and spread them out, ready for any penalty."""
    values, rows = exposure.values[train], exposure.rows
    screened = screen(values, rows.outcome[train], rows.next_break[train])
    columns, bent = pick(screened, values, exposure.features, exposure.settings.most_features)
    return design(values, columns, bent), screened


def thinned(exposure: Exposure, numbers: Ints) -> Ints:
    """Every ``thin``-th minute of some rows."""
    some: Ints = numbers[exposure.rows.minute[numbers] % exposure.settings.thin == 0]
    return some


def all_learnable(exposure: Exposure) -> Ints:
    """The rows a model learns from that is to be used from now on."""
    rows, purge_ms = exposure.rows, exposure.settings.purge_ms
    return thinned(exposure, learnable(rows, int(rows.at_ms[-1]) + purge_ms, purge_ms))


class _Forward:
    """The state of a walk. Raw scores of all blocks so far are kept, for they set calibration and level of the next."""

    def __init__(self, exposure: Exposure, blocks: list[Block], *, challenger: bool) -> None:
        self.exposure = exposure
        self.rows = exposure.rows
        self.settings = exposure.settings
        self.blocks = blocks
        self.models_told = (ADDITIVE, BOOSTED) if challenger else (ADDITIVE,)
        self.quiet = silent(self.rows, exposure.grade_changes_ms, self.settings)
        count = len(self.rows)
        self.raw = np.full((len(PENALTIES) + 1, count), np.nan)
        self.score = {name: np.full(count, np.nan) for name in (*self.models_told, *RULES)}
        self.level = {name: np.full(count, np.inf) for name in self.score}
        self.base = np.full(count, np.nan)
        self.learnt: list[Learnt] = []
        self.models: list[AdditiveModel] = []
        self.luck = np.random.default_rng(self.settings.seed).random(count)

    def learn(self, number: int, block: Block) -> None:
        train = thinned(self.exposure, block.train)
        laid, screened = learn(self.exposure, train)
        outcome, features = self.rows.outcome[train], self.exposure.features
        weight = self.settings.thin / self.settings.horizon_min
        additive = laid.fit(outcome, features, weight=weight, penalties=PENALTIES)
        self._foretell(block, train, additive, screened)
        self.base[block.test] = outcome.mean()
        self._keep(block, additive, float(outcome.mean()), screened)
        if number > 0:
            self._models(block)
            self._rules(block, screened)

    def _foretell(
        self, block: Block, train: Ints, additive: tuple[AdditiveModel, ...], screened: list[Screened]
    ) -> None:
        values = self.exposure.values[block.test]
        for n, model in enumerate(additive):
            self.raw[n, block.test] = model.score(values)
        if BOOSTED in self.models_told:
            strongest = [s.number for s in screened[:CHALLENGER_FEATURES]]
            known, outcome = self.exposure.values[train], self.rows.outcome[train]
            boosted = fit_boosted(known, outcome, strongest, seed=self.settings.seed)
            self.raw[-1, block.test] = boosted(values)

    def _keep(self, block: Block, additive: tuple[AdditiveModel, ...], base: float, screened: list[Screened]) -> None:
        features = self.exposure.features
        tags = [s for s in screened if features[s.number].tag is not None]
        suspects = tuple(features[s.number] for s in tags if abs(s.area - 0.5) >= TOO_GOOD - 0.5)
        best = max(tags, key=lambda s: abs(s.area - 0.5), default=None)
        self.learnt.append(Learnt(block=block, additive=additive, base=base, best=best, suspects=suspects))

    def _models(self, block: Block) -> None:
        past = self._foretold_before(block.from_ms)
        penalty = self._penalty(past)
        line = self._tell(ADDITIVE, self.raw[penalty], block, past)
        self.models.append(self.learnt[-1].additive[penalty].calibrated(line))
        if BOOSTED in self.models_told:
            self._tell(BOOSTED, self.raw[-1], block, past)

    def _tell(self, name: str, raw: Floats, block: Block, past: Ints) -> Calibration:
        line = self._line(raw, past)
        self.score[name][block.test] = line(raw[block.test])
        self.level[name][block.test] = self._daily_levels(line(raw), block.test, np.flatnonzero(~np.isnan(raw)))
        return line

    def _rules(self, block: Block, screened: list[Screened]) -> None:
        values, test = self.exposure.values, block.test
        everything = np.arange(len(self.rows))
        past = np.flatnonzero(self.rows.at_ms <= block.from_ms - self.settings.purge_ms)
        area = {s.number: s.area for s in screened}
        names = [f.stat if f.tag is None else "" for f in self.exposure.features]
        best = self.learnt[-1].best
        rules = {
            RESTART: names.index("minutes since the sheet's return"),
            RECENT: names.index("breaks in the last 24 h"),
        } | ({BEST_TAG: best.number} if best else {})
        for name, number in rules.items():
            high = area.get(number, 0.5) >= 0.5
            score = _percentile(values[:, number], past, high=high)
            self.score[name][test] = score[test]
            self.level[name][test] = self._daily_levels(score, test, everything)
        self.score[CHANCE][test] = self.luck[test]
        self.level[CHANCE][test] = self._daily_levels(self.luck, test, everything)
        if best is None:
            self.score[BEST_TAG][test] = 0.5

    def _foretold_before(self, at_ms: int) -> Ints:
        known = ~np.isnan(self.raw[0]) & (self.rows.at_ms <= at_ms - self.settings.purge_ms)
        return np.flatnonzero(known)

    def _penalty(self, past: Ints) -> int:
        decided = past[self.rows.outcome[past] >= 0]
        if not len(decided):
            return 0
        losses = [log_loss(self.rows.outcome[decided], chance(raw[decided])) for raw in self.raw[:-1]]
        return int(np.argmin(losses))

    def _line(self, raw: Floats, past: Ints) -> Calibration:
        decided = past[self.rows.outcome[past] >= 0]
        if not len(decided):
            return Calibration()
        return calibrate(raw[decided], self.rows.outcome[decided])

    def _daily_levels(self, score: Floats, test: Ints, known: Ints) -> Floats:
        """The warning level in force at each row of ``test``, set at the beginning of its day (UTC)."""
        day = self.rows.at_ms[test] // DAY_MS
        days, number = np.unique(day, return_inverse=True)
        levels = np.array([self._level(score, known, int(d) * DAY_MS) for d in days])
        return levels[number]

    def _level(self, score: Floats, known: Ints, now_ms: int) -> float:
        """The level that would have kept the budget over the last days whose outcome is known by now."""
        at_ms = self.rows.at_ms[known]
        end_ms = now_ms - self.settings.horizon_ms
        recent = known[(at_ms <= end_ms) & (at_ms > end_ms - self.settings.level_days * DAY_MS)]
        if not len(recent):
            return float("inf")
        span = shifts_in(int(self.rows.at_ms[recent[0]]), end_ms, self.settings.shift_h)
        return level_for_budget(score[recent], self.rows.take(recent), self.quiet[recent], span, self.settings)

    def result(self) -> Walk:
        judged = np.concatenate([b.test for b in self.blocks[1:]])
        block = np.concatenate([np.full(len(b.test), n) for n, b in enumerate(self.blocks) if n > 0])
        everything = self._foretold_before(int(self.rows.at_ms[-1]) + self.settings.purge_ms)
        penalty = self._penalty(everything)
        line = self._line(self.raw[penalty], everything)
        told = tuple(
            Told(name=name, score=score[judged], level=self.level[name][judged]) for name, score in self.score.items()
        )
        return Walk(
            numbers=judged,
            block=block,
            base=self.base[judged],
            told=told,
            learnt=tuple(self.learnt),
            models=tuple(self.models),
            penalty=PENALTIES[penalty],
            line=line,
            level=self._level(line(self.raw[penalty]), everything, int(self.rows.at_ms[-1]) + self.settings.horizon_ms),
        )


def _percentile(column: NDArray[np.float32], past: Ints, *, high: bool) -> Floats:
    """Where each value stands among those of the past, from 0 to 1; missing ones in the middle."""
    known = np.sort(column[past][~np.isnan(column[past])])
    if not len(known):
        return np.full(len(column), 0.5)
    below = np.searchsorted(known, column, side="left") + np.searchsorted(known, column, side="right")
    share = np.where(np.isnan(column), 0.5, below / (2 * len(known)))
    return share if high else 1 - share
