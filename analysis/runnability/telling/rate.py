"""The break rate in words."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.figures.rates import Rate, mean_time_between
from analysis.history import History
from analysis.period import Period
from analysis.result import Result, Table
from analysis.runnability.dispersion import UnitRate
from analysis.runnability.telling.wording import a_day, amount, chance, level, plain, span
from analysis.telling.common import about, named


def tell_rate(
    history: History, period: Period, words: str, found: UnitRate, sections: Sequence[tuple[str, Rate]], apart: Rate
) -> Result:
    """The rate of the period, and of each section.

    words
        What was counted, in the plural (``primary breaks``).
    apart
        Rate of the secondary breaks, shown beside it.
    """
    rate = found.exact
    rows = [("all", rate, (found.low, found.high)), *((name, r, (r.low, r.high)) for name, r in sections)]
    if apart.count:
        rows.append(("secondary breaks, apart", apart, (apart.low, apart.high)))
    table = Table(
        title=f"Rate of {words}",
        columns=("section", "breaks", "on-reel h", "a day on the reel", "from", "to"),
        rows=tuple(
            (name, str(r.count), f"{r.exposure:,.1f}", a_day(r.rate), a_day(low), a_day(high))
            for name, r, (low, high) in rows
        ),
        numbers=frozenset({1, 2, 3, 4, 5}),
        note=f"A day on the reel is 24 h of running. Limits at {level(rate.confidence)}: "
        + ("all: quasi-Poisson; sections: exact." if found.widened else "exact (Garwood)."),
    )
    return Result(
        title=f"Break rate, {history.machine.name}",
        subject=named(history, period),
        sentence=_rate_said(words, found),
        tables=(table,),
        values=about(history, period)
        | {
            "counted": words,
            "rate_per_on_reel_h": plain(found),
            "sections": {name: plain(r) for name, r in sections},
            "secondary": plain(apart),
        },
        cautions=_rate_cautions(found),
    )


def _rate_said(words: str, found: UnitRate) -> str:
    rate = found.exact
    if not rate.count:
        return (
            f"no {words} in {rate.exposure:,.1f} h on the reel; at {level(rate.confidence)} their rate is below "
            f"{a_day(rate.high)} a day on the reel."
        )
    mean, _, _ = mean_time_between(rate)
    between = f"one in {amount(mean, 1)} h ({span(1 / found.high, 1 / found.low, 1)} h)"
    return (
        f"{a_day(rate.rate)} {words} a day on the reel ({a_day(found.low)} to {a_day(found.high)} at "
        f"{level(rate.confidence)}), {between}: {rate.count:,} in {rate.exposure:,.1f} h on the reel."
    )


def _rate_cautions(found: UnitRate) -> tuple[str, ...]:
    if found.dispersion is None:
        return ("Too few days to tell whether breaks come in clusters; the interval takes them as independent.",)
    if not found.widened:
        return ()
    exact = f"{a_day(found.exact.low)} to {a_day(found.exact.high)}"
    return (
        f"Breaks come in clusters: counts of days scatter {found.dispersion.index:.1f} times as much as independent "
        f"breaks would ({chance(found.dispersion.p_value)}); the interval allows for it, those of sections do not. "
        f"Exact, as 'trend' and the report say it, it is {exact}.",
    )
