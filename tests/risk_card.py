"""Model cards written by hand, for tests of what is done with a model: one tag, one straight line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.risk.card import FORMAT, Card, Record, sealed
from analysis.risk.model import AdditiveModel, Calibration, Term
from analysis.risk.settings import RiskSettings
from analysis.risk.windows import Feature

NO_RECORD = Record(from_ms=0, to_ms=0, warned=(), missed=(), false=(), late=(), undecided=())


def straight(feature: Feature, *, slope: float, middle: float, low: float = -1e9, high: float = 1e9) -> Term:
    """A factor that adds slope * (value - middle) to the log-odds."""
    return Term(
        feature=feature,
        number=0,
        low=low,
        high=high,
        fill=middle,
        slope=slope,
        middle=middle,
        usual_low=middle - 1,
        usual_high=middle + 1,
        knots=(),
        weights=(),
        offset=0.0,
    )


def hand_card(
    *terms: Term,
    to_ms: int = 0,
    level: float = 0.5,
    live: bool = True,
    base: float = float(np.log(0.05 / 0.95)),
    settings: RiskSettings | None = None,
    **more: object,
) -> Card:
    """A card of machine pm2 whose model says 5 % where every factor is at its middle."""
    card = Card(
        format=FORMAT,
        machine="pm2",
        made_ms=1_780_000_000_000,
        from_ms=0,
        to_ms=to_ms,
        minutes=1000,
        breaks=40,
        base_rate=0.05,
        settings=settings or RiskSettings(),
        penalty=0.1,
        calibration=Calibration(),
        level=level,
        verdict="The model beats the plain rules." if live else "The model does not beat the plain rules.",
        live=live,
        figures=(),
        suspects=(),
        versions={},
        model=AdditiveModel(base=base, terms=terms),
        outside_limit=0.2,
        record=NO_RECORD,
    )
    return sealed(replace(card, **more))  # type: ignore[arg-type]  # names are Card's own
