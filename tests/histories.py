"""Histories for tests of the figures: hand-made ones with little to say, and random ones with everything in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from analysis.history import (
    Downtime,
    Freshness,
    Grade,
    GradeRun,
    History,
    Machine,
    Mill,
    Production,
    ShiftSpan,
    StateSpan,
)
from analysis.period import Period, day_start_ms

HELSINKI = ZoneInfo("Europe/Helsinki")
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
MILL = Mill(
    name="Ellerholm",
    zone=HELSINKI,
    currency="EUR",
    planned_cutoff_h=24.0,
    margin_per_t=300.0,
    broke_cost_per_t=100.0,
)


def history(
    states: Sequence[StateSpan] = (),
    downtimes: Sequence[Downtime] = (),
    *,
    shifts: Sequence[ShiftSpan] = (),
    grade_runs: Sequence[GradeRun] = (),
    production: Sequence[Production] = (),
    grades: Sequence[Grade] = (),
    mill: Mill = MILL,
    last_ms: int = 100 * 365 * DAY,
) -> History:
    """A history of PM 2 with what a test names and nothing else."""
    machine = Machine(
        machine="pm2",
        name="PM 2",
        trim_m=3.4,
        running_above_m_min=50.0,
        secondary_within_min=30.0,
        first_ms=0,
        last_ms=last_ms,
    )
    return History(
        mill=mill,
        machine=machine,
        freshness=Freshness(published_ms=last_ms, data_to_ms=last_ms),
        states=tuple(states),
        downtimes=tuple(downtimes),
        shifts=tuple(shifts),
        grade_runs=tuple(grade_runs),
        production=tuple(production),
        grades=tuple(grades),
    )


def on_reel_but_for(downtimes: Sequence[Downtime], *, from_ms: int = 0, to_ms: int = DAY, **more: object) -> History:
    """A machine that is on the reel all the time but for these downtimes, in order."""
    states, at = [], from_ms
    for d in downtimes:
        ended_ms = to_ms if d.ended_ms is None else d.ended_ms
        states.append(StateSpan(state="on_reel", started_ms=at, ended_ms=d.started_ms))
        states.append(StateSpan(state="down", started_ms=d.started_ms, ended_ms=ended_ms))
        at = ended_ms
    states.append(StateSpan(state="on_reel", started_ms=at, ended_ms=None))
    return replace(history(states, downtimes, last_ms=to_ms), **more)  # type: ignore[arg-type]  # names are History's own


def downtime(started_min: float, lasts_min: float | None, kind: str = "break", **more: object) -> Downtime:
    """A downtime by its minute of the day and its length; None while open."""
    started_ms = round(started_min * MINUTE)
    ended_ms = None if lasts_min is None else started_ms + round(lasts_min * MINUTE)
    plain = Downtime(
        downtime_id=f"pm2-{started_ms}",
        kind=kind,
        started_ms=started_ms,
        ended_ms=ended_ms,
        section="press",
        grade="C80",
    )
    return replace(plain, **more)  # type: ignore[arg-type]  # names are Downtime's own


def rota(first: date, days: int, zone: ZoneInfo = HELSINKI) -> list[ShiftSpan]:
    """Day and night shifts from 06:00 and 18:00 mill time, an hour longer or shorter where clocks change."""
    spans = []
    for n in range(days):
        day = first + timedelta(days=n)
        morning = _local_hour(day, 6, zone)
        evening, next_morning = _local_hour(day, 18, zone), _local_hour(day + timedelta(days=1), 6, zone)
        crews = "AB" if n % 2 else "CD"
        for shift, crew, a, b in (("day", crews[0], morning, evening), ("night", crews[1], evening, next_morning)):
            spans.append(ShiftSpan(shift_date=day, shift=shift, crew=crew, started_ms=a, ended_ms=b))
    return spans


def _local_hour(day: date, hour: int, zone: ZoneInfo) -> int:
    # No clock of this zone changes between 06:00 and midnight.
    return day_start_ms(day + timedelta(days=1), zone) - (24 - hour) * HOUR


DAYS = st.sampled_from([date(2026, 3, 28), date(2026, 10, 24), date(2026, 6, 10)])
"""The day before clocks go forward, the day before they go back, and an ordinary one."""
STATES = st.sampled_from(["on_reel", "on_reel", "down", "threading", "stopped", "stock_off", "no_data"])
KINDS = st.sampled_from(["break", "break", "stop", "planned", "unknown"])


@st.composite
def random_histories(draw: st.DrawFn) -> tuple[History, Period]:
    """Three days around a change of clocks, with gaps, open and overlapping downtimes, and a period within them."""
    day = draw(DAYS)
    first, last = day_start_ms(day, HELSINKI), day_start_ms(day + timedelta(days=3), HELSINKI)
    instants = st.integers(first - 6 * HOUR, last + 6 * HOUR)
    cuts = sorted(set(draw(st.lists(instants, min_size=2, max_size=12))))
    heard = draw(st.booleans())
    states = [
        StateSpan(state=draw(STATES), started_ms=a, ended_ms=b)
        for a, b in zip(cuts, [*cuts[1:], None if heard else last], strict=True)
        if b is None or b > a
    ]
    some = st.builds(_random_downtime, instants, st.integers(1, 20 * HOUR), KINDS)
    downtimes = draw(st.lists(some, max_size=6, unique_by=lambda downtime: downtime.downtime_id))
    still_open = draw(st.booleans())
    if downtimes and still_open:
        downtimes[-1] = replace(downtimes[-1], ended_ms=None)
    changes = sorted(set(draw(st.lists(instants, max_size=3))))
    runs = [
        GradeRun(grade=draw(st.sampled_from(["C60", "C80", None])), shade="white", started_ms=a, ended_ms=b)
        for a, b in zip(changes, [*changes[1:], None], strict=False)
    ]
    from_ms = draw(st.integers(first, last - 1))
    period = Period(from_ms=from_ms, to_ms=draw(st.integers(from_ms + 1, last)))
    return history(states, downtimes, shifts=rota(day, 2), grade_runs=runs, last_ms=last), period


def _random_downtime(started_ms: int, lasts_ms: int, kind: str) -> Downtime:
    return Downtime(
        downtime_id=f"pm2-{started_ms}-{lasts_ms}",
        kind=kind,
        started_ms=started_ms,
        ended_ms=started_ms + lasts_ms,
        section=("press", "reel", None)[lasts_ms % 3],
        cause=("PR-FLT", None)[lasts_ms % 2],
        location_tied=lasts_ms % 5 == 0,
        secondary=(True, False, None)[started_ms % 3],
        crew="A",
        shift="day",
        grade="C80",
        rate_before_t_h=None if lasts_ms % 7 == 0 else 12.0,
    )
