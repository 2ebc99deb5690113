"""The answer of ``rate``: the rate itself, control charts, time to break, clustering."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise

from analysis.figures.ledger import SPLITS, Ledger, ledger
from analysis.figures.rates import Rate, rate_of
from analysis.history import Downtime, History
from analysis.period import Period, say
from analysis.result import Picture
from analysis.runnability.answering.part import Part, part_or_why_not
from analysis.runnability.clustering import bad_units, dispersion_by_scale, pattern, share_of
from analysis.runnability.compare import Ratio, exact_ratio
from analysis.runnability.control import Chart, Limits, g_chart, t_chart, u_chart
from analysis.runnability.dispersion import unit_rate
from analysis.runnability.observed import Counted, Tally, TooFewEvents
from analysis.runnability.series import (
    OnReelClock,
    Selection,
    breaks_of,
    by_days,
    by_hour_of_day,
    by_label,
    by_shifts,
    reels_between,
    runs_of,
)
from analysis.runnability.survival import Runs, hazard_bands, kaplan_meier
from analysis.runnability.telling.charts import tell_chart
from analysis.runnability.telling.clustering import Clusters, tell_clusters
from analysis.runnability.telling.rate import tell_rate
from analysis.runnability.telling.survival import Lifetimes, tell_lifetimes
from analysis.runnability.weibull import Weibull, weibull

INTERVAL = "interval"
"""A point of the charts between breaks, named by the break that ended it."""


def answer_rate(
    history: History,
    period: Period,
    selection: Selection,
    *,
    sections: Sequence[str],
    turn_ups_ms: Sequence[int],
    by_shift: bool = False,
    limits: Limits | None = None,
) -> tuple[Part, ...]:
    """All parts of the answer.

    sections
        Of the machine, from the wet end.
    limits
        Of the charts of days or shifts; None: probability limits, or widened ones where breaks come in clusters.

    Raises
    ------
    TooFewEvents
        If the sheet was never on the reel.
    """
    book = ledger(history, period)
    clock, zone = OnReelClock(book), history.mill.zone
    breaks = breaks_of(history, period, selection)
    days = by_days(book, clock, breaks, zone)
    units = by_shifts(history, period, clock, breaks) if by_shift else days
    found = unit_rate(days)
    chosen = limits or (Limits.WIDENED if found.widened else Limits.PROBABILITY)
    secondary = [d for d in breaks_of(history, period, Selection(secondary=True)) if d.secondary]
    split = _section_rates(breaks, sections, clock.total_h) if selection.section is None else []
    apart = rate_of(0 if selection.secondary else len(secondary), clock.total_h)
    return (
        Part(result=tell_rate(history, period, selection.words, found, split, apart)),
        _units_part(history, period, units, chosen, by_shift=by_shift),
        _hours_part(history, period, clock, breaks),
        _reels_part(history, period, turn_ups_ms, breaks),
        _lifetimes_part(history, period, book, selection, sections),
        _clusters_part(history, period, book, clock),
    )


def _section_rates(breaks: Sequence[Downtime], sections: Sequence[str], hours: float) -> list[tuple[str, Rate]]:
    named = [d.section for d in breaks]
    order = [*sections, *sorted({n for n in named if n} - set(sections))]
    rates = [(section, rate_of(named.count(section), hours)) for section in order]
    if unknown := named.count(None):
        rates.append(("not known", rate_of(unknown, hours)))
    return rates


def _units_part(history: History, period: Period, units: Tally, limits: Limits, *, by_shift: bool) -> Part:
    title, unit = ("Breaks shift by shift", "shift") if by_shift else ("Breaks day by day", "day")

    def chart() -> Chart:
        if not units.counts:
            raise TooFewEvents("the store holds no shifts of this period; give mill.toml a [shifts] table")
        return u_chart(units, limits=limits)

    return _chart_part(history, period, title, unit, chart)


def _hours_part(history: History, period: Period, clock: OnReelClock, breaks: Sequence[Downtime]) -> Part:
    hours, labels = [], []
    for before, d in pairwise(breaks):
        if (between := clock.at(d.started_ms) - clock.at(before.started_ms)) > 0:
            hours.append(between)
            labels.append(say(d.started_ms, history.mill.zone))
    return _chart_part(history, period, "Hours between breaks", INTERVAL, lambda: t_chart(hours, labels=labels))


def _reels_part(history: History, period: Period, turn_ups_ms: Sequence[int], breaks: Sequence[Downtime]) -> Part:
    between = reels_between(turn_ups_ms, breaks)
    labels = [say(d.started_ms, history.mill.zone) for d in breaks[1:]]
    return _chart_part(history, period, "Reels between breaks", INTERVAL, lambda: g_chart(between, labels=labels))


def _lifetimes_part(
    history: History, period: Period, book: Ledger, selection: Selection, sections: Sequence[str]
) -> Part:
    runs = runs_of(book, Selection(secondary=True, section=selection.section))
    of_sections = []
    for section in sections if selection.section is None else ():
        fitted = _weibull_or_none(runs_of(book, Selection(secondary=True, section=section)))
        if fitted is not None:
            of_sections.append((section, fitted))
    found = Lifetimes(
        runs=runs,
        survival=kaplan_meier(runs) if runs.breaks else None,
        weibull=_weibull_or_none(runs),
        bands=hazard_bands(runs),
        early=_early_hazard(runs, history.machine.secondary_within_min),
        early_min=history.machine.secondary_within_min,
        sections=tuple(of_sections),
    )
    return Part(result=tell_lifetimes(history, period, found), draw=partial(_draw_lifetimes, found))


def _weibull_or_none(runs: Runs) -> Weibull | None:
    try:
        return weibull(runs)
    except TooFewEvents:
        return None


def _early_hazard(runs: Runs, within_min: float) -> Ratio | None:
    """The hazard of the first minutes over that of all later ones."""
    first, later = hazard_bands(runs, edges_min=(0.0, within_min, float("inf")))
    if not runs.breaks or not first.rate.exposure or not later.rate.exposure:
        return None
    early, rest = (Counted(events=b.rate.count, hours=b.rate.exposure) for b in (first, later))
    return exact_ratio(early, rest)


def _clusters_part(history: History, period: Period, book: Ledger, clock: OnReelClock) -> Part:
    primary, every = (breaks_of(history, period, Selection(secondary=s)) for s in (False, True))
    days = by_days(book, clock, primary, history.mill.zone)
    tallies = {
        "hour of the day": by_hour_of_day(period, clock, primary, history.mill.zone),
        "shift": by_label(book, primary, SPLITS["shift"]),
    }
    patterns = []
    for name, tally in tallies.items():
        try:
            patterns.append((name, pattern(tally)))
        except TooFewEvents:
            continue
    found = Clusters(
        secondary=share_of(len(every) - len(primary), len(every)),
        within_min=history.machine.secondary_within_min,
        scales=dispersion_by_scale(days),
        bad_days=bad_units(days),
        patterns=tuple(patterns),
    )
    return Part(result=tell_clusters(history, period, found))


def _chart_part(history: History, period: Period, title: str, unit: str, make: Callable[[], Chart]) -> Part:
    def part() -> Part:
        chart = make()
        return Part(
            result=tell_chart(history, period, title, unit, chart), draw=partial(_draw_chart, chart, title, unit)
        )

    return part_or_why_not(history, period, title, part)


def _draw_chart(chart: Chart, title: str, unit: str) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import control_picture  # noqa: PLC0415 - altair loads only to draw

    return (control_picture(chart, title, unit),)


def _draw_lifetimes(found: Lifetimes) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import hazard_picture, survival_picture  # noqa: PLC0415 - see above

    pictures = [hazard_picture(found.bands, "Breaks since the return to the reel")]
    if found.survival is not None:
        pictures.append(survival_picture(found.survival, found.weibull, "How long runs last"))
    return tuple(pictures)
