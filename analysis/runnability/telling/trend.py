"""Trend of the break rate in words: tests, models, and breaks over the life of felts."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from analysis.figures.rates import Rate
from analysis.history import History
from analysis.period import Period, say
from analysis.result import Result, Table, count, number
from analysis.runnability.changepoint import Steps
from analysis.runnability.mcf import MeanCumulative
from analysis.runnability.observed import Observed
from analysis.runnability.powerlaw import PowerLaw, SameShape
from analysis.runnability.telling.wording import a_day, amount, chance, plain, span
from analysis.runnability.trend import TrendTest
from analysis.telling.common import about, named

CALLED = 0.05
CONSTANT, STEPS, POWER = "constant rate", "rate in steps", "power law"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Everything asked of the trend of one machine.

    main
        The test that the sentence rests on: Laplace, or Lewis-Robinson where gaps are more uneven than by chance.
    tests
        All of them, ``main`` first.
    power_law
        None with too few breaks.
    dispersion
        Above 1 where breaks come in clusters: variance of daily counts over their mean.
    moment
        From on-reel hours to the instant at which they had passed. [h], [ms]
    """

    system: Observed
    main: TrendTest
    tests: tuple[TrendTest, ...]
    constant: Rate
    steps: Steps
    power_law: PowerLaw | None
    moment: Callable[[float], int]
    dispersion: float = 1.0

    @property
    def models(self) -> tuple[tuple[str, float, float], ...]:
        """Name, log-likelihood and Bayesian criterion of each model, best first.

        Log-likelihoods are divided by the dispersion first. Parameters: 1 of a constant rate, 2 of a power law, 2c + 1
        of c steps. Source: G. Schwarz, Annals of Statistics 6 (1978) 461-464.
        """
        events = len(self.system.events)
        constant = events * math.log(events / self.system.end) - events
        found = [(CONSTANT, constant, 1)]
        if self.steps.changes:
            found.append((STEPS, self.steps.log_likelihood, 2 * len(self.steps.changes) + 1))
        if self.power_law is not None:
            found.append((POWER, self.power_law.log_likelihood, 2))
        scored = [
            (name, fit, parameters * math.log(events) - 2 * fit / self.dispersion) for name, fit, parameters in found
        ]
        return tuple(sorted(scored, key=lambda model: model[2]))

    @property
    def best(self) -> str:
        """The best model, passing over a power law whose fit is refused at 5 %."""
        law = self.power_law
        refused = law is not None and law.fit_level is not None and law.fit_level <= CALLED
        return next(name for name, *_ in self.models if not (refused and name == POWER))


def tell_trend(history: History, period: Period, words: str, found: Trend) -> Result:
    """Whether the rate rises or falls, and how it is best described."""
    values = {
        "counted": words,
        "tests": plain(found.tests),
        "constant_rate_per_on_reel_h": plain(found.constant),
        "steps": plain(found.steps),
        "power_law": plain(found.power_law),
        "models": [{"model": n, "log_likelihood": f, "bayesian_criterion": b} for n, f, b in found.models],
    }
    return Result(
        title=f"Trend, {history.machine.name}",
        subject=named(history, period),
        sentence=_said(history, words, found),
        tables=(_test_table(found.tests), _model_table(found), *_step_tables(history, found)),
        values=about(history, period) | values,
        cautions=_trend_cautions(found),
    )


def _trend_cautions(found: Trend) -> tuple[str, ...]:
    said = [
        "A trend over on-reel time says nothing of its cause: seasons, grades and clothing change with time as well."
    ]
    if found.dispersion > 1:
        said.append(
            f"Breaks come in clusters: days scatter {found.dispersion:.1f} times as much as independent breaks would. "
            "Steps and the limits of the power law allow for it; Laplace, MIL-HDBK-189 and Anderson-Darling do not."
        )
    return tuple(said)


def _said(history: History, words: str, found: Trend) -> str:
    main = found.main
    direction = "rising" if (main.p_rising or 1) < (main.p_falling or 1) else "falling"
    shown = (
        f"the rate of {words} is {direction} ({main.name} {chance(main.p_value)})"
        if main.p_value < CALLED
        else f"no trend of {words} is shown ({main.name} {chance(main.p_value)})"
    )
    return f"{shown}; {_model_said(history, found)}."


def _model_said(history: History, found: Trend) -> str:
    best = found.best
    if best == STEPS:
        last = found.steps.segments[-1]
        when = [say(found.moment(c.at), history.mill.zone) for c in found.steps.changes]
        return (
            f"the breaks are best described by {count(len(when), 'step')} ({', '.join(when[-3:])}), since the last of "
            f"which the rate is {a_day(last.rate.rate)} a day on the reel "
            f"({a_day(last.rate.low)} to {a_day(last.rate.high)})"
        )
    if best == POWER and found.power_law is not None:
        model = found.power_law
        return (
            f"the breaks are best described by a power law of shape {model.beta:.2f} "
            f"({span(model.beta_low, model.beta_high)}), by which the rate is now {a_day(model.rate_now)} a "
            f"day on the reel ({a_day(model.rate_low)} to {a_day(model.rate_high)})"
        )
    rate = found.constant
    return (
        f"a constant rate of {a_day(rate.rate)} a day on the reel ({a_day(rate.low)} to {a_day(rate.high)}) describes "
        "the breaks best"
    )


def _test_table(tests: Sequence[TrendTest]) -> Table:
    rows = tuple(
        (
            t.name,
            number(t.statistic, 0 if float(t.statistic).is_integer() else 3)
            + (f" ({count(t.df, 'degree')} of freedom)" if t.df else ""),
            str(t.events),
            "–" if t.p_rising is None else chance(t.p_rising),
            "–" if t.p_falling is None else chance(t.p_falling),
            chance(t.p_value),
        )
        for t in tests
    )
    return Table(
        title="Tests against a constant rate",
        columns=("test", "statistic", "breaks", "rising", "falling", "either"),
        rows=rows,
        numbers=frozenset({1, 2}),
        note="The sentence rests on the first; the others ask different questions of the same breaks (METHODS.md) and "
        "may disagree.",
    )


def _model_table(found: Trend) -> Table:
    rows = tuple((name, number(fit, 2), number(criterion, 2)) for name, fit, criterion in found.models)
    law = found.power_law
    fit = "" if law is None else f" Cramér-von Mises of the power law {law.fit_statistic:.3f}: {_fit_said(law)}."
    return Table(
        title="Models of the rate, best first",
        columns=("model", "log-likelihood", "Bayesian criterion"),
        rows=rows,
        numbers=frozenset({1, 2}),
        note=f"The smaller the criterion, the better; differences below 2 say little.{fit}",
    )


def _fit_said(law: PowerLaw) -> str:
    return "not refused at 20 %" if law.fit_level is None else f"refused at {100 * law.fit_level:g} %, so it fits badly"


def _step_tables(history: History, found: Trend) -> tuple[Table, ...]:
    if not found.steps.changes:
        return ()
    zone = history.mill.zone
    changes = tuple(
        (
            say(found.moment(c.at), zone),
            f"{say(found.moment(c.earliest), zone)} to {say(found.moment(c.latest), zone)}",
            chance(c.p_value),
        )
        for c in found.steps.changes
    )
    segments = tuple(
        (
            f"{say(found.moment(s.start), zone)} to {say(found.moment(s.end), zone)}",
            str(s.rate.count),
            f"{s.rate.exposure:,.1f}",
            a_day(s.rate.rate),
            a_day(s.rate.low),
            a_day(s.rate.high),
        )
        for s in found.steps.segments
    )
    return (
        Table(title="Steps of the rate", columns=("mill time", "between", "p"), rows=changes),
        Table(
            title="Rate between the steps",
            columns=("mill time", "breaks", "on-reel h", "a day on the reel", "from", "to"),
            rows=segments,
            numbers=frozenset({1, 2, 3, 4, 5}),
            note="The limits take the steps as given: choosing them where rates differ most makes differences look "
            "larger.",
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Several machines taken together: tests of a common trend, and the mean curve over them."""

    tests: tuple[TrendTest, ...]
    shape: SameShape
    curve: MeanCumulative


def tell_together(history: History, period: Period, words: str, found: Together) -> Result:
    """The trend of several machines taken together."""
    main, curve = found.tests[0], found.curve
    verdict = "is shown" if main.p_value < CALLED else "is not shown"
    differ = "is shown" if found.shape.p_value < CALLED else "is not shown"
    return Result(
        title="All machines together",
        subject=f"{count(curve.systems, 'machine')}, each from its own beginning",
        sentence=f"a common trend of {words} {verdict} ({main.name} {chance(main.p_value)}); that their rates change "
        f"in "
        f"different ways {differ} ({chance(found.shape.p_value)}); by {curve.ages[-1]:,.0f} h on the reel a machine "
        f"has had "
        f"{amount(float(curve.mean[-1]), 1)} of them on average "
        f"({span(float(curve.low[-1]), float(curve.high[-1]), 1)}).",
        tables=(_test_table(found.tests), _curve_table(curve, words)),
        values=about(history, period) | {"together": plain(found)},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lives:
    """The mean cumulative function over the felts of one position, and what it counts.

    unit
        ``breaks``, ``min`` or ``t``.
    """

    position: str
    unit: str
    curve: MeanCumulative
    left_out: int
    test: TrendTest | None


def tell_lives(history: History, period: Period, words: str, found: Lives) -> Result:
    """How breaks add up over the life of a felt."""
    curve = found.curve
    per = {"breaks": words, "min": f"minutes lost to {words}", "t": f"tonnes lost to {words}"}[found.unit]
    sentence = (
        f"by {curve.ages[-1]:,.0f} h on the reel a {found.position} has had {amount(float(curve.mean[-1]), 1)} {per} "
        f"on average ({span(float(curve.low[-1]), float(curve.high[-1]), 1)}), over "
        f"{count(curve.systems, 'installation')}; {_ageing_said(found)}."
    )
    return Result(
        title=f"{words[:1].upper()}{words[1:]} since a change of {found.position}, {history.machine.name}",
        subject=named(history, period),
        sentence=sentence,
        tables=(_curve_table(curve, per),),
        values=about(history, period)
        | {"position": found.position, "unit": found.unit, "left_out": found.left_out, "curve": plain(curve)},
        cautions=_lives_cautions(found),
    )


def _ageing_said(found: Lives) -> str:
    test = found.test
    if test is None:
        return "too few breaks to tell whether the rate changes with its age"
    if test.p_value >= CALLED:
        return f"that the rate changes with its age is not shown ({test.name} {chance(test.p_value)})"
    direction = "rises" if (test.p_rising or 1) < (test.p_falling or 1) else "falls"
    return f"the rate {direction} with its age ({test.name} {chance(test.p_value)})"


def _lives_cautions(found: Lives) -> tuple[str, ...]:
    said = []
    if found.left_out:
        said.append(
            f"{count(found.left_out, 'installation')} already in when the period begins left out: the age is not known."
        )
    if found.curve.systems < 5:
        said.append(f"Only {count(found.curve.systems, 'installation')}: the limits are wide for good reason.")
    return tuple(said)


def _curve_table(curve: MeanCumulative, per: str) -> Table:
    last = curve.ages.size - 1
    picked = sorted({round(i * last / 9) for i in range(10)})
    rows = tuple(
        (
            f"{curve.ages[i]:,.1f}",
            f"{curve.at_risk[i]:.0f}",
            amount(float(curve.mean[i])),
            amount(float(curve.low[i])),
            amount(float(curve.high[i])),
        )
        for i in picked
    )
    return Table(
        title=f"Mean cumulative {per}",
        columns=("age [on-reel h]", "seen at that age", "mean", "from", "to"),
        rows=rows,
        numbers=frozenset({0, 1, 2, 3, 4}),
        note="Robust 95 % limits (Lawless-Nadeau, Student's t) for any one age; of a single installation, Poisson "
        "limits.",
    )
