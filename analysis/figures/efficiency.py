"""Efficiency figures, each with its formula, unit and source."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from analysis.figures.durations import Estimate, mean_length, median_length
from analysis.figures.ledger import Class, Ledger
from analysis.figures.rates import Rate, mean_time_between, rate_of
from analysis.figures.tonnes import MS_PER_H, MS_PER_MIN, Made, made_by, rate_t_h
from analysis.history import Downtime, Grade, History
from analysis.paper.offspec import Specification
from analysis.period import Period

TIP = "TAPPI TIP 0404-47, as cited by D. Reese"
ISO = "ISO 22400-2, as cited by the OPC Foundation"
TRADE = "common practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure with what a reader must know to believe it.

    value
        None where it cannot be known; then ``why_not`` says why.
    low, high
        Its interval, where it has one.
    """

    name: str
    value: float | None
    unit: str
    formula: str
    source: str
    low: float | None = None
    high: float | None = None
    why_not: str = ""


# The formulas, on plain numbers.


def time_efficiency(*, on_reel_ms: int, available_ms: int) -> float | None:
    """On-reel time over available time; None without available time. [-]"""
    return on_reel_ms / available_ms if available_ms else None


def quality(*, saleable_t: float, reel_t: float) -> float | None:
    """Saleable tonnes over reel tonnes; None without any. [-]"""
    return saleable_t / reel_t if reel_t else None


def overall_machine_efficiency(*, time_efficiency: float, quality: float) -> float:
    """Time efficiency x quality. [-]"""
    return time_efficiency * quality


def speed_efficiency(*, length_m: float, target_length_m: float) -> float | None:
    """Sheet onto the reel over what the target speeds would have brought in the same time; None without any. [-]"""
    return length_m / target_length_m if target_length_m else None


def availability(*, apt: float, pbt: float) -> float:
    """ISO 22400-2: actual production time over planned busy time, in one unit of time. [-]"""
    return apt / pbt


def effectiveness(*, pri: float, pq: float, apt: float) -> float:
    """ISO 22400-2: planned run time per item x produced quantity over actual production time. [-]"""
    return pri * pq / apt


def quality_ratio(*, gq: float, pq: float) -> float:
    """ISO 22400-2: good quantity over produced quantity. [-]"""
    return gq / pq


def oee_index(*, availability: float, effectiveness: float, quality_ratio: float) -> float:
    """ISO 22400-2: the product of the three; equal to pri x gq / pbt. [-]"""
    return availability * effectiveness * quality_ratio


# The figures of a period.


def available_ms(book: Ledger, downtimes: Iterable[Downtime], *, planned_cutoff_h: float, horizon_ms: int) -> int:
    """Length of the period less time without data, less planned downtimes longer than the cut-off. [ms]

    A downtime is measured whole, also where the period shows only part of it; that part is what is left out.
    """
    inside = book.by_downtime
    long_planned = sum(
        inside.get(d.downtime_id, 0)
        for d in downtimes
        if d.kind == "planned" and d.lasts_ms(horizon_ms) > planned_cutoff_h * MS_PER_H
    )
    return book.period.length_ms - book.ms[Class.NO_DATA] - long_planned


@dataclass(frozen=True, slots=True, kw_only=True)
class Efficiency:
    """The efficiency figures of one machine and period, and the times they are made of. [ms]"""

    on_reel_ms: int
    available_ms: int
    left_out_planned_ms: int
    no_data_ms: int
    breaks: Rate
    secondary: int
    figures: tuple[Figure, ...]

    def figure(self, name: str) -> Figure:
        """One figure by its name; KeyError for none."""
        return {f.name: f for f in self.figures}[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quality:
    """Quality with how it was come by: the same for every figure that is made of it."""

    value: float | None
    formula: str
    source: str
    why_not: str = ""


_NO_QUALITY = (
    "mill.toml gives the grades no limits that a signal tells of, and the store does not hold saleable tonnes: "
    "'efficiency' takes them with --saleable-t and --reel-t"
)


def efficiency(
    history: History,
    book: Ledger,
    *,
    saleable_t: float | None = None,
    reel_t: float | None = None,
    paper: Specification | None = None,
) -> Efficiency:
    """The efficiency figures of a period.

    saleable_t, reel_t
        Of the period, both at reel moisture: with them quality is what the winder let pass. [t]
    paper
        How the paper on the reel was judged: without saleable tonnes, quality is its share within limits. Without
        either, quality and what is made of it is "not set".
    """
    on_reel_ms, no_data_ms = book.ms[Class.ON_REEL], book.ms[Class.NO_DATA]
    available = available_ms(
        book, history.downtimes, planned_cutoff_h=history.mill.planned_cutoff_h, horizon_ms=history.horizon_ms
    )
    breaks = [d for d in history.downtimes if d.kind == "break" and book.period.holds(d.started_ms)]
    primary = rate_of(sum(not d.secondary for d in breaks), on_reel_ms / MS_PER_H)
    known_quality = _quality(saleable_t, reel_t, paper)
    uptime = time_efficiency(on_reel_ms=on_reel_ms, available_ms=available)
    grades = made_by(history.production, book.period, lambda row: row.grade)
    return Efficiency(
        on_reel_ms=on_reel_ms,
        available_ms=available,
        left_out_planned_ms=book.period.length_ms - no_data_ms - available,
        no_data_ms=no_data_ms,
        breaks=primary,
        secondary=sum(bool(d.secondary) for d in breaks),
        figures=(
            *_machine_figures(history, uptime, known_quality),
            _speed_figure(history, grades),
            *_sheet_figures(breaks, primary),
            *_saleable_figures(paper, book.period),
            *_iso_figures(history, book, available, known_quality, grades),
        ),
    )


def _quality(saleable_t: float | None, reel_t: float | None, paper: Specification | None) -> _Quality:
    if saleable_t is not None and reel_t:
        return _Quality(value=quality(saleable_t=saleable_t, reel_t=reel_t), formula="saleable t / reel t", source=TIP)
    if paper is None or paper.quality is None:
        return _Quality(value=None, formula="saleable t / reel t", source=TIP, why_not=_NO_QUALITY)
    return _Quality(
        value=paper.quality,
        formula=(
            f"t within the grade's limits / t judged on the reel ({paper.judged_t:,.1f} t); losses at winder and "
            "finishing are not in it"
        ),
        source=TRADE,
    )


def _machine_figures(history: History, uptime: float | None, quality: _Quality) -> tuple[Figure, ...]:
    cutoff = f"{history.mill.planned_cutoff_h:g} h"
    ome = None
    if uptime is not None and quality.value is not None:
        ome = overall_machine_efficiency(time_efficiency=uptime, quality=quality.value)
    return (
        Figure(
            name="time efficiency",
            value=uptime,
            unit="%",
            formula=f"on-reel time / (period − no data − planned downtimes longer than {cutoff})",
            source=TIP,
            why_not="no time was available",
        ),
        Figure(
            name="quality",
            value=quality.value,
            unit="%",
            formula=quality.formula,
            source=quality.source,
            why_not=quality.why_not,
        ),
        Figure(
            name="overall machine efficiency",
            value=ome,
            unit="%",
            formula="time efficiency × quality as above",
            source=TIP,
            why_not=quality.why_not or "no time was available",
        ),
    )


def _speed_figure(history: History, grades: Mapping[str | None, Made]) -> Figure:
    """Speed efficiency over all grades made: only where every grade has its target."""
    targets = {g.grade: g.target_speed_m_min for g in history.grades}
    length_m, target_m, why_not = 0.0, 0.0, "nothing was made"
    for grade, made in grades.items():
        target = targets.get(grade or "")
        if target is None:
            length_m, target_m, why_not = 0.0, 0.0, f"no target speed for grade {grade or 'unknown'}"
            break
        length_m += made.length_m
        target_m += target * made.on_reel_ms / MS_PER_MIN
    return Figure(
        name="speed efficiency",
        value=speed_efficiency(length_m=length_m, target_length_m=target_m),
        unit="%",
        formula="length of sheet onto the reel / (target speed of each grade × its time on the reel)",
        source=TRADE,
        why_not=why_not,
    )


def _sheet_figures(breaks: Sequence[Downtime], rate: Rate) -> tuple[Figure, ...]:
    between, low, high = mean_time_between(rate)
    sure = [d.ended_ms - d.started_ms for d in breaks if d.ended_ms is not None and _sure(d)]
    left_out = len(breaks) - len(sure)
    apart = f"; {left_out} open or of uncertain length left out" if left_out else ""
    restore, middle = mean_length(sure), median_length(sure)
    return (
        Figure(
            name="mean time between breaks",
            value=between,
            low=low,
            high=high,
            unit="h on reel",
            formula="on-reel time / primary breaks, exact Poisson interval at 95 %",
            source="NIST/SEMATECH e-Handbook, 8.4.5.1",
            why_not="no break in the period",
        ),
        _in_minutes(
            restore,
            name="mean time to restore the sheet",
            formula=f"mean lost time of all breaks that began in the period, interval of a lognormal mean{apart}",
            source=f"{ISO} (TTR); U. Olsson, J. Statistics Education 13(1), 2005",
            why_not="no finished break in the period",
        ),
        _in_minutes(
            middle,
            name="median time to restore the sheet",
            formula=f"median lost time of all breaks that began in the period, distribution-free interval{apart}",
            source=f"{TRADE}; W. J. Conover, Practical Nonparametric Statistics",
            why_not="no finished break in the period",
        ),
    )


def _in_minutes(found: Estimate | None, *, name: str, formula: str, source: str, why_not: str) -> Figure:
    def minutes(ms: float | None) -> float | None:
        return None if ms is None else ms / MS_PER_MIN

    return Figure(
        name=name,
        value=None if found is None else minutes(found.value),
        low=None if found is None else minutes(found.low),
        high=None if found is None else minutes(found.high),
        unit="min",
        formula=formula,
        source=source,
        why_not=why_not,
    )


def _saleable_figures(paper: Specification | None, period: Period) -> tuple[Figure, ...]:
    """How long after lost time the machine took to be itself again; never a part of lost time."""
    begun = [c for c in paper.clocks if c.back_ms is not None and period.holds(c.back_ms)] if paper else []
    speed = [ms for c in begun if (ms := c.to_speed_ms) is not None]
    spec = [ms for c in begun if (ms := c.to_spec_ms) is not None]
    none = "no limits, targets or samples, or the sheet was lost again before"
    return (
        _in_minutes(
            median_length(speed),
            name="median time from the reel to target speed",
            formula=f"of {len(speed)} of {len(begun)} returns to the reel; the others: lost before, or no target",
            source=TRADE,
            why_not=none,
        ),
        _in_minutes(
            median_length(spec),
            name="median time from the reel to saleable",
            formula=f"of {len(spec)} of {len(begun)} returns to the reel, until within limits to stay; not lost time",
            source=TRADE,
            why_not=none,
        ),
    )


def _sure(downtime: Downtime) -> bool:
    return not (downtime.start_uncertain or downtime.end_uncertain)


def _iso_figures(
    history: History, book: Ledger, pbt_ms: int, quality: _Quality, grades: Mapping[str | None, Made]
) -> tuple[Figure, ...]:
    a = availability(apt=book.ms[Class.ON_REEL], pbt=pbt_ms) if pbt_ms else None
    e, why_not = _effectiveness(history, grades)
    oee = None
    if a is not None and e is not None and quality.value is not None:
        oee = oee_index(availability=a, effectiveness=e, quality_ratio=quality.value)
    return (
        Figure(
            name="availability (ISO 22400-2)",
            value=a,
            unit="%",
            formula="APT / PBT; APT = on-reel time, PBT = available time as above",
            source=ISO,
            why_not="no time was planned busy",
        ),
        Figure(
            name="effectiveness (ISO 22400-2)",
            value=e,
            unit="%",
            formula="PRI × PQ / APT; item = tonne, PQ = reel t, PRI = 1 / (trim × target speed × nominal basis weight)",
            source=ISO,
            why_not=why_not,
        ),
        Figure(
            name="quality ratio (ISO 22400-2)",
            value=quality.value,
            unit="%",
            formula="GQ / PQ; GQ = good t, PQ = reel t, as for quality above",
            source=ISO,
            why_not=quality.why_not,
        ),
        Figure(
            name="OEE index (ISO 22400-2)",
            value=oee,
            unit="%",
            formula="availability × effectiveness × quality ratio",
            source=ISO,
            why_not=quality.why_not or why_not,
        ),
    )


def _effectiveness(history: History, grades: Mapping[str | None, Made]) -> tuple[float | None, str]:
    """Effectiveness over all grades made: hours that their tonnes take at target, over hours on the reel."""
    planned_h, apt_h = 0.0, 0.0
    targets = {g.grade: g for g in history.grades}
    for grade, made in grades.items():
        rate = _target_t_h(targets.get(grade or ""), history.machine.trim_m)
        if rate is None:
            return None, f"no target speed, basis weight or trim for grade {grade or 'unknown'}"
        if made.unknown_ms:
            return None, f"the basis weight was unknown for {made.unknown_ms / MS_PER_H:.1f} h of grade {grade}"
        planned_h += effectiveness(pri=1 / rate, pq=made.tonnes_t, apt=1.0)
        apt_h += made.on_reel_ms / MS_PER_H
    return (planned_h / apt_h, "") if apt_h else (None, "nothing was made")


def _target_t_h(grade: Grade | None, trim_m: float | None) -> float | None:
    if grade is None or not grade.target_speed_m_min or not grade.basis_weight_g_m2 or not trim_m:
        return None
    return rate_t_h(trim_m=trim_m, speed_m_min=grade.target_speed_m_min, basis_weight_g_m2=grade.basis_weight_g_m2)
