"""A second reading of TRACKING.md, over the whole history at once: what `sheet.py` is held against.

It reads like the rules, section by section: naive_history.py is sections 1 to 3, naive_walk.py 2 and 4 to 7, and here
are stuck detectors, 8, 9 and the rows. Nothing in it is quick.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from collector.fact import Fault, Kind, State
from collector.message import Scan
from tests.naive_history import FOREVER, Span, Steps, history
from tests.naive_walk import Look, Walk
from tests.tracked import Attempt, Downtime, FaultSpan, Made, Product, Settings, Tracked

HALF_HOUR_MS = 30 * 60_000

# ---------------------------------------------------------------- 7. Stuck detectors


def stuck_spans(walk: Walk, downtimes: Sequence[Downtime]) -> list[tuple[int, Span]]:
    """Detectors that went on seeing for too long while their neighbours had lost the sheet."""
    gap_starts = {gap.start for gap in walk.known.gaps}
    spans = []
    for i in range(1, len(walk.settings.detectors)):
        since: int | None = None
        allowed = 0.0
        for look in walk.looks:
            upstream = lone_upstream(walk, look, i, downtimes)
            if since is None and upstream is not None:
                since, allowed = look.at, walk.window(look.at, upstream, i)
            elif since is not None and (upstream is None or look.at in gap_starts):
                spans += [(i, Span(since, look.at))] if look.at - since > allowed else []
                since = None
            if look.at in gap_starts:
                since = None
        if since is not None and walk.horizon - 1 - since > allowed:
            spans.append((i, Span(since, FOREVER)))
    return spans


def lone_upstream(walk: Walk, look: Look, i: int, downtimes: Sequence[Downtime]) -> int | None:
    """The nearest trusted neighbour upstream, if detector i alone sees the sheet at this moment of a downtime."""
    off = any(each.started_ms <= look.at < (each.ended_ms or FOREVER) for each in downtimes)
    upstream = [j for j in sorted(look.trusted) if j < i][-1:]
    downstream = [j for j in sorted(look.trusted) if j > i][:1]
    alone = not any(look.seeing[j] for j in upstream + downstream)
    sees = i in look.trusted and look.seeing[i]
    return upstream[0] if off and look.running and sees and alone and upstream else None


# ---------------------------------------------------------------- 8. State


def states(walk: Walk) -> list[tuple[int, State]]:
    """One state at every moment from the first scan to the horizon."""
    known = walk.known
    edges = set(known.moments) | {edge for gap in known.gaps for edge in (gap.start, gap.end)}
    edges |= {each.started_ms for each in walk.downtimes} | {each.ended_ms or FOREVER for each in walk.downtimes}
    edges |= {each.started_ms for each in walk.attempts} | {each.ended_ms or FOREVER for each in walk.attempts}
    steps: Steps[State] = Steps()
    for at in sorted(edges):
        if at < walk.horizon:
            steps.put(at, state_at(walk, at))
    return list(zip(steps.times, steps.values, strict=True))


def state_at(walk: Walk, at: int) -> State:
    """The first state that applies."""
    known = walk.known
    if walk.began is None or at < walk.began or any(gap.covers(at) for gap in known.gaps):
        return State.NO_DATA
    if (known.speed.at(at) or 0.0) < walk.settings.running_above_m_min:
        return State.STOPPED
    if known.stock_on.at(at) is False:
        return State.STOCK_OFF
    if not any(each.started_ms <= at < (each.ended_ms or FOREVER) for each in walk.downtimes):
        return State.ON_REEL
    threading = any(each.started_ms <= at < (each.ended_ms or FOREVER) for each in walk.attempts)
    return State.THREADING if threading else State.DOWN


def on_reel_spans(found: Sequence[tuple[int, State]], until: int) -> list[Span]:
    """The stretches of the state on_reel."""
    ends = [at for at, _ in found[1:]] + [until]
    spans = [Span(at, min(end, until)) for (at, state), end in zip(found, ends, strict=False) if state is State.ON_REEL]
    return [span for span in spans if span.start < span.end]


# ---------------------------------------------------------------- 9. Context at the loss


def with_context(walk: Walk, downtime: Downtime, on_reel: Sequence[Span]) -> Downtime:
    """The downtime with what held just before it; an unknown one has none."""
    if downtime.kind is Kind.UNKNOWN:
        return downtime
    known, at = walk.known, downtime.started_ms
    grade_change = last_change(at, known.grade, known.shade)
    turn_up = last_change(at, known.reel)
    back = max((each.ended_ms for each in walk.downtimes if each.ended_ms and each.ended_ms <= at), default=None)
    seen_whole = back is not None and not any(back <= gap.start < at for gap in known.gaps)
    speed, rate = means_before(walk, half_hour(on_reel, grade_change, at))
    return replace(
        downtime,
        grade=known.grade.at(at - 1),
        shade=known.shade.at(at - 1),
        reel=known.reel.at(at - 1),
        speed_before_m_min=speed,
        rate_before_t_h=rate,
        on_reel_before_ms=at - back if back is not None and seen_whole else None,
        since_turn_up_ms=at - turn_up if turn_up is not None else None,
        since_grade_change_ms=at - grade_change if grade_change is not None else None,
    )


def last_change(at: int, *signals: Steps[str]) -> int | None:
    """When one of the signals last changed before the moment; its first value is no change."""
    return max((when for steps in signals for when, _, _ in steps.changes() if when < at), default=None)


def half_hour(on_reel: Sequence[Span], grade_change: int | None, at: int) -> list[Span]:
    """The last 30 on-reel minutes of the grade run before a moment, the newest stretch first."""
    left, result = HALF_HOUR_MS, []
    for span in reversed(on_reel):
        end = min(span.end, at)
        start = max(span.start, grade_change if grade_change is not None else -FOREVER, end - left)
        if start < end:
            result.append(Span(start, end))
            left -= end - start
    return result


def means_before(walk: Walk, spans: Sequence[Span]) -> tuple[float | None, float | None]:
    """Mean speed [m/min] and mean rate [t/h] over some stretches."""
    total = sum(span.end - span.start for span in spans)
    if not total:
        return None, None
    length, tonnes = made_in(walk, spans)
    return length / total * 60_000, None if tonnes is None else tonnes / total * 3_600_000


def made_in(walk: Walk, spans: Sequence[Span]) -> tuple[float, float | None]:
    """Sheet [m] and tonnes [t] of some stretches; no tonnes where a basis weight was unknown."""
    length, tonnes, complete = 0.0, 0.0, True
    for span in pieces(spans, walk.known.speed.times + walk.known.basis_weight.times):
        metres = (walk.known.speed.at(span.start) or 0.0) * (span.end - span.start) / 60_000
        weight = walk.known.basis_weight.at(span.start)
        length += metres
        tonnes += metres * walk.settings.trim_m * (weight or 0.0) / 1e6
        complete = complete and weight is not None
    return length, tonnes if complete else None


def pieces(spans: Sequence[Span], cuts: Sequence[int]) -> list[Span]:
    """The spans cut at some moments."""
    result = []
    for span in spans:
        inner = sorted({cut for cut in cuts if span.start < cut < span.end})
        edges = [span.start, *inner, span.end]
        result += [Span(a, b) for a, b in pairwise(edges)]
    return result


def made(walk: Walk, on_reel: Sequence[Span]) -> dict[Product, Made]:
    """What was made of each grade and shade on each reel."""
    known = walk.known
    parts: dict[Product, list[Span]] = {}
    for span in pieces(on_reel, known.grade.times + known.shade.times + known.reel.times):
        product = known.grade.at(span.start), known.shade.at(span.start), known.reel.at(span.start)
        parts.setdefault(product, []).append(span)
    result = {}
    for product, spans in parts.items():
        length, tonnes = made_in(walk, spans)
        on_reel_ms = sum(span.end - span.start for span in spans)
        result[product] = Made(on_reel_ms=on_reel_ms, length_m=length, tonnes_t=tonnes)
    return result


# ---------------------------------------------------------------- the rows


def track(scans: Sequence[Scan], settings: Settings, *, flush: bool = True, made_until: int | None = None) -> Tracked:
    """All that can be said of one machine from its scans, given in their order of arrival.

    flush
        Every scan counts as closed, as at the end of a ``load``.
    made_until
        Sum up what was made only to this moment; by default to the end of what is known. [ms]
    """
    walk = Walk(known=history(scans, settings, flush=flush), settings=settings)
    walk.run()
    found = states(walk)
    until = walk.horizon if made_until is None else min(made_until, walk.horizon)
    downtimes = [with_context(walk, each, on_reel_spans(found, walk.horizon)) for each in walk.downtimes]
    products = made(walk, on_reel_spans(found, until))
    return Tracked(
        downtimes=[cut_downtime(each, walk.horizon) for each in downtimes if each.started_ms < walk.horizon],
        attempts=[cut_attempt(each, walk.horizon) for each in walk.attempts if each.started_ms < walk.horizon],
        states=found,
        faults=faults(walk, downtimes),
        flickers=flickers(walk),
        reels=[(at, new, first) for at, new, first in reel_starts(walk.known.reel) if at < walk.horizon],
        grade_runs=[run for run in grade_runs(walk.known.grade, walk.known.shade) if run[0] < walk.horizon],
        late=[(scan.at_ms, tag) for scan in walk.known.late for tag in sorted(scan.values.keys() & settings.role_tags)],
        made=products,
        made_until_ms=max((span.end for span in on_reel_spans(found, until)), default=0),
    )


def cut_downtime(downtime: Downtime, horizon: int) -> Downtime:
    """A downtime that ends beyond the horizon is open."""
    return downtime if downtime.ended_ms is None or downtime.ended_ms < horizon else replace(downtime, ended_ms=None)


def cut_attempt(attempt: Attempt, horizon: int) -> Attempt:
    """An attempt that ends beyond the horizon is under way."""
    if attempt.ended_ms is not None and attempt.ended_ms < horizon:
        return attempt
    return replace(attempt, ended_ms=None, reached_section=None, outcome=None)


def faults(walk: Walk, downtimes: Sequence[Downtime]) -> list[FaultSpan]:
    """Every detector that was blind, stuck or bad."""
    found = [(Fault.BLIND, i, span) for i, span in walk.blind_spans]
    found += [(Fault.STUCK, i, span) for i, span in stuck_spans(walk, downtimes)]
    found += [(Fault.BAD, i, span) for i, spans in enumerate(walk.known.bad) for span in spans]
    rows = [
        FaultSpan(
            started_ms=span.start,
            tag=walk.settings.detectors[i].tag,
            kind=kind,
            ended_ms=span.end if span.end < walk.horizon else None,
        )
        for kind, i, span in found
        if span.start < walk.horizon
    ]
    return sorted(rows, key=lambda row: (row.started_ms, row.tag, row.kind))


def flickers(walk: Walk) -> list[tuple[int, str]]:
    """Every change that went back before it had lasted."""
    detectors = zip(walk.settings.detectors, walk.known.detectors, strict=True)
    return sorted((at, detector.tag) for detector, held in detectors for at in held.flickers if at < walk.horizon)


def reel_starts(reel: Steps[str]) -> list[tuple[int, str, bool]]:
    """Every reel; the first one was merely heard."""
    return [(at, value, i == 0) for i, (at, value) in enumerate(zip(reel.times, reel.values, strict=True))]


def grade_runs(grade: Steps[str], shade: Steps[str]) -> list[tuple[int, str | None, str | None, bool]]:
    """Every grade run; one is merely heard when nothing changed that had been known before."""
    changed = {at for steps in (grade, shade) for at, _, _ in steps.changes()}
    moments = sorted(set(grade.times) | set(shade.times))
    return [(at, grade.at(at), shade.at(at), at not in changed) for at in moments]
