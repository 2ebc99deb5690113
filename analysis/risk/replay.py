"""The judged days as they would have gone: risk by the minute, warnings with their reasons, breaks hit or missed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.period import NothingThen, Period
from analysis.risk.contender import Contender
from analysis.risk.exposure import Exposure
from analysis.risk.forecast import ADDITIVE
from analysis.risk.judge import Judgement
from analysis.risk.model import AdditiveModel, chance
from analysis.risk.rows import Floats, Ints
from analysis.risk.score import Interval, share_interval
from analysis.risk.warn import Fate

MOST_REASONS = 3
LEAST_REASON = 0.1
"""A contribution below this [log-odds] is no reason worth reading: it moves the odds by a tenth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One factor that raised the risk.

    value, usual_low, usual_high
        What it was, and what it is in the middle 80 % of minutes, in ``unit``.
    times
        By what it multiplied the odds of a break.
    outside
        The value lies outside of anything learnt from.
    """

    words: str
    unit: str
    value: float
    usual_low: float
    usual_high: float
    times: float
    outside: bool

    @property
    def sentence(self) -> str:
        """For people: what, how much, against what is usual."""
        unit = f" {self.unit}" if self.unit else ""
        usual = f"usually {_said(self.usual_low)} to {_said(self.usual_high)}"
        return f"{self.words}: {_said(self.value)}{unit} ({usual}), odds ×{self.times:.1f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """One warning of the replay.

    lead_min, downtime_id
        Of the primary break that followed within the horizon; None if none did.
    """

    at_ms: int
    risk: float
    fate: Fate
    lead_min: float | None
    downtime_id: str | None
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """One judged break: how long before it the first timely warning came, None if it was missed. [min]"""

    downtime_id: str
    started_ms: int
    section: str
    lead_min: float | None
    highest: float
    """The highest risk said from one horizon to ``lead_min`` before it; NaN where nothing was said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionScore:
    """Breaks of one section and how many of them were warned of in time."""

    section: str
    breaks: int
    warned: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Replay:
    """The judged minutes and what came of them.

    risk, level
        Chance of a break within the horizon at each minute, and the chance from which a warning was due.
    """

    at_ms: Ints
    risk: Floats
    level: Floats
    warnings: tuple[Warned, ...]
    breaks: tuple[Foreseen, ...]
    sections: tuple[SectionScore, ...]


def replay(exposure: Exposure, judgement: Judgement) -> Replay:
    """What the additive model would have said on the judged days, always knowing only the days before."""
    ours = judgement.named(ADDITIVE)
    told = next(t for t in judgement.walk.told if t.name == ADDITIVE)
    breaks = tuple(_foreseen(exposure, judgement, ours, int(number)) for number in judgement.judged)
    return Replay(
        at_ms=judgement.rows.at_ms,
        risk=chance(ours.score),
        level=chance(told.level),
        warnings=_warned(exposure, judgement, ours),
        breaks=breaks,
        sections=tuple(_by_section(breaks)),
    )


def within(replayed: Replay, period: Period) -> Replay:
    """The part of a replay that lies in a period; NothingThen where that was not judged."""
    here = (replayed.at_ms > period.from_ms) & (replayed.at_ms <= period.to_ms)
    if not here.any():
        raise NothingThen(f"nothing was judged in the {period.name or 'period'}: it was learnt from, or off the reel")
    breaks = tuple(b for b in replayed.breaks if period.holds(b.started_ms))
    return Replay(
        at_ms=replayed.at_ms[here],
        risk=replayed.risk[here],
        level=replayed.level[here],
        warnings=tuple(w for w in replayed.warnings if period.holds(w.at_ms)),
        breaks=breaks,
        sections=tuple(_by_section(breaks)),
    )


def reasons(model: AdditiveModel, values: np.ndarray[tuple[int], np.dtype[np.float32]]) -> tuple[Reason, ...]:
    """What raised the risk of one minute most, the strongest first; only what is worth reading."""
    row = values[None, :]
    shares = model.contributions(row)[0]
    strongest = [n for n in np.argsort(-shares)[:MOST_REASONS] if shares[n] >= LEAST_REASON]
    found = []
    for n in strongest:
        term = model.terms[n]
        value = float(values[term.number])
        found.append(
            Reason(
                words=term.feature.words,
                unit=term.feature.unit,
                value=term.fill if np.isnan(value) else value,
                usual_low=term.usual_low,
                usual_high=term.usual_high,
                times=float(np.exp(shares[n])),
                outside=bool(term.outside(row[:, term.number])[0]),
            )
        )
    return tuple(found)


def _warned(exposure: Exposure, judgement: Judgement, ours: Contender) -> tuple[Warned, ...]:
    walk = judgement.walk
    found = []
    for given in ours.warnings:
        model = walk.models[int(walk.block[given.row]) - 1]
        values = exposure.values[walk.numbers[given.row]]
        number = given.break_number
        found.append(
            Warned(
                at_ms=given.at_ms,
                risk=float(chance(ours.score[given.row])),
                fate=given.fate,
                lead_min=given.lead_min,
                downtime_id=None if number is None else exposure.breaks.downtime_id[number],
                reasons=reasons(model, values),
            )
        )
    return tuple(found)


def _foreseen(exposure: Exposure, judgement: Judgement, ours: Contender, number: int) -> Foreseen:
    started_ms = int(exposure.breaks.started_ms[number])
    settings, at_ms = judgement.settings, judgement.rows.at_ms
    last_ms = started_ms - settings.lead_min * 60_000
    before = (at_ms >= started_ms - settings.horizon_ms) & (at_ms <= last_ms)
    return Foreseen(
        downtime_id=exposure.breaks.downtime_id[number],
        started_ms=started_ms,
        section=exposure.breaks.section[number] or "unknown",
        lead_min=ours.hits.get(number),
        highest=float(chance(ours.score[before].max())) if before.any() else float("nan"),
    )


def _by_section(breaks: tuple[Foreseen, ...]) -> list[SectionScore]:
    sections = sorted({b.section for b in breaks}, key=lambda s: (-sum(b.section == s for b in breaks), s))
    found = []
    for section in sections:
        here = [b for b in breaks if b.section == section]
        hits = sum(b.lead_min is not None for b in here)
        found.append(SectionScore(section=section, breaks=len(here), warned=share_interval(hits, len(here))))
    return found


def _said(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
