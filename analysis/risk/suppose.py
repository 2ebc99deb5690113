"""What the model would have said of a minute, had a tag stood elsewhere: by the same code as what it did say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import duckdb
import numpy as np
from numpy.typing import NDArray

from analysis.period import NothingThen
from analysis.risk.card import Card
from analysis.risk.exposure import Exposure, build
from analysis.risk.model import AdditiveModel, Term
from analysis.risk.score import Interval, spread_of
from analysis.risk.settings import MINUTE_MS
from analysis.risk.windows import Feature, Minutes


class NoSuchFactor(Exception):
    """What was to be changed is neither a tag nor a fact that the model uses; the message names those it does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One factor that the supposition moved: its value as it was and as supposed, and what it does to the odds.

    flat
        Whether the supposed value lies outside of what was learnt from, where the curve is flat: the model knows
        nothing of such values.
    """

    term: Term
    was: float
    supposed: float
    times: float
    flat: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Supposed:
    """One minute as it was and as supposed.

    before, after
        Chance of a break within the horizon.
    times
        By what the supposition multiplies the odds, with an interval from refits on whole runs drawn again.
    """

    at_ms: int
    before: float
    after: float
    times: Interval
    moved: tuple[Moved, ...]


def suppose(con: duckdb.DuckDBPyConnection, card: Card, changes: dict[str, float], at_ms: int | None) -> Supposed:
    """The risk of a minute, and what it would have been with some tags or facts at other values.

    A tag is taken to have stood at its value for as long as the longest window, so that every window shows it; its
    unrest stays. A fact of the past ("minutes since the turn-up") is taken to have been as given.

    at_ms
        The minute; None for the newest that was scored. [ms]

    Raises
    ------
    NoSuchFactor
        For a name that the model does not use.
    NothingThen
        For a minute at which the sheet was not on the reel for long enough.
    """
    _known(card, changes)
    until_ms = None if at_ms is None else max(at_ms, card.to_ms) + 1
    whole = build(con, card.machine, card.settings, from_ms=card.from_ms, until_ms=until_ms)
    at_ms = int(whole.rows.at_ms[-1]) if at_ms is None else at_ms
    was = _row(whole, at_ms)
    width = max(card.settings.windows_min)

    def changed(minutes: Minutes) -> Minutes:
        return _stood(minutes, changes, at_ms // MINUTE_MS - width, at_ms // MINUTE_MS)

    other = build(con, card.machine, card.settings, from_ms=card.from_ms, until_ms=at_ms + 1, change=changed)
    supposed = _row(other, at_ms).copy()
    for number, feature in enumerate(whole.features):
        if feature.tag is None and feature.name in changes:
            supposed[number] = changes[feature.name]
    model = card.model.bound_to(whole.features)
    pair = np.stack([was, supposed])
    before, after = model.risk(pair)
    return Supposed(
        at_ms=at_ms,
        before=float(before),
        after=float(after),
        times=_times(card, model, whole.features, pair),
        moved=_moved(model, pair),
    )


def _known(card: Card, changes: dict[str, float]) -> None:
    names = {t.feature.tag or t.feature.name for t in card.model.terms}
    for name in changes:
        if name not in names:
            raise NoSuchFactor(f"the model uses no {name!r}; it uses {', '.join(sorted(names))}")


def _row(exposure: Exposure, at_ms: int) -> NDArray[np.float32]:
    try:
        return exposure.row(at_ms)
    except KeyError:
        quiet = exposure.settings.quiet_on_reel_min
        raise NothingThen(
            f"the sheet was not on the reel for {quiet} min then; ask for another minute with --at"
        ) from None


def _stood(minutes: Minutes, changes: dict[str, float], first: int, end: int) -> Minutes:
    """The same minutes with some tags at a value from minute ``first`` up to ``end``."""
    place = np.arange(minutes.mean.shape[1]) + minutes.first
    here = (place >= first) & (place < end)
    mean, last = minutes.mean.copy(), minutes.last.copy()
    for number, tag in enumerate(minutes.tags):
        if tag in changes:
            mean[number, here] = last[number, here] = changes[tag]
    return replace(minutes, mean=mean, last=last)


def _times(card: Card, model: AdditiveModel, features: tuple[Feature, ...], pair: NDArray[np.float32]) -> Interval:
    """By what the odds are multiplied, with the spread of the refits that the card keeps."""
    steps = np.array([float(np.diff(again.bound_to(features).score(pair))[0]) for again in card.again])
    return spread_of(float(np.exp(np.diff(model.score(pair))[0])), np.exp(steps))


def _moved(model: AdditiveModel, pair: NDArray[np.float32]) -> tuple[Moved, ...]:
    shares = np.diff(model.contributions(pair), axis=0)[0]
    found = []
    for share, term in zip(shares, model.terms, strict=True):
        was, supposed = (float(v) for v in pair[:, term.number])
        if was != supposed and not (np.isnan(was) and np.isnan(supposed)):
            flat = bool(term.outside(pair[1:, term.number])[0])
            found.append(Moved(term=term, was=was, supposed=supposed, times=float(np.exp(share)), flat=flat))
    return tuple(sorted(found, key=lambda m: -abs(np.log(m.times))))
