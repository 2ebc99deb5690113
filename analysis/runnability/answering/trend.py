"""The answer of ``trend``: tests and models of the rate over on-reel time, and breaks over the lives of felts."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from functools import partial

from analysis.figures.ledger import ledger
from analysis.figures.rates import rate_of
from analysis.history import Downtime, History
from analysis.period import Period
from analysis.result import Picture
from analysis.runnability.answering.part import Part, part_or_why_not
from analysis.runnability.changepoint import steps
from analysis.runnability.dispersion import LEVEL, dispersion
from analysis.runnability.mcf import MeanCumulative, mean_cumulative
from analysis.runnability.observed import Observed, TooFewEvents
from analysis.runnability.powerlaw import PowerLaw, fit, same_shape
from analysis.runnability.series import (
    Clothing,
    OnReelClock,
    Selection,
    breaks_of,
    by_days,
    campaigns,
    lost_minutes,
    lost_tonnes,
    observed,
)
from analysis.runnability.telling.trend import Lives, Together, Trend, tell_lives, tell_together, tell_trend
from analysis.runnability.trend import (
    TrendTest,
    anderson_darling,
    laplace,
    lewis_robinson,
    military_handbook,
    reverse_arrangements,
)

WEIGHTS = {"breaks": "breaks", "minutes": "min", "tonnes": "t"}


def answer_trend(history: History, period: Period, selection: Selection) -> tuple[Part, ...]:
    """The trend of one machine."""
    return (part_or_why_not(history, period, "Trend", lambda: _trend_part(history, period, selection)),)


def answer_lives(
    history: History, period: Period, selection: Selection, clothing: Sequence[Clothing], position: str, weigh: str
) -> Part:
    """Breaks over the lives of the clothing at one position; ``weigh`` is one of ``WEIGHTS``."""
    title = f"Breaks since a change of {position}"
    return part_or_why_not(
        history, period, title, lambda: _lives_part(history, period, selection, clothing, position, weigh)
    )


def answer_together(seen: Sequence[tuple[History, Period]], selection: Selection) -> Part | None:
    """The trend of all machines taken together; None where fewer than two broke often enough."""
    systems = [_observed(history, period, selection)[1] for history, period in seen]
    systems = [s for s in systems if len(s.events) >= 2]
    if len(systems) < 2:
        return None
    found = Together(
        tests=(laplace(systems), military_handbook(systems), anderson_darling(systems)),
        shape=same_shape(systems),
        curve=mean_cumulative(systems),
    )
    history, period = seen[0]
    result = tell_together(history, period, selection.words, found)
    return Part(result=result, draw=partial(_draw_curve, found.curve, "breaks", "Mean of all machines"))


def _observed(history: History, period: Period, selection: Selection) -> tuple[OnReelClock, Observed, list[Downtime]]:
    clock = OnReelClock(ledger(history, period))
    if not clock.total_h:
        raise TooFewEvents("the sheet was never on the reel in this period")
    breaks = breaks_of(history, period, selection)
    return clock, observed(history.machine.name, clock, breaks), breaks


def _trend_part(history: History, period: Period, selection: Selection) -> Part:
    clock, system, breaks = _observed(history, period, selection)
    factor = _scatter(history, period, breaks)
    tests = _tests(system, clustered=factor > 1)
    found = Trend(
        system=system,
        main=tests[0],
        tests=tests,
        constant=rate_of(len(system.events), system.end),
        steps=steps(system, dispersion=factor),
        power_law=_power_law_or_none(system, factor),
        dispersion=factor,
        moment=lambda hours: period.from_ms if hours <= 0 else clock.moment(hours),
    )
    return Part(result=tell_trend(history, period, selection.words, found), draw=partial(_draw_trend, found))


def _tests(system: Observed, *, clustered: bool) -> tuple[TrendTest, ...]:
    """The test that the sentence rests on first: Lewis-Robinson where breaks come in clusters, else Laplace."""
    tests = [laplace([system]), military_handbook([system])]
    with suppress(TooFewEvents):
        tests.append(lewis_robinson(system))
    with suppress(TooFewEvents):
        tests.append(reverse_arrangements(system.gaps))
    with suppress(TooFewEvents):
        tests.append(anderson_darling([system]))
    if clustered:
        tests.sort(key=lambda test: test.name != "Lewis-Robinson")
    return tuple(tests)


def _power_law_or_none(system: Observed, dispersion: float) -> PowerLaw | None:
    try:
        return fit([system], dispersion=dispersion)
    except TooFewEvents:
        return None


def _lives_part(
    history: History, period: Period, selection: Selection, clothing: Sequence[Clothing], position: str, weigh: str
) -> Part:
    clock, _, breaks = _observed(history, period, selection)
    horizon_ms = min(history.horizon_ms, period.to_ms)
    cost = {"breaks": None, "minutes": lost_minutes(horizon_ms), "tonnes": lost_tonnes(horizon_ms)}[weigh]
    lives = campaigns([c for c in clothing if c.position == position], period, clock, breaks, cost)
    if not lives.systems:
        raise TooFewEvents("every installation was already in when the period begins; begin earlier with --from")
    found = Lives(
        position=position,
        unit=WEIGHTS[weigh],
        curve=mean_cumulative(lives.systems),
        left_out=lives.left_out,
        test=_ageing(lives.systems, _scatter(history, period, breaks)),
    )
    result = tell_lives(history, period, selection.words, found)
    return Part(result=result, draw=partial(_draw_curve, found.curve, found.unit, result.title))


def _scatter(history: History, period: Period, breaks: Sequence[Downtime]) -> float:
    """Dispersion of daily counts where breaks come in clusters, else 1."""
    book = ledger(history, period)
    days = dispersion(by_days(book, OnReelClock(book), breaks, history.mill.zone))
    return max(1.0, days.index) if days is not None and days.p_value < LEVEL else 1.0


def _ageing(systems: Sequence[Observed], scatter: float) -> TrendTest | None:
    try:
        return laplace([s for s in systems if s.events], dispersion=scatter)
    except TooFewEvents:
        return None


def _draw_trend(found: Trend) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import trend_picture  # noqa: PLC0415 - altair loads only to draw

    return (trend_picture(found, "Breaks over time on the reel"),)


def _draw_curve(curve: MeanCumulative, unit: str, title: str) -> tuple[Picture, ...]:
    from analysis.runnability.pictures import curve_picture  # noqa: PLC0415 - see above

    return (curve_picture(curve, unit, title),)
