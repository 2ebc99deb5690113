"""The list of downtimes on a loss sheet: each as a row, those without room as one line, and the check of their sum."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.broke.made import broke_in
from analysis.figures.ledger import UNCODED, Class, section_label
from analysis.figures.shift_review import ShiftDowntime, ShiftReview, numbers_by_time
from analysis.figures.tonnes import Lost, money_of
from analysis.history import Downtime, History
from analysis.loss_sheet.fit import fitting
from analysis.loss_sheet.model import Row, plain
from analysis.period import Period, local
from analysis.result import MISSING, NOTHING, count, minutes, number

ROOM = 20
"""Lines of the list that one A4 page has room for, beside all else."""
_WHAT, _CAUSE, _COMMENT = 40, 38, 120
NOT_KNOWN = "not known"
TO_BE_WRITTEN = f"{UNCODED}: . . . . . . . . . . . ."


def columns(history: History) -> tuple[str, ...]:
    """Heads of the list, as the fields of ``Row`` follow one another up to the cost."""
    return ("no", "lost at", "kind, section", "cause", "tries", "min", "t not made", "t broke", history.mill.currency)


def listed(history: History, review: ShiftReview) -> tuple[tuple[Row, ...], str]:
    """Rows of the downtimes that have room, in order of time, and what stands in for the others."""
    numbers = numbers_by_time(review.downtimes)
    in_time = sorted(((numbers[d.downtime.downtime_id], d) for d in review.downtimes), key=lambda pair: pair[0])
    rows = {n: _row(history, review.period, seen, n) for n, seen in in_time}
    kept, left = fitting(
        in_time, ROOM, lines=lambda pair: rows[pair[0]].lines, first=lambda pair: (pair[1].to_code, pair[1].ms)
    )
    return tuple(rows[n] for n, _ in kept), _more_said([seen for _, seen in left])


def checked(review: ShiftReview) -> tuple[str, str]:
    """What came of holding the downtimes against the ledger: what to say, or the fault."""
    listed_ms = sum(row.ms for row in review.downtimes)
    off_ms = sum(s.ms for s in review.book.slices if s.cls not in (Class.ON_REEL, Class.NO_DATA))
    without_ms = sum(s.ms for s in review.book.of(Class.UNKNOWN) if s.downtime is None)
    if listed_ms + without_ms != off_ms:
        return "", (
            f"The downtimes add up to {listed_ms:,} ms, the ledger has {off_ms - without_ms:,} ms of them. "
            "Do not use this sheet; report it."
        )
    beside = f"; {minutes(without_ms)} min more off the reel belong to no downtime" if without_ms else ""
    return f"Checked: all downtimes together take {minutes(listed_ms)} min, as in the ledger{beside}.", ""


def uncoded_said(review: ShiftReview) -> str:
    """How many of the shift's own breaks wait for a cause, and which."""
    breaks = sum(row.began_here and row.downtime.kind == "break" for row in review.downtimes)
    if not breaks:
        return "No break began in this shift: nothing to code."
    if not review.to_code:
        return f"All coded: {count(breaks, 'break')} began in this shift."
    numbers = numbers_by_time(review.downtimes)
    waiting = sorted(numbers[row.downtime.downtime_id] for row in review.downtimes if row.to_code)
    of = f"{review.to_code} of {count(breaks, 'break')} that began in this shift"
    return f"Still to be coded: {of}, {_numbers(waiting)}."


def cost_said(history: History, lost_t: float | None, broke_t: float | None) -> str:
    """Lost margin and broke in the mill's currency; "not set", or "not known" where part of it is not. [t], [t]"""
    mill = history.mill
    if mill.margin_per_t is None and mill.broke_cost_per_t is None:
        return MISSING
    unknown = (mill.margin_per_t is not None and lost_t is None) or (
        mill.broke_cost_per_t is not None and broke_t is None
    )
    return NOT_KNOWN if unknown else number(money_of(history, lost_t=lost_t, broke_t=broke_t), 0)


def _row(history: History, period: Period, seen: ShiftDowntime, n: int) -> Row:
    d = seen.downtime
    lost_t = None if seen.lost.unknown_ms else seen.lost.tonnes_t
    broke_t = broke_in(d, seen.ms, history.horizon_ms)
    cost = cost_said(history, lost_t, broke_t)
    goes_on = d.ended_ms is None or d.ended_ms > period.to_ms
    return Row(
        number=str(n),
        clock=("" if seen.began_here else "← ") + local(d.started_ms, history.mill.zone).strftime("%H:%M"),
        what=plain(_what(d), _WHAT),
        cause=_cause(history, seen),
        attempts=NOTHING if d.attempts is None else str(d.attempts),
        minutes=minutes(seen.ms) + (" →" if goes_on else ""),
        lost_t=number(lost_t),
        broke_t=number(broke_t),
        cost=NOTHING if cost in (MISSING, NOT_KNOWN) else cost,
        comment=plain(d.comment or "", _COMMENT),
        waits=seen.to_code,
    )


def _what(d: Downtime) -> str:
    kind = "secondary break" if d.kind == "break" and d.secondary else d.kind
    return kind if d.section is None and d.kind != "break" else f"{kind}, {section_label(d)}"


def _cause(history: History, seen: ShiftDowntime) -> str:
    d = seen.downtime
    if d.cause is None:
        return TO_BE_WRITTEN if seen.to_code else UNCODED if d.kind == "break" else NOTHING
    sure = f" ({d.certainty})" if d.certainty else ""
    named = plain(f"{d.cause} {history.causes.get(d.cause, '')}", _CAUSE - len(sure))
    return f"{named}{sure}"


def _more_said(left: Sequence[ShiftDowntime]) -> str:
    if not left:
        return ""
    lost = sum((seen.lost for seen in left), Lost())
    tonnes = f", {number(lost.tonnes_t)} t not made" + (" as far as known" if lost.unknown_ms else "")
    to_code = sum(seen.to_code for seen in left)
    uncoded = f"; {to_code} to be coded" if to_code else ""
    return (
        f"{count(len(left), 'more downtime')}, coded or shorter, without room here: "
        f"{minutes(lost.ms)} min{tonnes}{uncoded}."
    )


def _numbers(numbers: Sequence[int]) -> str:
    most = 12
    said = ", ".join(map(str, numbers[:most]))
    return f"no. {said}" + (f" and {len(numbers) - most} more" if len(numbers) > most else "")
