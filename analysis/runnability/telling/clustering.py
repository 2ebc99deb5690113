"""Clustering in words: secondary breaks, bad days, hours and shifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import History
from analysis.period import Period
from analysis.result import Result, Table, count
from analysis.runnability.clustering import BadUnit, Pattern, Scale, Share
from analysis.runnability.telling.wording import a_day, amount, chance, listed, percent_of, plain, span
from analysis.telling.common import about, named

CALLED = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Clusters:
    """Everything asked of clustering.

    secondary
        Of all breaks.
    patterns
        By name of what was looked at (``hour of the day``).
    """

    secondary: Share
    within_min: float
    scales: tuple[Scale, ...]
    bad_days: tuple[BadUnit, ...]
    patterns: tuple[tuple[str, Pattern], ...]


def tell_clusters(history: History, period: Period, found: Clusters) -> Result:
    """Whether breaks come in clusters, and when."""
    return Result(
        title=f"Clustering, {history.machine.name}",
        subject=named(history, period),
        sentence=_said(found),
        tables=(
            _scale_table(found.scales),
            _day_table(found.bad_days),
            *(_pattern_table(name, pattern) for name, pattern in found.patterns),
        ),
        values=about(history, period) | {"clustering": plain(found)},
        cautions=(
            "Hours and shifts differ in what is done in them (grade changes, washes); a pattern says where to look, "
            "not who or what is at fault.",
        ),
    )


def _said(found: Clusters) -> str:
    parts = []
    share = found.secondary
    if share.low is not None and share.high is not None:
        parts.append(
            f"{percent_of(share.share)} of {count(share.of, 'break')} are secondary, within {found.within_min:g} min "
            f"of a return ({percent_of(share.low)} to {percent_of(share.high)})"
        )
    parts.append(_scales_said(found.scales))
    days = [unit.label for unit in found.bad_days]
    parts.append(f"{listed(days[:3])} had more breaks than chance gives in so many days" if days else "no bad day")
    parts += [_pattern_said(name, pattern) for name, pattern in found.patterns]
    return "; ".join(parts) + "."


def _scales_said(scales: Sequence[Scale]) -> str:
    if not scales:
        return "too few days to tell whether primary breaks come in clusters"
    day = scales[0].found
    if day.p_value < CALLED:
        return f"primary breaks come in clusters (index of dispersion by day {day.index:.1f}, {chance(day.p_value)})"
    longer = [s for s in scales[1:] if s.found.p_value < CALLED]
    if longer:
        worst = longer[-1]
        return (
            f"days are even, but windows of {worst.units} days are not (index {worst.found.index:.1f}): "
            "there are good and bad spells"
        )
    return f"that primary breaks come in clusters is not shown (index by day {day.index:.1f}, {chance(day.p_value)})"


def _pattern_said(name: str, pattern: Pattern) -> str:
    if pattern.p_value >= CALLED:
        return f"no pattern by {name} is shown ({chance(pattern.p_value)})"
    bands = [b.label for b in pattern.bands if b.adjusted < CALLED]
    where = f", clearest at {listed(bands)}" if bands else ", though no single one stands out"
    return f"the rate differs by {name} ({chance(pattern.p_value)}){where}"


def _scale_table(scales: Sequence[Scale]) -> Table:
    rows = tuple((str(s.units), str(s.found.df + 1), amount(s.found.index), chance(s.found.p_value)) for s in scales)
    return Table(
        title="Index of dispersion of primary breaks",
        columns=("days in a window", "windows", "index", "p"),
        rows=rows,
        numbers=frozenset({0, 1, 2}),
        note="1: independent breaks at one rate. Above 1: clusters, or a rate that changes; larger for longer windows: "
        "good and bad spells.",
    )


def _day_table(days: Sequence[BadUnit]) -> Table:
    rows = tuple(
        (d.label, str(d.count), f"{d.hours:.1f}", chance(d.p_value), chance(d.adjusted).replace("p", "q", 1))
        for d in days
    )
    return Table(
        title="Days with more primary breaks than chance gives",
        columns=("day", "breaks", "on-reel h", "p", "corrected"),
        rows=rows,
        numbers=frozenset({1, 2}),
        note="Against the rate of all other days; corrected for their number (Benjamini-Hochberg, 5 %).",
    )


def _pattern_table(name: str, pattern: Pattern) -> Table:
    rows = tuple(
        (
            b.label,
            str(b.rate.count),
            f"{b.rate.exposure:,.1f}",
            a_day(b.rate.rate),
            span((b.rate.low or 0) * 24, (b.rate.high or 0) * 24),
            chance(b.adjusted).replace("p", "q", 1),
        )
        for b in pattern.bands
    )
    return Table(
        title=f"Primary breaks by {name}",
        columns=(name, "breaks", "on-reel h", "a day on the reel", "limits", "against the others, corrected"),
        rows=rows,
        numbers=frozenset({1, 2, 3, 4}),
        note=f"All together: {chance(pattern.p_value)}. Exact 95 % limits.",
    )
