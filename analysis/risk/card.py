"""The model card: a fitted model as plain numbers with all that is known of it. Reading one runs no code."""

from __future__ import annotations

import hashlib
import os
import platform
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import msgspec
import numpy as np

from analysis.risk.contender import Contender
from analysis.risk.explain import Redrawn, drawn_again, redrawn, refits
from analysis.risk.exposure import Exposure
from analysis.risk.forecast import ADDITIVE, Walk, all_learnable, learn, one_thread
from analysis.risk.judge import Judgement
from analysis.risk.model import AdditiveModel, Calibration, chance
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import RiskSettings
from analysis.risk.warn import Fate

FORMAT = 3
MOST_BYTES = 50_000_000
"""A card takes less than a megabyte; what is so much larger is none, and is not read into memory. [bytes]"""
RECORD_DAYS = 30
RARE = 0.01
LEAST_OUTSIDE = 0.1
"""A minute with a larger share of factors beyond what was learnt from, or missing, is not scored; and one with a larger
share than all but a hundredth of the learning minutes had, if that is more."""


class BadCard(Exception):
    """The file is no model card of this version; fit the model again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """How one forecaster did in the judging; shares and chances as fractions, intervals 95 %."""

    name: str
    warned: float
    warned_low: float
    warned_high: float
    false_per_shift: float
    average_precision: float
    area: float
    brier_skill: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What warnings had been worth, in the last days before the model was fitted: of models made in the same way.

    from_ms, to_ms
        The days counted. [ms]
    warned, missed
        When the primary breaks began that were warned of in time, and those that were not. [ms]
    false, late, undecided
        When these warnings were given. [ms]
    """

    from_ms: int
    to_ms: int
    warned: tuple[int, ...]
    missed: tuple[int, ...]
    false: tuple[int, ...]
    late: tuple[int, ...]
    undecided: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A fitted model and where it comes from.

    made_ms, from_ms, to_ms
        When it was fitted, and the data it was fitted on. [ms since 1970-01-01 UTC]
    minutes, breaks
        How many learning minutes and primary breaks there were.
    level
        The risk from which a warning is due.
    verdict, live
        The first line of the judging, and whether live warnings may be given: only if it beats the plain rules.
    outside_limit
        A minute with a larger share of factors outside of what was learnt from, or missing, is not scored.
    record
        The newest judged days.
    redrawn
        The model fitted again on whole runs drawn with replacement, for the intervals of whatever is asked of it later.
    replaces
        Id of the model that it took the place of; empty for none.
    digest
        SHA-256 of all the rest: a file that was changed since it was written is refused.
    """

    format: int
    machine: str
    made_ms: int
    from_ms: int
    to_ms: int
    minutes: int
    breaks: int
    base_rate: float
    settings: RiskSettings
    penalty: float
    calibration: Calibration
    level: float
    verdict: str
    live: bool
    figures: tuple[Figures, ...]
    suspects: tuple[str, ...]
    versions: dict[str, str]
    model: AdditiveModel
    outside_limit: float
    record: Record
    redrawn: tuple[tuple[Redrawn, ...], ...] = ()
    replaces: str = ""
    digest: str = ""

    @property
    def model_id(self) -> str:
        """Names this very model wherever it speaks: the beginning of its digest."""
        return self.digest[:12]

    @property
    def again(self) -> list[AdditiveModel]:
        """The refits as models, whose differences count."""
        return drawn_again(self.model, self.redrawn)


def fit(exposure: Exposure, judgement: Judgement, *, made_ms: int, replaces: str = "") -> Card:
    """The model fitted on everything up to now, with what the judging said of models made in the same way."""
    rows, settings, walk = exposure.rows, exposure.settings, judgement.walk
    train = all_learnable(exposure)
    with one_thread():
        model = fitted(exposure, walk)
    card = Card(
        format=FORMAT,
        machine=exposure.machine,
        made_ms=made_ms,
        from_ms=int(rows.at_ms[0]),
        to_ms=int(rows.at_ms[-1]),
        minutes=len(train),
        breaks=len(exposure.breaks),
        base_rate=float(rows.outcome[train].mean()),
        settings=settings,
        penalty=walk.penalty,
        calibration=walk.line,
        level=float(chance(np.array(walk.level))),
        verdict=judgement.verdict.sentence,
        live=judgement.verdict.beats,
        figures=tuple(_figures(c) for c in judgement.contenders),
        suspects=judgement.suspects,
        versions=_versions(),
        model=model,
        outside_limit=max(LEAST_OUTSIDE, float(np.quantile(model.outside(exposure.values[train]), 1 - RARE))),
        record=_record(exposure, judgement),
        redrawn=redrawn(refits(exposure, model, walk.penalty, walk.line.slope)),
        replaces=replaces,
    )
    return sealed(card)


def sealed(card: Card) -> Card:
    """The same card with the digest of what it says."""
    return replace(card, digest=_digest(card))


def fitted(exposure: Exposure, walk: Walk) -> AdditiveModel:
    """The additive model of all rows, with the penalty and calibration that the walk forward ended with."""
    rows, settings = exposure.rows, exposure.settings
    train = all_learnable(exposure)
    laid, _ = learn(exposure, train)
    weight = settings.thin / settings.horizon_min
    models = laid.fit(rows.outcome[train], exposure.features, weight=weight, penalties=(walk.penalty,))
    return models[0].calibrated(walk.line)


def save(card: Card, path: Path) -> None:
    """Write a card as JSON, whole or not at all."""
    unfinished = path.with_name(path.name + ".new")
    unfinished.write_bytes(msgspec.json.format(msgspec.json.encode(card), indent=1))
    os.replace(unfinished, path)


def load(path: Path) -> Card:
    """Read a card. It is checked field by field against its types and by its digest; nothing in it is executed.

    The digest tells a file that was damaged or changed by hand; against somebody who means harm and can compute one,
    the rights to the folder must guard, and then too a card can do no more than say a wrong number.

    Raises
    ------
    BadCard
        For anything that is not a card of this format, just as it was written.
    """
    again = "fit the model again with 'breakhorn risk fit'"
    if path.stat().st_size > MOST_BYTES:
        raise BadCard(f"{path}: is larger than any model; {again}")
    content = path.read_bytes()
    try:
        made_for = msgspec.json.decode(content, type=_Format).format
        if made_for != FORMAT:
            raise BadCard(f"{path}: format {made_for}, not {FORMAT}; {again}")
        card = msgspec.json.decode(content, type=Card)
    except (msgspec.DecodeError, ValueError) as error:
        raise BadCard(f"{path}: is no model of Breakhorn ({error}); {again}") from error
    if card.digest != _digest(card):
        raise BadCard(f"{path}: was changed after it was written; {again}")
    return card


@dataclass(frozen=True, slots=True)
class _Format:
    """The one field that cards of all versions have."""

    format: int


def _digest(card: Card) -> str:
    return hashlib.sha256(msgspec.json.encode(replace(card, digest=""))).hexdigest()


def _record(exposure: Exposure, judgement: Judgement) -> Record:
    """The last judged days of the additive model."""
    from_ms = max(judgement.from_ms, judgement.to_ms - RECORD_DAYS * DAY_MS)
    ours, started = judgement.named(ADDITIVE), exposure.breaks.started_ms
    newest = [int(n) for n in judgement.judged if started[n] >= from_ms]
    given = [w for w in ours.warnings if w.at_ms >= from_ms]

    def times(fate: Fate) -> tuple[int, ...]:
        return tuple(w.at_ms for w in given if w.fate is fate)

    return Record(
        from_ms=from_ms,
        to_ms=judgement.to_ms,
        warned=tuple(int(started[n]) for n in newest if n in ours.hits),
        missed=tuple(int(started[n]) for n in newest if n not in ours.hits),
        false=times(Fate.FALSE),
        late=times(Fate.LATE),
        undecided=times(Fate.UNDECIDED),
    )


def _figures(c: Contender) -> Figures:
    return Figures(
        name=c.name,
        warned=c.warned.value,
        warned_low=c.warned.low,
        warned_high=c.warned.high,
        false_per_shift=c.false_per_shift,
        average_precision=c.average_precision.value,
        area=c.area.value,
        brier_skill=None if c.skill is None else c.skill.value,
    )


def _versions() -> dict[str, str]:
    names = ("numpy", "scipy", "scikit-learn", "duckdb")
    return {"python": platform.python_version()} | {name: version(name) for name in names}
