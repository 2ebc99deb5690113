"""Brings the tracker's facts into the plain rows in which two trackers are compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise

from collector import sheet
from collector.fact import (
    AttemptClosed,
    AttemptOpened,
    DowntimeClosed,
    DowntimeOpened,
    EndBecameUncertain,
    Fact,
    Fault,
    FaultClosed,
    FaultOpened,
    Flickered,
    GradeRunStarted,
    LateValue,
    Produced,
    ReelStarted,
    State,
    StateChanged,
)
from collector.message import Scan
from tests.tracked import Attempt, Downtime, FaultSpan, Made, Product, Settings, Tracked


def sheet_facts(
    scans: Sequence[Scan], settings: Settings, *, flush: bool = True, cuts: Sequence[int] = ()
) -> list[Fact]:
    """The facts of ``collector.sheet`` for scans in their order of arrival, handed over in batches cut at ``cuts``.

    The tracker state is to be carried from batch to batch in its stored form, as the collector does it.
    """
    rules = rules_of(settings)
    state = sheet.fresh(len(rules.detectors))
    facts: list[Fact] = []
    for begin, end in pairwise([0, *sorted(cuts), len(scans)]):
        facts += sheet.advance(rules, state, scans[begin:end])
        state = sheet.unpack(sheet.pack(state), detectors=len(rules.detectors))
    if flush:
        facts += sheet.flush(rules, state)
    made = sheet.under_way(rules, state)
    return facts if made is None else [*facts, made]


def rules_of(settings: Settings) -> sheet.Rules:
    """The settings as ``collector.sheet`` wants them."""
    given = {item.name: getattr(settings, item.name) for item in fields(settings)}
    detectors = tuple(
        sheet.Detector(tag=detector.tag, section=detector.section, position_m=detector.position_m)
        for detector in given.pop("detectors")
    )
    return sheet.Rules(detectors=detectors, **given)


def run_sheet(scans: Sequence[Scan], settings: Settings, *, flush: bool = True) -> Tracked:
    """What ``collector.sheet`` finds out, as plain rows."""
    return rows_of(sheet_facts(scans, settings, flush=flush))


@dataclass(slots=True)
class Rows:
    """Rows while facts are gathered; downtimes and attempts by their ids, faults by tag and kind."""

    downtimes: dict[str, Downtime] = field(default_factory=dict)
    attempts: dict[tuple[str, int], Attempt] = field(default_factory=dict)
    states: list[tuple[int, State]] = field(default_factory=list)
    open_faults: dict[tuple[str, Fault], int] = field(default_factory=dict)
    faults: list[FaultSpan] = field(default_factory=list)
    flickers: list[tuple[int, str]] = field(default_factory=list)
    reels: list[tuple[int, str, bool]] = field(default_factory=list)
    grade_runs: list[tuple[int, str | None, str | None, bool]] = field(default_factory=list)
    late: list[tuple[int, str]] = field(default_factory=list)
    produced: list[Produced] = field(default_factory=list)

    def add(self, fact: Fact) -> None:
        """Take in one fact."""
        match fact:
            case StateChanged():
                self.states.append((fact.at_ms, fact.state))
            case DowntimeOpened() | EndBecameUncertain() | DowntimeClosed():
                self.add_downtime(fact)
            case AttemptOpened() | AttemptClosed():
                self.add_attempt(fact)
            case FaultOpened():
                assert (fact.tag, fact.kind) not in self.open_faults, f"opened twice: {fact}"
                self.open_faults[fact.tag, fact.kind] = fact.at_ms
            case FaultClosed():
                began = self.open_faults.pop((fact.tag, fact.kind))
                self.faults.append(FaultSpan(started_ms=began, tag=fact.tag, kind=fact.kind, ended_ms=fact.at_ms))
            case Flickered():
                self.flickers.append((fact.at_ms, fact.tag))
            case ReelStarted():
                self.reels.append((fact.at_ms, fact.reel, fact.first_seen))
            case GradeRunStarted():
                self.grade_runs.append((fact.at_ms, fact.grade, fact.shade, fact.first_seen))
            case Produced():
                self.produced.append(fact)
            case LateValue():
                self.late.append((fact.at_ms, fact.tag))

    def add_downtime(self, fact: DowntimeOpened | EndBecameUncertain | DowntimeClosed) -> None:
        """Take in one fact about a downtime."""
        match fact:
            case DowntimeOpened():
                assert fact.downtime_id not in self.downtimes, f"opened twice: {fact}"
                self.downtimes[fact.downtime_id] = opened(fact)
            case EndBecameUncertain():
                held = self.downtimes[fact.downtime_id]
                self.downtimes[fact.downtime_id] = replace(held, end_uncertain=True)
            case DowntimeClosed():
                held = self.downtimes[fact.downtime_id]
                assert held.ended_ms is None, f"closed twice: {fact}"
                self.downtimes[fact.downtime_id] = replace(held, ended_ms=fact.ended_ms)

    def add_attempt(self, fact: AttemptOpened | AttemptClosed) -> None:
        """Take in one fact about an attempt."""
        key = fact.downtime_id, fact.attempt
        match fact:
            case AttemptOpened():
                downtime_ms = self.downtimes[fact.downtime_id].started_ms
                assert key not in self.attempts, f"opened twice: {fact}"
                self.attempts[key] = Attempt(downtime_ms=downtime_ms, number=fact.attempt, started_ms=fact.started_ms)
            case AttemptClosed():
                held = self.attempts[key]
                assert held.outcome is None, f"closed twice: {fact}"
                self.attempts[key] = replace(
                    held, ended_ms=fact.ended_ms, reached_section=fact.reached_section, outcome=fact.outcome
                )


def opened(fact: DowntimeOpened) -> Downtime:
    """The downtime as its first fact tells it."""
    return Downtime(
        started_ms=fact.started_ms,
        kind=fact.kind,
        section=fact.section,
        location_tied=fact.location_tied,
        start_uncertain=fact.start_uncertain,
        unwitnessed=fact.unwitnessed,
        at_reel=fact.at_reel,
        grade=fact.grade,
        shade=fact.shade,
        reel=fact.reel,
        speed_before_m_min=fact.speed_before_m_min,
        rate_before_t_h=fact.rate_before_t_h,
        on_reel_before_ms=fact.on_reel_before_ms,
        since_turn_up_ms=fact.since_turn_up_ms,
        since_grade_change_ms=fact.since_grade_change_ms,
    )


def rows_of(facts: Sequence[Fact]) -> Tracked:
    """The rows that a list of facts leads to."""
    rows = Rows()
    for fact in facts:
        rows.add(fact)
    still_open = [FaultSpan(started_ms=at, tag=tag, kind=kind) for (tag, kind), at in rows.open_faults.items()]
    return Tracked(
        downtimes=sorted(rows.downtimes.values(), key=lambda row: row.started_ms),
        attempts=sorted(rows.attempts.values(), key=lambda row: (row.downtime_ms, row.number)),
        states=entered(rows.states),
        faults=sorted(rows.faults + still_open, key=lambda row: (row.started_ms, row.tag, row.kind)),
        flickers=sorted(rows.flickers),
        reels=sorted(rows.reels),
        grade_runs=sorted(rows.grade_runs, key=lambda row: row[0]),
        late=rows.late,
        made=sums(rows.produced),
        made_until_ms=max((part.ended_ms for part in rows.produced), default=0),
    )


def entered(states: Sequence[tuple[int, State]]) -> list[tuple[int, State]]:
    """The states without those that lasted no time, neighbours made one."""
    result: list[tuple[int, State]] = []
    for i, (at, state) in enumerate(states):
        lasts = i + 1 == len(states) or states[i + 1][0] > at
        if lasts and (not result or result[-1][1] is not state):
            result.append((at, state))
    return result


def sums(produced: Sequence[Produced]) -> dict[Product, Made]:
    """What was made of each grade and shade on each reel."""
    result: dict[Product, Made] = {}
    for part in produced:
        product = part.grade, part.shade, part.reel
        so_far = result.get(product, Made(on_reel_ms=0, length_m=0.0, tonnes_t=0.0))
        known = so_far.tonnes_t is not None and part.tonnes_t is not None
        result[product] = Made(
            on_reel_ms=so_far.on_reel_ms + part.ended_ms - part.started_ms,
            length_m=so_far.length_m + part.length_m,
            tonnes_t=(so_far.tonnes_t or 0.0) + (part.tonnes_t or 0.0) if known else None,
        )
    return result
