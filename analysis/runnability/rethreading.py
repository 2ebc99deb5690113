"""Bringing the sheet back: how often the first attempt holds, how long it takes, and whether that changes with time.

Groups (sections, crews, grades) differ in what they had to thread as much as in how it went: crews are not dealt the
same breaks. Figures of groups are pooled, shown in the mill's order, and told apart only where their intervals do not
overlap.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analysis.runnability.clustering import Share, share_of
from analysis.runnability.observed import Floats, TooFewEvents
from analysis.runnability.pooling import Pooling, pool_means, pool_shares

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """One downtime that was threaded back.

    day
        When it began, counted from any fixed moment. [d]
    attempts
        Up to and including the one that held.
    lost_min, clearing_min, threading_min
        Loss to back on reel; of this, loss to the first attempt, and first attempt to back on reel; None where a gap in
        the data hides an end. [min]
    """

    day: float
    section: str | None
    crew: str | None
    grade: str | None
    attempts: int
    lost_min: float | None
    clearing_min: float | None
    threading_min: float | None

    @property
    def at_first_attempt(self) -> bool:
        """Whether the first attempt held."""
        return self.attempts == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupFigures:
    """What one group's returns add up to, before pooling. Minutes are medians and 90 % quantiles. [min]"""

    name: str
    returns: int
    attempts: int
    first: Share
    median_lost_min: float | None
    slow_lost_min: float | None
    median_clearing_min: float | None
    median_threading_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupComparison:
    """Groups side by side, in the order of ``figures``; the pooled parts are None with fewer than two groups.

    first
        Share of returns at the first attempt, pooled.
    minutes
        Typical (geometric mean) lost minutes, pooled. [min]
    """

    figures: tuple[GroupFigures, ...]
    first: Pooling | None
    minutes: Pooling | None


def by_section(one: Return) -> str:
    """Group by the section where the sheet was lost."""
    return one.section or NOT_KNOWN


def by_crew(one: Return) -> str:
    """Group by the crew on shift when it was lost."""
    return one.crew or NOT_KNOWN


def by_grade(one: Return) -> str:
    """Group by grade."""
    return one.grade or NOT_KNOWN


def compare_groups(
    returns: Sequence[Return], key: Callable[[Return], str], *, order: Sequence[str] = (), confidence: float = 0.95
) -> GroupComparison:
    """First-attempt success and minutes of each group, raw and pooled.

    order
        Of the groups, as the mill names them (sections from the wet end); others follow by name.
    """
    names = _in_order({key(r) for r in returns}, order)
    members = {name: [r for r in returns if key(r) == name] for name in names}
    return GroupComparison(
        figures=tuple(_figures(name, members[name], confidence) for name in names),
        first=_pooled_first(members, confidence),
        minutes=_pooled_minutes(members, confidence),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Learning:
    """Whether threading changes with time.

    blocks
        First-attempt success in successive parts with equally many returns, oldest first.
    success_p_value
        Of a steady change of that success (Cochran-Armitage, two-sided).
    minutes_per_30_days, minutes_low, minutes_high
        Relative change of lost minutes in 30 days, from the median of all slopes within sections: a month with more
        calender breaks is faster without anybody having learnt. (−0.1: 10 % shorter.)
    """

    blocks: tuple[Share, ...]
    success_p_value: float
    minutes_per_30_days: float
    minutes_low: float
    minutes_high: float
    confidence: float


def learning(returns: Sequence[Return], *, blocks: int = 4, confidence: float = 0.95) -> Learning:
    """Follow first-attempt success and lost minutes over time.

    Sources: P. Armitage, Biometrics 11 (1955) 375-386; median slope within strata: R. M. Hirsch, J. R. Slack &
    R. A. Smith, Water Resources Research 18 (1982) 107-121 (their seasons are our sections).

    Raises
    ------
    TooFewEvents
        With fewer than twelve returns, or of equal times.
    """
    timed = sorted((r for r in returns if r.lost_min is not None), key=lambda r: r.day)
    if len(timed) < 12 or timed[0].day == timed[-1].day:
        raise TooFewEvents(f"learning needs at least 12 returns spread over time, there are {len(timed)}")
    days = np.array([r.day for r in timed])
    middle, low, high = (float(np.expm1(30 * s)) for s in _slope_within_sections(timed, confidence))
    good = np.array([r.at_first_attempt for r in timed], dtype=np.float64)
    parts = np.array_split(good, blocks)
    return Learning(
        blocks=tuple(share_of(int(p.sum()), p.size, confidence=confidence) for p in parts),
        success_p_value=_steady_change(good, days),
        minutes_per_30_days=middle,
        minutes_low=low,
        minutes_high=high,
        confidence=confidence,
    )


def _in_order(names: set[str], order: Sequence[str]) -> list[str]:
    known = [name for name in order if name in names]
    return known + sorted(names - set(order) - {NOT_KNOWN}) + ([NOT_KNOWN] if NOT_KNOWN in names else [])


def _figures(name: str, members: Sequence[Return], confidence: float) -> GroupFigures:
    lost = [r.lost_min for r in members if r.lost_min is not None]
    return GroupFigures(
        name=name,
        returns=len(members),
        attempts=sum(r.attempts for r in members),
        first=share_of(sum(r.at_first_attempt for r in members), len(members), confidence=confidence),
        median_lost_min=_quantile(lost, 0.5),
        slow_lost_min=_quantile(lost, 0.9),
        median_clearing_min=_quantile([r.clearing_min for r in members if r.clearing_min is not None], 0.5),
        median_threading_min=_quantile([r.threading_min for r in members if r.threading_min is not None], 0.5),
    )


def _quantile(values: Sequence[float], chance: float) -> float | None:
    return float(np.quantile(values, chance)) if values else None


def _pooled_first(members: dict[str, list[Return]], confidence: float) -> Pooling | None:
    if len(members) < 2:
        return None
    good = [sum(r.at_first_attempt for r in group) for group in members.values()]
    return pool_shares(list(members), good, [len(group) for group in members.values()], confidence=confidence)


def _pooled_minutes(members: dict[str, list[Return]], confidence: float) -> Pooling | None:
    """Pool on the log scale, with one scatter within groups, and give minutes back."""
    logs = {name: np.log([r.lost_min for r in group if r.lost_min]) for name, group in members.items()}
    logs = {name: values for name, values in logs.items() if values.size}
    free = sum(values.size for values in logs.values()) - len(logs)
    if len(logs) < 2 or free < 2:
        return None
    scatter = float(np.sqrt(sum(((v - v.mean()) ** 2).sum() for v in logs.values()) / free))
    if not scatter > 0:
        return None
    sizes = [values.size for values in logs.values()]
    errors = [scatter / np.sqrt(size) for size in sizes]
    means = [float(values.mean()) for values in logs.values()]
    return pool_means(list(logs), means, errors, sizes, confidence=confidence).rescaled(np.exp)


def _slope_within_sections(returns: Sequence[Return], confidence: float) -> tuple[float, float, float]:
    """Median of all slopes of log minutes between two returns of one section, and its limits. [1/d]

    Only returns of the same section are compared, so that a changing mix of sections is no trend.
    """
    slopes: list[Floats] = []
    variance = 0.0
    for section in {by_section(r) for r in returns}:
        members = [r for r in returns if by_section(r) == section]
        days = np.array([r.day for r in members])
        logs = np.log([max(r.lost_min or 0.0, 1e-3) for r in members])
        first, second = np.triu_indices(days.size, k=1)
        apart = days[second] - days[first]
        slopes.append(((logs[second] - logs[first])[apart > 0]) / apart[apart > 0])
        variance += days.size * (days.size - 1) * (2 * days.size + 5) / 18
    ranked = np.sort(np.concatenate(slopes))
    if ranked.size < 10:
        raise TooFewEvents("no section has returned often enough to show whether it gets shorter")
    reach = float(stats.norm.isf((1 - confidence) / 2)) * float(np.sqrt(variance))
    low = max(0, int((ranked.size - reach) / 2) - 1)
    high = min(ranked.size - 1, int(np.ceil((ranked.size + reach) / 2)))
    return float(np.median(ranked)), float(ranked[low]), float(ranked[high])


def _steady_change(good: Floats, days: Floats) -> float:
    """Cochran-Armitage test of a trend in shares over single cases; 1 where all went alike."""
    share = good.mean()
    if share in (0.0, 1.0):
        return 1.0
    centred = days - days.mean()
    z = float((centred * good).sum() / np.sqrt(share * (1 - share) * (centred**2).sum()))
    return float(2 * stats.norm.sf(abs(z)))
