"""What is wrong with the data, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from analysis.figures.ledger import Class, Ledger
from analysis.history import DetectorFault, Downtime, History, Received
from analysis.period import Period, local, say
from analysis.result import NOTHING, Result, Table, count, length
from analysis.telling.common import about, iso, named


def tell_quality(history: History, book: Ledger) -> Result:
    """What is wrong with the data, so that nobody trusts a figure more than it deserves."""
    breaks = [d for d in history.downtimes if d.kind == "break" and book.period.holds(d.started_ms)]
    received, gap_ms = history.received, book.ms[Class.NO_DATA]
    summary = Table(
        title="What to know of the data",
        columns=("", "how many", "what it means"),
        rows=(*_break_lines(history, breaks, gap_ms), *_value_lines(received)),
        numbers=frozenset({1}),
        note="Values and messages are counted since the store began, all else in the period.",
    )
    return Result(
        title=f"Data quality, {history.machine.name}",
        subject=named(history, book.period),
        sentence=_said(history, breaks, gap_ms),
        tables=(summary, *_quality_tables(history, book)),
        values=about(history, book.period)
        | {
            "no_data_ms": gap_ms,
            "breaks": len(breaks),
            "not_coded": _uncoded(breaks),
            "open": _open(history),
            "late_values": received.late,
            "rejected_messages": received.rejected_messages,
            "rejected": dict(received.rejected),
            "orphan_notes": len(received.orphan_notes),
            "detector_faults": [_fault_values(fault) for fault in history.detector_faults],
        },
    )


def _said(history: History, breaks: Sequence[Downtime], gap_ms: int) -> str:
    blind = sum(fault.kind == "blind" for fault in history.detector_faults)
    return (
        f"{length(gap_ms) if gap_ms else 'no time'} without data, "
        f"{count(blind, 'spell')} of a blind detector, {_uncoded(breaks)} of {count(len(breaks), 'break')} not coded, "
        f"{count(len(history.received.orphan_notes), 'note')} without a break, "
        f"{count(history.received.rejected_messages, 'message')} rejected."
    )


def _break_lines(history: History, breaks: Sequence[Downtime], gap_ms: int) -> tuple[tuple[str, ...], ...]:
    unseen = sum(d.start_uncertain or d.end_uncertain for d in history.downtimes)
    return (
        ("time without data", length(gap_ms) if gap_ms else "none", "left out of available time; the gaps are below"),
        ("breaks not coded", f"{_uncoded(breaks)} of {len(breaks)}", "a bar of their own in the Pareto of causes"),
        ("downtimes still open", str(_open(history)), "count up to the newest data, but not in mean times"),
        ("sections tied", str(sum(d.location_tied for d in breaks)), "several detectors lost the sheet in one scan"),
        ("losses unwitnessed", str(sum(d.unwitnessed for d in breaks)), "seen by the last detector alone"),
        ("losses or returns not seen", str(unseen), "a gap hid them; left out of mean times"),
    )


def _value_lines(received: Received) -> tuple[tuple[str, ...], ...]:
    again = f"{received.repeated:,} / {received.replaced:,}"
    return (
        ("values too late for tracking", f"{received.late:,}", "stored as samples; the tracker did not use them"),
        ("values of bad quality", f"{received.bad:,}", "stored as bad"),
        ("values out of plausible range", f"{received.out_of_range:,}", "stored and flagged"),
        ("values repeated / replaced", again, "there is one row a tag and time"),
        ("messages rejected", f"{received.rejected_messages:,}", "kept with the reason, below"),
        ("collector cut off", f"{received.unclean_runs:,}", "runs that did not end as they should"),
    )


def _uncoded(breaks: Sequence[Downtime]) -> int:
    return sum(d.cause is None for d in breaks)


def _open(history: History) -> int:
    return sum(d.ended_ms is None for d in history.downtimes)


def _fault_values(fault: DetectorFault) -> dict[str, Any]:
    return {
        "tag": fault.tag,
        "kind": fault.kind,
        "started_at": iso(fault.started_ms),
        "ended_at": iso(fault.ended_ms),
        "count": fault.count,
    }


def _quality_tables(history: History, book: Ledger) -> tuple[Table, ...]:
    zone = history.mill.zone
    gaps = [(a, b) for a, b, cls in book.stretches() if cls is Class.NO_DATA]
    longest = sorted(gaps, key=lambda gap: gap[0] - gap[1])[:10]
    tables = (
        Table(
            title="Data gaps, the longest first",
            columns=("from", "to", "lasted"),
            rows=tuple((say(a, zone), say(b, zone), length(b - a)) for a, b in longest),
            numbers=frozenset({2}),
            note=f"{count(len(gaps), 'gap')} in all." if len(gaps) > len(longest) else "",
        ),
        _fault_table(history, book.period),
        Table(
            title="Why messages were rejected",
            columns=("reason", "times"),
            rows=tuple((reason, f"{times:,}") for reason, times in history.received.rejected[:20]),
            numbers=frozenset({1}),
        ),
        Table(
            title="Notes without their break",
            columns=("written", "by", "kind", "speaks of", "why it changes nothing"),
            rows=tuple(
                (say(n.noted_ms, zone), n.noted_by or NOTHING, n.kind, n.downtime_id or NOTHING, n.reason)
                for n in history.received.orphan_notes
            ),
        ),
    )
    return tuple(table for table in tables if table.rows)


def _fault_table(history: History, period: Period) -> Table:
    groups: dict[tuple[str, str], list[DetectorFault]] = {}
    for fault in history.detector_faults:
        groups.setdefault((fault.tag, fault.kind), []).append(fault)
    rows = tuple(
        _fault_row(tag, kind, group, period, history.mill.zone) for (tag, kind), group in sorted(groups.items())
    )
    return Table(
        title="Sheet detectors",
        columns=("tag", "fault", "times", "in all", "worst day"),
        rows=rows,
        numbers=frozenset({2, 3}),
        note=(
            "Blind: did not see a sheet that was there. Stuck: saw one that was not. "
            "Flicker: changes too short to count."
        ),
    )


def _fault_row(tag: str, kind: str, group: Sequence[DetectorFault], period: Period, zone: ZoneInfo) -> tuple[str, ...]:
    times = f"{sum(f.count for f in group):,}"
    if kind == "flicker":
        worst = max(group, key=lambda f: f.count)
        return tag, kind, times, NOTHING, f"{local(worst.started_ms, zone).date()}: {worst.count}"
    ms = sum(period.clipped_ms(f.started_ms, period.to_ms if f.ended_ms is None else f.ended_ms) for f in group)
    return tag, kind, times, length(ms), NOTHING
