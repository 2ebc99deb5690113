"""A shift review as the texts of its loss sheet. No figure is worked out here that another answer has as well."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis.broke.made import broke_made
from analysis.figures.ledger import Class
from analysis.figures.plan import Plan, plan
from analysis.figures.rounding import in_whole_units
from analysis.figures.shift_review import ShiftReview, numbers_by_time
from analysis.history import History, ShiftSpan
from analysis.loss_sheet import rows
from analysis.loss_sheet.model import Account, Band, Line, LossSheet, Signer, plain
from analysis.period import say
from analysis.result import MISSING, NOTHING, count, length, minutes, number, percent, sentence_case
from analysis.telling.common import SAFETY, cautions, definitions, freshness_said
from analysis.telling.shift import tell_shift
from analysis.telling.tonnes import production_table

SETTLED_MS = 120_000
"""So long after a moment nothing of it is undecided: the kind of a loss, a return to the reel, late values. [ms]"""
_TENTH_MS = 6_000
"""Minutes are printed to the tenth, rounded so that those on paper add up as well. [ms]"""
_NAME, _CREW = 32, 14
_REMARKS = 5
"""Lines that must be free for a frame to write in."""
_WORDS = ("Lost time", "Available time", "Time efficiency", "Shift", "Lost tonnes", "Tonnes", "Broke", "Cost")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Of which shift a sheet is, and what else must stand on it.

    coming
        The shift that follows, if the store knows it.
    version
        Of the program.
    """

    shift: ShiftSpan
    coming: ShiftSpan | None
    version: str
    demo: bool = False


def is_settled(shift: ShiftSpan, last_ms: int) -> bool:
    """Whether the newest data are so far past the end of a shift that its sheet will not change by itself. [ms]"""
    return last_ms >= shift.ended_ms + SETTLED_MS


def loss_sheet(history: History, review: ShiftReview, asked: Asked, band: Band) -> LossSheet:
    """The sheet of one shift.

    review
        Of that shift, clipped at the newest data.
    band
        Drawn with ``marks_of`` the same review.
    """
    history, shift, zone = _printable(history), asked.shift, history.mill.zone
    list_checked, list_fault = rows.checked(review)
    listed, more = rows.listed(history, review)
    return LossSheet(
        title=f"Shift loss sheet, {history.machine.name}, {_shift_said(shift)}",
        mill=history.mill.name,
        demo="Demo data: an invented mill" if asked.demo or history.mill.demo else "",
        machine=history.machine.name,
        shift=_shift_said(shift),
        crew=plain(shift.crew, _CREW),
        hours=(
            f"{say(shift.started_ms, zone)} to {say(shift.ended_ms, zone)[11:]}, "
            f"{minutes(shift.ended_ms - shift.started_ms)} min, mill time ({zone.key})"
        ),
        headline=sentence_case(tell_shift(history, review).sentence),
        unfinished="" if is_settled(shift, history.horizon_ms) else _unfinished_said(history),
        band=band,
        ledger=_ledger(review, shift),
        paper=_paper(history, review),
        columns=rows.columns(history),
        rows=listed,
        more=more,
        list_checked=list_checked,
        list_fault=list_fault,
        uncoded=rows.uncoded_said(review),
        remarks=sum(row.lines for row in listed) <= rows.ROOM - _REMARKS,
        cautions=_cautions(history, review),
        words=tuple((word, meaning) for word, meaning in definitions(history) if word in _WORDS),
        freshness=f"{freshness_said(history)} Breakhorn {asked.version}.",
        safety=SAFETY,
        signers=(
            Signer(role="Crew going", crew=plain(shift.crew, _CREW)),
            Signer(role="Crew coming", crew="" if asked.coming is None else plain(asked.coming.crew, _CREW)),
        ),
    )


def marks_of(review: ShiftReview) -> dict[str, str]:
    """What to write above each downtime of the band, by its id: its number, where there is room for it."""
    numbers, marks = numbers_by_time(review.downtimes), dict[str, str]()
    apart_ms, free_ms = review.period.length_ms // 60, review.period.from_ms
    for seen in sorted(review.downtimes, key=lambda seen: seen.downtime.started_ms):
        at_ms = max(seen.downtime.started_ms, review.period.from_ms)
        if at_ms >= free_ms:
            marks[seen.downtime.downtime_id] = str(numbers[seen.downtime.downtime_id])
            free_ms = at_ms + apart_ms
    return marks


def _printable(history: History) -> History:
    """The same history under names that fit on paper."""
    mill, machine = history.mill, history.machine
    return replace(
        history,
        mill=replace(mill, name=plain(mill.name, _NAME), currency=plain(mill.currency, 5)),
        machine=replace(machine, name=plain(machine.name, _NAME)),
    )


def _shift_said(shift: ShiftSpan) -> str:
    return f"{plain(shift.shift, _NAME)} shift of {shift.shift_date:%a} {shift.shift_date.isoformat()}"


def _unfinished_said(history: History) -> str:
    return (
        f"Not the last word: data only up to {say(history.horizon_ms, history.mill.zone)}; "
        "nothing later is in any figure."
    )


def _ledger(review: ShiftReview, shift: ShiftSpan) -> Account:
    """The ledger of the whole shift; its sum is held against the shift's own clock, not against the ledger's period."""
    whole_ms = shift.ended_ms - shift.started_ms
    parts = [(cls.value, ms) for cls, ms in review.book.ms.items()]
    if (to_come_ms := shift.ended_ms - review.period.to_ms) > 0:
        parts.append(("still to come", to_come_ms))
    total_ms = sum(ms for _, ms in parts)
    fault = ""
    if total_ms != whole_ms:
        fault = (
            f"The classes add up to {total_ms:,} ms, the shift has {whole_ms:,} ms. Do not use this sheet; report it."
        )
    tenths = in_whole_units([ms for _, ms in parts], _TENTH_MS)
    return Account(
        lines=tuple(
            Line(name=name, value=minutes(tenth * _TENTH_MS), share=percent(ms / whole_ms))
            for (name, ms), tenth in zip(parts, tenths, strict=True)
        ),
        total=Line(name="the shift", value=minutes(whole_ms), share=percent(1.0)),
        checked=f"Checked: the classes add up to the shift's {whole_ms:,} ms.",
        fault=fault,
    )


def _paper(history: History, review: ShiftReview) -> tuple[Line, ...]:
    """Tonnes against plan, what was not made, broke and money."""
    on_reel_ms = review.book.ms[Class.ON_REEL]
    made, lost, asked = review.made, review.lost, _plan(history, review)
    broke = broke_made(history, review.book)
    broke_t, unknown = sum(b.tonnes_t for b in broke), sum(b.unknown for b in broke)
    cost = rows.cost_said(history, None if lost.unknown_ms else lost.tonnes_t, None if unknown else broke_t)
    priced = cost not in (MISSING, rows.NOT_KNOWN)
    return (
        _tonnes("made on the reel", *_known(made.tonnes_t, on_reel_ms, made.on_reel_ms - made.unknown_ms)),
        _tonnes("plan", None if asked is None else asked.tonnes_t, _plan_note(asked), MISSING),
        _against(review, asked),
        _tonnes("not made", *_known(lost.tonnes_t, lost.ms, lost.ms - lost.unknown_ms)),
        _tonnes(
            "broke",
            None if broke_t == 0 and unknown else broke_t,
            "at reel moisture" + (f"; not of {count(unknown, 'downtime')}" if unknown else ""),
        ),
        Line(
            name="cost",
            value=f"{cost} {history.mill.currency}" if priced else cost,
            note="lost margin and broke" if priced else "",
        ),
    )


def _known(tonnes_t: float, ms: int, known_ms: int) -> tuple[float | None, str]:
    """Tonnes with the time they are known of; none if they are of no part of it."""
    return (tonnes_t, f"in {length(known_ms)}") if known_ms or not ms else (None, f"for {length(ms)}")


def _tonnes(name: str, tonnes_t: float | None, note: str, missing: str = rows.NOT_KNOWN) -> Line:
    return Line(name=name, value=missing if tonnes_t is None else f"{number(tonnes_t)} t", note=note)


def _plan(history: History, review: ShiftReview) -> Plan | None:
    """What was planned; None if no grade of the shift has a plan."""
    found = plan(history, review.book)
    return None if found.unplanned_ms == review.period.length_ms else found


def _plan_note(asked: Plan | None) -> str:
    if asked is None:
        return "no grade made has one"
    return "of the grades made" if asked.known else f"none for {length(asked.unplanned_ms)}"


def _against(review: ShiftReview, asked: Plan | None) -> Line:
    """The difference, only where both are known for all of the time."""
    open_ms = review.made.unknown_ms + max(0, review.book.ms[Class.ON_REEL] - review.made.on_reel_ms)
    if asked is None or not asked.known or open_ms > 1000:
        why = f"tonnes of {length(open_ms)} not known" if asked is not None and open_ms > 1000 else ""
        return Line(name="against plan", value=NOTHING, note=why)
    ahead_t = review.made.tonnes_t - asked.tonnes_t
    return Line(
        name="against plan",
        value=f"{ahead_t:+,.1f} t".replace("-", "−"),
        note=f"{percent(review.made.tonnes_t / asked.tonnes_t)} of it",
    )


def _cautions(history: History, review: ShiftReview) -> tuple[str, ...]:
    """What makes the figures less than they seem, in the words of the other answers."""
    table = production_table(review.made, review.lost, review.book.ms[Class.ON_REEL])
    return (*cautions(history, review.book), table.note)
