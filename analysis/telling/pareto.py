"""A Pareto in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.figures.ledger import Class, Ledger, cause_label, section_label
from analysis.figures.tonnes import money_of
from analysis.history import Downtime, History
from analysis.pareto import Bar, Measure, Pareto, Selection, Sort
from analysis.period import say
from analysis.result import MISSING, NOTHING, Cell, Result, Sheet, Table, count, length, minutes, number, significant
from analysis.telling.common import CREWS_DIFFER, about, iso, named, prices

_MEASURES_SHOWN = (Measure.MINUTES, Measure.TONNES, Measure.MONEY)


def tell_pareto(
    history: History, book: Ledger, found: Pareto, downtimes: Sequence[Downtime] | None = None, *, subject: str = ""
) -> Result:
    """Downtimes ranked along one dimension.

    downtimes
        Those behind the bars, to be listed one by one.
    subject
        Of what, where it is not one machine.
    """
    of, within = subject or history.machine.name, _within(found.selection)
    return Result(
        title=f"{_plural(found).capitalize()} by {found.by}{within}, {of}",
        subject=(subject or named(history, book.period)) + within,
        sentence=_pareto_said(found),
        tables=(
            pareto_table(found, history),
            *((_secondary_table(found),) if found.secondary else ()),
            *(() if downtimes is None else (_downtime_table(downtimes, history),)),
        ),
        values=about(history, book.period)
        | {
            "by": found.by,
            "within": dict(found.selection.within),
            "kinds": sorted(found.selection.kinds),
            "counted": found.noun,
            "primary": [_bar_values(bar, found) for bar in found.bars],
            "secondary": [_bar_values(bar, None) for bar in found.secondary],
            "break_ms": book.ms[Class.BREAK],
        }
        | ({} if downtimes is None else {"downtimes": [_downtime_values(d) for d in downtimes]}),
        cautions=_pareto_cautions(found),
    )


def _plural(found: Pareto) -> str:
    return "breaks" if found.noun == "primary break" else f"{found.noun}s"


def _within(selection: Selection) -> str:
    return "".join(f", {by} {label}" for by, label in selection.within)


def _pareto_said(found: Pareto) -> str:
    total = sum(bar.count for bar in found.bars)
    if not total:
        return f"no {found.noun}."
    said = [bar for bar in found.bars if bar.sort is not Sort.REMAINDER]
    rest = "".join(f"; {bar.count} {_named(bar)}" for bar in found.bars if bar.sort is Sort.REMAINDER and bar.count)
    if not any(bar.count for bar in said):
        return f"{count(total, found.noun)}{rest}."
    costliest = max(said, key=lambda bar: bar.lost.ms)
    first = [bar for bar in said if bar.count == max(other.count for other in said)]
    most = (
        f"{_lead(first)} of {count(total, found.noun)} "
        f"(95 % interval of the count {number(first[0].low)} to {number(first[0].high)})"
    )
    if first == [costliest]:
        return f"{most}, and costs the most time too, {length(costliest.lost.ms)}{rest}."
    if len(first) == 1 and length(first[0].lost.ms) == length(costliest.lost.ms):
        return f"{most}; {_named(costliest)} costs as much time, {length(costliest.lost.ms)}{rest}."
    turn = "; of all," if costliest in first else ", but"
    return f"{most}{turn} {_named(costliest)} costs the most time, {length(costliest.lost.ms)}{rest}."


def _lead(first: Sequence[Bar]) -> str:
    """Those that are most frequent, since several may be."""
    if len(first) == 1:
        return f"{_named(first[0])} leads with {first[0].count:,}"
    names = f"{', '.join(_named(bar) for bar in first[:-1])} and {_named(first[-1])}"
    return f"{names if len(first) <= 3 else f'{len(first)} of them'} lead together, each with {first[0].count:,}"


def _named(bar: Bar) -> str:
    return f"{bar.label} ({bar.name})" if bar.name else bar.label


def pareto_table(found: Pareto, history: History) -> Table:
    """Every bar in every measure, with its interval and its place in each order."""
    ranks = {measure: found.rank(measure) for measure in Measure}
    shares = found.cumulative_pct(Measure.COUNT)
    priced = money_of(history, lost_t=0.0, broke_t=0.0) is not None
    rows = tuple(
        (
            f"{bar.label} {bar.name}".strip(),
            f"{bar.count:,}",
            f"{bar.low:,.1f} to {bar.high:,.1f}",
            NOTHING if found.in_order else f"{shares[bar.label]:.0f} %",
            *(_sum_said(bar, measure, priced=priced) for measure in _MEASURES_SHOWN),
            " · ".join(str(ranks[m].get(bar.label, NOTHING)) for m in Measure),
            _rate_said(bar),
        )
        for bar in found.bars
    )
    columns = (found.by, _plural(found), "95 % interval", "adds up to", "lost min", "lost t")
    more = (f"cost {history.mill.currency}", "place in each", "a day of running")
    return Table(
        title=f"{_plural_of(found.noun)} by {found.by}",
        columns=(*columns, *more),
        rows=rows,
        numbers=frozenset(range(1, 9)),
        note=(
            "In brackets: 95 % intervals (of counts exact, of sums by bootstrap over breaks; of one or two the upper "
            "end is a guess). Place in each: rank by "
            f"{_plural(found)} · minutes · tonnes · money; equal ones share a place. A day of running: number per 24 h "
            f"on the reel, with exact 95 % interval. Lost time is the time ledger's: a data gap in a break is no data. "
            f"Cost: {prices(history)}."
        ),
        sheet=_pareto_sheet(found, history),
    )


def _plural_of(noun: str) -> str:
    return f"{noun}s".capitalize()


def _sum_said(bar: Bar, measure: Measure, *, priced: bool) -> str:
    digits = 0 if measure is Measure.MONEY else 1
    value, interval = bar.value(measure), bar.interval(measure)
    said = number(value, digits, MISSING if measure is Measure.MONEY and not priced else "not known")
    if value is None or interval is None or not value:
        return said
    return f"{said} ({significant(interval[0])} to {significant(interval[1])})"


def _rate_said(bar: Bar) -> str:
    day = bar.rate.per(24.0)
    return NOTHING if day is None else f"{day[0]:.2f} ({day[1]:.2f} to {day[2]:.2f})"


def _pareto_sheet(found: Pareto, history: History) -> Sheet:
    units = {Measure.COUNT: "count", Measure.MINUTES: "lost_min", Measure.TONNES: "lost_t"}
    units |= {Measure.MONEY: f"cost_{history.mill.currency}"}
    places = {measure: found.rank(measure) for measure in Measure}
    shares = {measure: found.cumulative_pct(measure) for measure in Measure}
    rows = []
    for bar in found.bars:
        row: list[Cell] = [bar.label, bar.name, bar.sort.value]
        for measure in Measure:
            low, high = bar.interval(measure) or (None, None)
            row += [bar.value(measure), low, high]
            row += [places[measure].get(bar.label), shares[measure].get(bar.label)]
        rows.append((*row, bar.rate.exposure, bar.rate.rate, bar.rate.low, bar.rate.high))
    of_each = ("", "_low", "_high", "_place", "_cumulative_pct")
    named = (f"{unit}{end}" for unit in units.values() for end in of_each)
    rates = ("on_reel_h", "per_on_reel_h", "per_on_reel_h_low", "per_on_reel_h_high")
    return Sheet(columns=(found.by, "name", "sort", *named, *rates), rows=tuple(rows))


def _secondary_table(found: Pareto) -> Table:
    rows = tuple(
        (bar.label, str(bar.count), minutes(bar.lost.ms), number(bar.value(Measure.TONNES))) for bar in found.secondary
    )
    return Table(
        title=f"Secondary breaks by {found.by}",
        columns=(found.by, "breaks", "lost min", "lost t"),
        rows=rows,
        numbers=frozenset({1, 2, 3}),
        note="They began soon after the return to the reel and follow from the break before, so they are kept apart.",
    )


def _downtime_table(downtimes: Sequence[Downtime], history: History) -> Table:
    zone, horizon_ms = history.mill.zone, history.horizon_ms
    rows = tuple(
        (
            say(d.started_ms, zone),
            d.kind + (", secondary" if d.secondary else ""),
            section_label(d),
            cause_label(d),
            minutes(d.lasts_ms(horizon_ms)) + (" so far" if d.ended_ms is None else ""),
            f"{d.crew or NOTHING}, {d.grade or NOTHING}",
            d.comment or "",
            d.downtime_id,
        )
        for d in downtimes
    )
    return Table(
        title="The downtimes themselves, longest first",
        columns=("from", "kind", "section", "cause", "min", "crew, grade", "comment", "id"),
        rows=rows,
        numbers=frozenset({4}),
        note="Whole downtimes that began in the period, also where they reach beyond its end or into a data gap.",
        sheet=_downtime_sheet(downtimes, horizon_ms),
    )


def _downtime_sheet(downtimes: Sequence[Downtime], horizon_ms: int) -> Sheet:
    columns = (*_downtime_values(downtimes[0]), "min_so_far") if downtimes else ("downtime_id",)
    rows = ((*_downtime_values(d).values(), d.lasts_ms(horizon_ms) / 60_000) for d in downtimes)
    return Sheet(columns=columns, rows=tuple(rows))


def _downtime_values(d: Downtime) -> dict[str, Any]:
    return {
        "downtime_id": d.downtime_id,
        "kind": d.kind,
        "started_at": iso(d.started_ms),
        "ended_at": iso(d.ended_ms),
        "section": d.section,
        "cause": d.cause,
        "crew": d.crew,
        "grade": d.grade,
        "secondary": d.secondary,
        "comment": d.comment,
    }


def _bar_values(bar: Bar, found: Pareto | None) -> dict[str, Any]:
    return {
        "label": bar.label,
        "name": bar.name or None,
        "sort": bar.sort.value,
        "count": bar.count,
        "count_low": bar.low,
        "count_high": bar.high,
        "lost_ms": bar.lost.ms,
        "lost_t": bar.value(Measure.TONNES),
        "lost_ms_without_rate": bar.lost.unknown_ms,
        "broke_t": bar.broke_t,
        "money": bar.money,
        "intervals": {m.value: bar.interval(m) for m in Measure},
        "per_on_reel_h": bar.rate.rate,
        "per_on_reel_h_low": bar.rate.low,
        "per_on_reel_h_high": bar.rate.high,
        "on_reel_h": bar.rate.exposure,
    } | ({} if found is None else _place_values(bar, found))


def _place_values(bar: Bar, found: Pareto) -> dict[str, Any]:
    return {
        "rank": {m.value: found.rank(m).get(bar.label) for m in Measure},
        "cumulative_pct": {m.value: found.cumulative_pct(m).get(bar.label) for m in Measure},
    }


def _pareto_cautions(found: Pareto) -> tuple[str, ...]:
    unknown = sum(bar.lost.unknown_ms for bar in found.bars)
    said = [CREWS_DIFFER] if found.by == "crew" else []
    if unknown:
        lost = length(unknown)
        said.append(f"The rate before the loss is unknown for {lost} of lost time: its tonnes and money are left out.")
    return tuple(said)
