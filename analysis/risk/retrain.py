"""Whether a model made anew is better than the one at work, on days that neither has seen; and the change of file."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.result import count, signed
from analysis.risk.card import Card, save
from analysis.risk.exposure import Exposure
from analysis.risk.judge import REPEATS
from analysis.risk.model import chance
from analysis.risk.rows import DAY_MS, Floats, Ints
from analysis.risk.score import Interval, Resampling, spread_of
from analysis.risk.warn import fates, level_for_budget, shifts_in, silent, warned_breaks, warning_rows

LEAST_BREAKS = 8
"""With fewer breaks in the held-out days nobody can say which model is better."""


class TooSoon(Exception):
    """There are too few days that the model at work has not learnt from; the message says how many there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneSide:
    """How one model did on the held-out days.

    loss
        Mean of minus the log of the chance given to what happened, per minute with a known outcome; lower is better.
    warned
        Breaks warned of in time at the level that just meets the budget, chosen in hindsight for both alike.
    """

    model_id: str
    loss: float
    warned: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Old and new on the same minutes, all of them after what either had learnt from.

    difference
        Loss of the new less that of the old, with a 95 % interval from days drawn again: below 0 the new is better.
    """

    from_ms: int
    to_ms: int
    breaks: int
    old: OneSide
    new: OneSide
    difference: Interval

    @property
    def not_worse(self) -> bool:
        """Whether the new model may take the place of the old one without being asked."""
        return self.difference.value <= 0

    @property
    def sentence(self) -> str:
        """Which is better, and how sure that is."""
        days = (self.to_ms - self.from_ms) / DAY_MS
        better = "better than" if self.not_worse else "worse than"
        d = self.difference
        more, low, high = (signed(f"{x:+.4f}") for x in (d.value, d.low, d.high))
        sure = "beyond luck" if d.low > 0 or d.high < 0 else "which may be luck"
        return (
            f"Made anew, the model is {better} the one at work, {sure}, on {days:.0f} days that neither has learnt "
            f"from: log loss a minute {self.new.loss:.4f} against {self.old.loss:.4f} (difference {more}, "
            f"95 % interval {low} to {high}); of {self.breaks} breaks it would have warned of "
            f"{self.new.warned} at the budget, the other of {self.old.warned}."
        )


def held_out_from(old: Card, exposure: Exposure, days: int) -> int:
    """Where the held-out days begin. [ms]

    They are the newest, as many as asked for, but no more than half of those that the old model has not learnt from:
    from the other half the new one has something to learn that the old one did not know.

    Raises
    ------
    TooSoon
        If they hold too few breaks.
    """
    newest = int(exposure.rows.at_ms[-1])
    unknown_ms = max(newest - old.to_ms, 0)
    from_ms = newest - min(days * DAY_MS, unknown_ms // 2)
    held = int((exposure.breaks.started_ms > from_ms).sum())
    if held < LEAST_BREAKS:
        raise TooSoon(
            f"{unknown_ms / DAY_MS:.1f} days since the model at work was fitted are too few: half of them, or fewer if "
            f"--hold-out says so, hold {count(held, 'primary break')}; it takes {LEAST_BREAKS} to tell which model "
            "is better"
        )
    return from_ms


def compare(old: Card, new: Card, exposure: Exposure, from_ms: int) -> Comparison:
    """Both models on the rows of an exposure table from an instant on."""
    rows = exposure.rows
    held = np.flatnonzero(rows.at_ms >= from_ms)
    decided = held[rows.outcome[held] >= 0]
    losses = [_losses(card, exposure, decided) for card in (old, new)]
    days = Resampling.of(rows.at_ms[decided] // DAY_MS, REPEATS, exposure.settings.seed)
    apart = losses[1] - losses[0]
    again = days.sums(apart) / days.sums(np.ones(len(decided)))
    return Comparison(
        from_ms=from_ms,
        to_ms=int(rows.at_ms[-1]),
        breaks=int((exposure.breaks.started_ms > from_ms).sum()),
        old=OneSide(model_id=old.model_id, loss=float(losses[0].mean()), warned=_warned(old, exposure, held)),
        new=OneSide(model_id=new.model_id, loss=float(losses[1].mean()), warned=_warned(new, exposure, held)),
        difference=spread_of(float(apart.mean()), again),
    )


def put_in_place(card: Card, file: Path) -> Path | None:
    """Make a model the one at work, in one step; the one before stays beside it. Gives where; None for the first."""
    file.parent.mkdir(parents=True, exist_ok=True)
    kept = file.with_name(f"{file.stem}.previous{file.suffix}")
    if not file.exists():
        save(card, file)
        return None
    # The old one is copied first: at every instant there is a whole model under the name that is read.
    spare = kept.with_name(kept.name + ".new")
    shutil.copyfile(file, spare)
    os.replace(spare, kept)
    save(card, file)
    return kept


def _losses(card: Card, exposure: Exposure, rows: Ints) -> Floats:
    said = chance(card.model.bound_to(exposure.features).score(exposure.values[rows])).clip(1e-12, 1 - 1e-12)
    losses: Floats = -np.where(exposure.rows.outcome[rows] == 1, np.log(said), np.log1p(-said))
    return losses


def _warned(card: Card, exposure: Exposure, held: Ints) -> int:
    rows, settings = exposure.rows.take(held), exposure.settings
    score = card.model.bound_to(exposure.features).score(exposure.values[held])
    quiet = silent(rows, exposure.grade_changes_ms, settings)
    span = shifts_in(int(rows.at_ms[0]), int(rows.at_ms[-1]), settings.shift_h)
    level = level_for_budget(score, rows, quiet, span, settings)
    found = warning_rows(score, rows, quiet, level, settings)
    return len(warned_breaks(fates(found, rows, exposure.breaks, settings)))
