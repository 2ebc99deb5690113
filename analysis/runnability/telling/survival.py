"""Time to break in words: how long runs last, and how much worse the first minutes after a restart are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.history import History
from analysis.period import Period
from analysis.result import Result, Table, count
from analysis.runnability.compare import Ratio
from analysis.runnability.survival import HazardBand, Runs, Survival
from analysis.runnability.telling.wording import amount, level, percent_of, plain, span
from analysis.runnability.weibull import Weibull
from analysis.telling.common import about, named


@dataclass(frozen=True, slots=True, kw_only=True)
class Lifetimes:
    """Everything known of how long runs last; parts that too few breaks forbid are None.

    early
        Hazard in the first ``early_min`` minutes after the return over that later.
    sections
        Weibull of each section's own breaks.
    """

    runs: Runs
    survival: Survival | None
    weibull: Weibull | None
    bands: tuple[HazardBand, ...]
    early: Ratio | None
    early_min: float
    sections: tuple[tuple[str, Weibull], ...]


def tell_lifetimes(history: History, period: Period, found: Lifetimes) -> Result:
    """How long the sheet stays on the reel once it is back."""
    return Result(
        title=f"Time to break, {history.machine.name}",
        subject=named(history, period),
        sentence=_said(found),
        tables=(_band_table(found.bands), *_curve_tables(found), *_weibull_tables(found)),
        values=about(history, period) | {"time_to_break": plain(found)},
        cautions=(
            "Runs are cut off, not ended, by stops, planned sheet-offs, data gaps and the end of the period; where "
            "such an end comes because a break is near, times come out too long.",
        ),
    )


def _said(found: Lifetimes) -> str:
    runs = found.runs
    if not runs.breaks:
        return f"time to break: none of {count(len(runs.hours), 'run')} since a return ended in such a break."
    parts = [
        f"time to break: {runs.breaks} of {count(len(runs.hours), 'run')} ended in a break, secondary ones counted"
    ]
    if found.survival is not None and (median := found.survival.median) is not None:
        parts.append(f"half of all runs last longer than {amount(median, 1)} h")
    if found.early is not None:
        parts.append(_early_said(found.early, found.early_min))
    if found.weibull is not None:
        parts.append(_shape_said(found.weibull))
    return "; ".join(parts) + "."


def _early_said(early: Ratio, minutes: float) -> str:
    first = f"in the first {minutes:g} min back on the reel"
    if early.low > 1:
        return (
            f"{first} breaks come {amount(early.ratio, 1)} times as often as later "
            f"({span(early.low, early.high, 1)} at {level(early.confidence)})"
        )
    return (
        f"{first} breaks come {amount(early.ratio, 1)} times as often as later, which is not shown to differ "
        f"({span(early.low, early.high, 1)} at {level(early.confidence)})"
    )


def _shape_said(model: Weibull) -> str:
    shape = f"Weibull shape {model.shape:.2f} ({span(model.shape_low, model.shape_high)})"
    if model.shape_high < 1:
        return f"{shape}: the longer a run has lasted, the safer it is"
    if model.shape_low > 1:
        return f"{shape}: the longer a run has lasted, the likelier it breaks"
    return f"{shape}: that age matters is not shown"


def _band_table(bands: Sequence[HazardBand]) -> Table:
    rows = tuple(
        (
            f"{b.from_min:g} to {b.to_min:g}" if b.to_min != float("inf") else f"over {b.from_min:g}",
            str(b.rate.count),
            f"{b.rate.exposure:,.1f}",
            amount(b.rate.rate, 3),
            amount(b.rate.low, 3),
            amount(b.rate.high, 3),
        )
        for b in bands
    )
    return Table(
        title="Breaks per on-reel hour by time since back on the reel",
        columns=("min since back", "breaks", "on-reel h", "per h", "from", "to"),
        rows=rows,
        numbers=frozenset({1, 2, 3, 4, 5}),
        note="Exact 95 % limits. Runs of which the beginning is not known are left out.",
    )


def _curve_tables(found: Lifetimes) -> tuple[Table, ...]:
    curve = found.survival
    if curve is None:
        return ()
    rows = tuple((percent_of(share), amount(curve.outlasted_by(share), 2)) for share in (0.9, 0.75, 0.5, 0.25, 0.1))
    return (
        Table(
            title="How long runs last (Kaplan-Meier)",
            columns=("share of runs", "lasts longer than [h]"),
            rows=rows,
            numbers=frozenset({0, 1}),
        ),
    )


def _weibull_tables(found: Lifetimes) -> tuple[Table, ...]:
    models = [("all", found.weibull)] if found.weibull is not None else []
    models += list(found.sections)
    if not models:
        return ()
    rows = tuple(
        (
            name,
            str(m.breaks),
            amount(m.shape),
            span(m.shape_low, m.shape_high),
            amount(m.scale, 1),
            span(m.scale_low, m.scale_high, 1),
        )
        for name, m in models
        if m is not None
    )
    return (
        Table(
            title="Weibull of runs, breaks of other sections cut off",
            columns=("section", "breaks", "shape", "limits", "scale [h]", "limits [h]"),
            rows=rows,
            numbers=frozenset({1, 2, 3, 4, 5}),
            note="Shape below 1: worst just after the restart. Scale: outlasted by 37 % of runs. Likelihood limits.",
        ),
    )
