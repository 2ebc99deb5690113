"""The clock of a downtime in words, and what the machine was doing when the sheet was lost."""

from __future__ import annotations

from typing import Any

from analysis.dossier.answer import Dossier
from analysis.dossier.falls import Verdict
from analysis.dossier.telling.common import DAY_MS, MIN_MS, subject
from analysis.period import local
from analysis.result import NOTHING, Result, Table, count, length, number, sentence_case
from analysis.runnability.telling.wording import plain
from analysis.telling.common import SAFETY, iso


def clock_part(found: Dossier) -> Result:
    """The clock and the context; the dossier's first sentence."""
    return Result(
        title=f"{sentence_case(found.case['kind'])} {found.case['downtime_id']}, {found.history.machine.name}",
        subject=subject(found),
        sentence=_headline(found),
        tables=(_clock_table(found), _context_table(found)),
        values={
            "downtime": {
                k: plain(v) for k, v in found.case.items() if k not in ("started_ms", "ended_ms", "shift_date")
            }
            | {
                "started_at": iso(found.started_ms),
                "ended_at": iso(found.case["ended_ms"]),
                "shift_date": None if found.case["shift_date"] is None else found.case["shift_date"].isoformat(),
            },
            "advisory": SAFETY,
            "clock": _clock_values(found),
            "context": dict(_context(found)),
        },
        cautions=(*_doubts(found), SAFETY),
    )


def _headline(found: Dossier) -> str:
    case, clock = found.case, found.clock
    where = f" at {case['section']}" if case["section"] else ""
    kind = "secondary break" if case["secondary"] else case["kind"]
    lost = "still open" if clock.lost_ms is None else f"{length(clock.lost_ms)} lost"
    tries = len(clock.attempts)
    tried = f", {count(tries, 'attempt')} at threading" if tries else ""
    coded = f"coded {case['cause']}" if case["cause"] else "not coded"
    coded += f" ({case['certainty']})" if case["cause"] and case["certainty"] else ""
    broke = "" if case["broke_t"] is None else f", {number(case['broke_t'])} t of broke"
    return f"{kind}{where}, {lost}{tried}{broke}; {coded}."


def _steps(found: Dossier) -> list[tuple[str, str, int | None]]:
    """The clock: what, what more is known of it, when. [ms]"""
    clock = found.clock
    knocked = [f.seen_s for f in found.sheet.falls.of(Verdict.KNOCKED_OFF) if f.seen_s is not None]
    steps: list[tuple[str, str, int | None]] = [("t0 sheet lost", found.case["section"] or "", found.started_ms)]
    steps.append(("t1 knocked off upstream", "", found.started_ms + round(min(knocked) * 1000) if knocked else None))
    if not clock.attempts:
        steps.append(("t2 first attempt", "none seen", None))
    for n, a in enumerate(clock.attempts):
        what = f"{'t2 ' if n == 0 else ''}attempt {a.attempt}"
        steps.append((what, f"{a.outcome or 'under way'}, got to {a.reached_section or NOTHING}", a.started_ms))
    more = "" if clock.back_ms is not None else "still off"
    steps.append(("t4 back on the reel", more, clock.back_ms))
    steps.append(("t5 back at target speed", _why_no(found, clock.at_speed_ms, "target speed"), clock.at_speed_ms))
    steps.append(("t6 back in specification", _why_no(found, clock.in_spec_ms, "limits"), clock.in_spec_ms))
    return steps


def _why_no(found: Dossier, at_ms: int | None, what: str) -> str:
    if at_ms is not None or found.clock.back_ms is None:
        return ""
    grade = next((g for g in found.history.grades if g.grade == found.case["grade"]), None)
    missing = grade is None or (
        grade.target_speed_m_min is None
        if what == "target speed"
        else grade.moisture_low_pct is None and grade.basis_weight_within_pct is None
    )
    return f"the mill gives the grade no {what}" if missing else "not before the sheet was lost again, or not yet"


def _clock_table(found: Dossier) -> Table:
    zone = found.history.mill.zone
    rows = [
        (
            what,
            more or ("" if at is not None else "none seen"),
            NOTHING if at is None else local(at, zone).strftime("%H:%M:%S"),
            NOTHING if at is None else number((at - found.started_ms) / MIN_MS, 2),
        )
        for what, more, at in _steps(found)
    ]
    return Table(
        title="The clock",
        columns=("", "", "mill time", "min after the loss"),
        rows=tuple(rows),
        numbers=frozenset({3}),
        note="Lost time ends with the sheet back on the reel (t4); what follows is a loss of speed and quality. t3, "
        "the tail at size press or calender, is in the attempts.",
    )


def _clock_values(found: Dossier) -> list[dict[str, Any]]:
    return [
        {"step": what, "what": more or None, "at": iso(at), "after_ms": None if at is None else at - found.started_ms}
        for what, more, at in _steps(found)
    ]


def _tonnes(found: Dossier, column: str) -> str:
    if found.case[column] is not None:
        return f"{number(found.case[column])} t"
    return "not reckoned while it is open" if found.clock.lost_ms is None else NOTHING


def _context(found: Dossier) -> list[tuple[str, str]]:
    case, at = found.case, found.started_ms
    shift = f"{case['shift']} shift of {case['shift_date']}" if case["shift"] else NOTHING
    rows = [
        ("grade, shade", f"{case['grade'] or NOTHING}, {case['shade'] or NOTHING}"),
        ("speed before", f"{number(case['speed_before_m_min'], 0)} m/min"),
        ("rate before", f"{number(case['rate_before_t_h'])} t/h"),
        ("on the reel before", _ago(case["on_reel_before_s"])),
        ("since the turn-up", _ago(case["since_turn_up_s"]) + (", lost in it" if case["at_turn_up"] else "")),
        ("since the grade change", _ago(case["since_grade_change_s"])),
        ("crew, shift", f"{case['crew'] or NOTHING}, {shift}"),
        ("not made", _tonnes(found, "lost_t")),
        ("broke made, at reel moisture", _tonnes(found, "broke_t")),
    ]
    if found.around.washed_ms is not None:
        rows.append(("since the last planned sheet-off of an hour or more", _ago((at - found.around.washed_ms) / 1000)))
    rows += [(f"age of {c['position']}", f"{(at - c['installed_ms']) / DAY_MS:,.1f} d") for c in found.around.clothing]
    rows += [
        (f"lab, {r['test']}", f"{r['value']:g} {r['unit'] or ''}, sampled {_ago((at - r['sampled_ms']) / 1000)} before")
        for r in found.around.lab
    ]
    return rows


def _ago(seconds: float | None) -> str:
    return NOTHING if seconds is None else length(round(seconds * 1000))


def _context_table(found: Dossier) -> Table:
    return Table(title="Context at the loss", columns=("", ""), rows=tuple(_context(found)))


def _doubts(found: Dossier) -> tuple[str, ...]:
    case = found.case
    doubts = []
    if case["start_uncertain"]:
        doubts.append("The loss itself was not seen: its time is that of the first data after it.")
    if case["location_tied"]:
        doubts.append("Several detectors lost the sheet in the same scan: the section is the most upstream of them.")
    if case["unwitnessed"]:
        doubts.append("Only the last detector lost the sheet, and nothing else confirms it.")
    if case["end_uncertain"]:
        doubts.append("Data are missing inside it: its length is not sure.")
    if case["found_by"] == "crew":
        doubts.append("The crew added it: the tracker saw no loss.")
    return tuple(doubts)
