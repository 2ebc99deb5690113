"""What every answer says beside its figures: of what, how fresh, with which settings, and the safety notice."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from analysis.figures.ledger import Class, Ledger
from analysis.figures.rates import CONFIDENCE
from analysis.history import History
from analysis.period import Period, say, say_period
from analysis.result import MISSING, length, number

SAFETY = (
    "Advisory only: this is drawn from past data and knows nothing of who stands where. Do not enter, reach into or "
    "thread the machine on the strength of it. Site rules, isolation and guarding decide; clearing broke and threading "
    "follow the written safe system of work, local codes and qualified people."
)
"""The notice that every advisory view carries."""
CREWS_DIFFER = (
    "Crews are not dealt the same breaks: sections, grades, hours and stock differ between them. A difference says "
    "where to ask what helps, not who is better."
)


def iso(at_ms: int | None) -> str | None:
    """An instant for programs: RFC 3339 in UTC, to the millisecond; None for none."""
    if at_ms is None:
        return None
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def about(history: History, period: Period) -> dict[str, Any]:
    """Of what and when an answer is, how fresh its data are, and the settings it depends on."""
    mill, machine = history.mill, history.machine
    return {
        "mill": mill.name,
        "machine": machine.machine,
        "period": {
            "from": iso(period.from_ms),
            "to": iso(period.to_ms),
            "ms": period.length_ms,
            "name": period.name or None,
            "time_zone": str(mill.zone),
        },
        "published_at": iso(history.freshness.published_ms),
        "data_to": iso(machine.last_ms),
        "settings": {
            "planned_cutoff_h": mill.planned_cutoff_h,
            "secondary_within_min": machine.secondary_within_min,
            "trim_m": machine.trim_m,
            "at_speed_within_pct": machine.at_speed_within_pct,
            "settled_s": machine.settled_s,
            "reel_moisture_pct": machine.reel_moisture_pct,
            "added_g_m2": machine.added_g_m2,
            "margin_per_t": mill.margin_per_t,
            "broke_cost_per_t": mill.broke_cost_per_t,
            "currency": mill.currency,
            "confidence": CONFIDENCE,
        },
    }


def freshness_said(history: History) -> str:
    """How fresh the data are, for people."""
    zone, newest_ms = history.mill.zone, history.machine.last_ms
    newest = "no data yet" if newest_ms is None else f"data up to {say(newest_ms, zone)}"
    return f"{history.machine.name}: {newest}, published {say(history.freshness.published_ms, zone)} (mill time)."


def named(history: History, period: Period) -> str:
    """Machine and period, for people: how every sentence begins."""
    return f"{history.machine.name}, {period.name or say_period(period, history.mill.zone)}"


def cautions(history: History, book: Ledger) -> tuple[str, ...]:
    """What makes figures of time less than they seem."""
    found = []
    if gap := book.ms[Class.NO_DATA]:
        found.append(f"Nothing is known of {length(gap)} of the period: that time is left out of every efficiency.")
    if any(d.ended_ms is None for d in history.downtimes):
        found.append("A downtime is still open; it counts up to the newest data.")
    return tuple(found)


def prices(history: History) -> str:
    """The prices behind every cost, for people."""
    mill = history.mill
    margin = MISSING if mill.margin_per_t is None else f"{mill.margin_per_t:g} {mill.currency}"
    broke = MISSING if mill.broke_cost_per_t is None else f"{mill.broke_cost_per_t:g} {mill.currency}"
    return f"margin a lost tonne {margin}, broke a tonne {broke}"


def definitions(history: History) -> tuple[tuple[str, str], ...]:
    """What the words and settings of a report mean."""
    machine = history.machine
    cutoff, soon = f"{history.mill.planned_cutoff_h:g} h", f"{history.machine.secondary_within_min:g} min"
    return (
        (
            "Lost time",
            "from the loss of the sheet to the sheet back on the reel; time back to saleable paper is not in it.",
        ),
        (
            "To saleable",
            "lost time and what follows it on the reel, until the paper is within every limit of its grade to stay "
            f"({machine.settled_s:g} s); target speed likewise, at most {machine.at_speed_within_pct:g} % below it.",
        ),
        (
            "Quality",
            "tonnes within the grade's limits over tonnes judged, or saleable over reel tonnes where they are given; "
            "off-specification paper of a grade change is a loss of quality, not of time; the winder is not inside.",
        ),
        ("Available time", f"the period less time without data and less planned downtimes longer than {cutoff}."),
        ("Time efficiency", "on-reel time over available time; speed plays no part."),
        ("Secondary break", f"one that begins within {soon} of the return to the reel; kept apart from primary ones."),
        (
            "Section",
            "of the detector that lost the sheet first; tied, unwitnessed and uncertain ones are bars of their own.",
        ),
        ("Shift", "a break belongs to the shift in which it begins; minutes are split at shift ends."),
        (
            "Intervals",
            "95 %, of counts exact (Garwood), of sums by bootstrap over breaks; they do not allow for breaks that come "
            "in clusters.",
        ),
        ("Rates", "per hour, or per 24 h, with the sheet on the reel."),
        ("Tonnes", f"speed × trim ({number(history.machine.trim_m, 2, MISSING)} m) × basis weight, at reel moisture."),
        ("Lost tonnes", "lost time × rate over the last 30 on-reel minutes of the same grade run."),
        (
            "Broke",
            "oven-dry: what fell with stock on and the sheet off, at the speed the machine ran and the basis weight "
            "before the loss; in money and in the Pareto at the rate before the loss, at reel moisture.",
        ),
        ("Cost", f"{prices(history)}."),
    )
