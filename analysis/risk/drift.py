"""Whether the model still fits the machine: breaks expected against breaks observed, and factors that have moved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.figures.rates import count_interval
from analysis.result import length
from analysis.risk.card import Card
from analysis.risk.model import Term
from analysis.risk.rows import DAY_MS, Floats, Ints
from analysis.risk.score import Interval
from analysis.risk.watch import Seen

ALPHA = 0.05
LARGE = 0.25
"""Population stability index from which a shift is called large: common practice in credit scoring, no source."""
PARTS = 10
LEAST_SHARE = 1e-3
LEAST_LEARNT_DAYS, LEAST_NEW_DAYS = 5, 3
_SAID = 0.1
"""Expected breaks below which no number is said."""
LEAST_EXPECTED = 5.0
"""With fewer breaks expected the interval is too wide to say anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InTheLarge:
    """Calibration in the large.

    expected
        Breaks that the model's risks add up to.
    observed
        Breaks that came after minutes it had scored.
    ratio
        Observed over expected with its exact 95 % interval (Garwood, for the observed count); None for none expected.
    """

    minutes: int
    expected: float
    observed: int
    ratio: Interval | None

    @property
    def off(self) -> bool | None:
        """Whether the interval leaves out 1; None while too few breaks are expected to say."""
        if self.ratio is None or self.expected < LEAST_EXPECTED:
            return None
        return self.ratio.low > 1 or self.ratio.high < 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How one factor's values have moved away from those learnt from.

    index
        Population stability index over tenths of the learnt values, missing ones apart; 0 for none.
    p
        Chance of daily means so far apart had nothing moved, corrected for the number of factors.
    learnt, now
        Medians.
    """

    term: Term
    index: float
    p: float
    learnt: float
    now: float

    @property
    def large(self) -> bool:
        """Beyond luck, and large enough to matter."""
        return self.p < ALPHA and self.index >= LARGE


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The newest days of a model, all of them after everything it had learnt from.

    from_ms, to_ms
        Those days. [ms]
    shifts
        Every factor's, the largest first; empty while there are too few days to compare.
    """

    from_ms: int
    to_ms: int
    large: InTheLarge
    shifts: tuple[Shift, ...]

    @property
    def shifted(self) -> tuple[Shift, ...]:
        """The factors that have moved beyond luck and far enough to matter."""
        return tuple(s for s in self.shifts if s.large)

    @property
    def sentence(self) -> str:
        """What was found, and what to do."""
        days = (self.to_ms - self.from_ms) / DAY_MS
        time = f"{days:.1f} days" if days >= 1 else length(self.to_ms - self.from_ms)
        expected = f"{self.large.expected:.1f}" if self.large.expected >= _SAID else f"fewer than {_SAID}"
        said = f"In {time} since it was fitted {expected} breaks were expected and {self.large.observed} came"
        if self.large.ratio is not None:
            said += f" (ratio {_range(self.large.ratio)})"
        match self.large.off:
            case None:
                said += ": too few to tell whether its risks are right."
            case True:
                said += ": its risks are no longer right. Fit it anew with 'breakhorn risk retrain'."
            case False:
                said += ": its risks are about right."
        if not self.shifts:
            return f"{said} There are too few days to say whether its factors have moved."
        names = ", ".join(s.term.feature.words for s in self.shifted[:3])
        rest = f" ({names}{' …' if len(self.shifted) > 3 else ''})" if names else ""
        return f"{said} Of {len(self.shifts)} factors {len(self.shifted)} have moved away from what was learnt{rest}."


def drift(card: Card, seen: Seen, *, days: int = 30) -> Drift:
    """Hold the last days against what the model had learnt; only days after that count."""
    to_ms = seen.at_ms
    from_ms = max(card.to_ms, to_ms - days * DAY_MS)
    new = seen.own(card, from_ms)
    learnt = np.flatnonzero(seen.rows.at_ms <= card.to_ms)
    return Drift(
        from_ms=from_ms,
        to_ms=max(to_ms, from_ms),
        large=in_the_large(seen.risk()[new], seen.rows.outcome[new], seen.rows.next_break[new], card),
        shifts=_shifts(card, seen, learnt, new),
    )


def in_the_large(risk: Floats, outcome: NDArray[np.int8], next_break: Ints, card: Card) -> InTheLarge:
    """Breaks expected and observed over minutes with a known outcome.

    Each break is counted by every minute within the horizon before it, so risks add up to breaks × horizon. A break
    with fewer scored minutes before it (soon after a restart) counts for as much less: what is expected is scaled so
    that it stands against whole breaks.
    """
    decided = outcome >= 0
    horizon = card.settings.horizon_min
    expected = float(risk[decided].sum()) / horizon
    observed = len(np.unique(next_break[outcome == 1]))
    weight = float((outcome == 1).sum()) / horizon
    if observed:
        expected *= observed / weight
    low, high = count_interval(observed)
    ratio = None
    if expected > 0:
        ratio = Interval(value=observed / expected, low=low / expected, high=high / expected)
    return InTheLarge(minutes=int(decided.sum()), expected=expected, observed=observed, ratio=ratio)


def stability_index(before: Floats, after: Floats) -> float:
    """Population stability index: Σ (share after − before) · ln(share after / before) over tenths of ``before``.

    Missing values are a part of their own; no share is taken as less than a thousandth.
    """
    known = before[~np.isnan(before)]
    edges = np.unique(np.quantile(known, np.linspace(0, 1, PARTS + 1)[1:-1])) if len(known) else known
    one, other = (_shares(values, edges) for values in (before, after))
    return float(((other - one) * np.log(other / one)).sum())


def _shares(values: Floats, edges: Floats) -> Floats:
    part = np.where(np.isnan(values), len(edges) + 1, np.searchsorted(edges, values, side="left"))
    shares = np.bincount(part, minlength=len(edges) + 2) / max(len(values), 1)
    floored: Floats = np.maximum(shares, LEAST_SHARE)
    return floored


def _shifts(card: Card, seen: Seen, learnt: Ints, new: Ints) -> tuple[Shift, ...]:
    """Every factor's shift. Neighbouring minutes are near-copies, so days are compared, one mean each."""
    from scipy.stats import false_discovery_control, mannwhitneyu  # noqa: PLC0415  scipy only where a figure needs it

    day = seen.rows.at_ms // DAY_MS
    if len(np.unique(day[learnt])) < LEAST_LEARNT_DAYS or len(np.unique(day[new])) < LEAST_NEW_DAYS:
        return ()
    found: list[tuple[Term, float, float, Floats, Floats]] = []
    for number, term in enumerate(card.model.terms):
        column = seen.values[:, number].astype(np.float64)
        before, after = column[learnt], column[new]
        means = _daily(before, day[learnt]), _daily(after, day[new])
        p = float(mannwhitneyu(*means).pvalue) if all(len(m) for m in means) else 1.0
        found.append((term, stability_index(before, after), p, before, after))
    corrected = false_discovery_control([p for _, _, p, _, _ in found])
    shifts = [
        Shift(term=term, index=index, p=float(q), learnt=_median(before), now=_median(after))
        for (term, index, _, before, after), q in zip(found, corrected, strict=True)
    ]
    return tuple(sorted(shifts, key=lambda s: (not s.large, -s.index)))


def _daily(values: Floats, day: Ints) -> Floats:
    good = ~np.isnan(values)
    number = np.unique(day[good], return_inverse=True)[1]
    return np.bincount(number, values[good]) / np.bincount(number)


def _median(values: Floats) -> float:
    good = values[~np.isnan(values)]
    return float(np.median(good)) if len(good) else float("nan")


def _range(ratio: Interval) -> str:
    return f"{ratio.value:.2f}, 95 % interval {ratio.low:.2f} to {ratio.high:.2f}"
