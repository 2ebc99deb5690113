"""The model card: a fitted model as plain numbers with all that is known of it. Reading one runs no code."""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import msgspec
import numpy as np

from analysis.risk.exposure import Exposure
from analysis.risk.forecast import Walk, all_learnable, learn, one_thread
from analysis.risk.judge import Contender, Judgement
from analysis.risk.model import AdditiveModel, Calibration, chance
from analysis.risk.settings import RiskSettings

FORMAT = 1


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


def fit(exposure: Exposure, judgement: Judgement, *, made_ms: int) -> Card:
    """The model fitted on everything up to now, with what the judging said of models made in the same way."""
    rows, settings, walk = exposure.rows, exposure.settings, judgement.walk
    train = all_learnable(exposure)
    with one_thread():
        model = fitted(exposure, walk)
    return Card(
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
    )


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
    """Read a card. It is checked field by field against its types; nothing in it is executed.

    Raises
    ------
    BadCard
        For anything that is not a card of this format.
    """
    try:
        card = msgspec.json.decode(path.read_bytes(), type=Card)
    except (msgspec.DecodeError, ValueError) as error:
        raise BadCard(f"{path}: {error}; fit the model again with 'breakhorn risk fit'") from error
    if card.format != FORMAT:
        raise BadCard(f"{path}: format {card.format}, not {FORMAT}; fit the model again with 'breakhorn risk fit'")
    return card


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
