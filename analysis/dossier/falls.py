"""In which order the sheet detectors lost the sheet, beside what the sheet's path and speed lead to expect. Pure.

A torn sheet runs out downstream at machine speed: a detector ``d`` metres further on loses it ``d / v`` later. One that
lies upstream and loses it later was knocked off. (Common practice, and how the tracker finds the section.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

MARGIN_S = 2.0
"""A fall counts as in time if it is off by no more: flutter of the tail and the detector's own delay. [s]"""
LOOKED_MS = 300_000
"""Falls are looked for so long after the loss. [ms]"""


class Verdict(StrEnum):
    """What one detector's fall says."""

    FIRST = "lost it first"
    IN_TIME = "as the tail ran out"
    LATE = "later than the tail"
    EARLY = "earlier than the tail could reach it"
    KNOCKED_OFF = "knocked off"
    KEPT = "kept the sheet"
    NOT_SEEN = "saw no sheet before"
    UNCLEAR = "too seldom heard to tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """One sheet detector. ``position_m``: along the sheet's path from the slice. [m]"""

    tag: str
    section: str
    position_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A detector that began to see the sheet, or ceased to.

    heard_ms
        When it was heard before that: the change lies between the two. None for the first that is known. [ms]
    """

    at_ms: int
    sees: bool
    heard_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """When one detector lost the sheet. [s after the loss]

    seen_s, expected_s
        Seen and expected by path and speed; None where it did not fall, or nothing is to be expected.
    within_s
        How long before ``seen_s`` it was last heard to see the sheet. [s]
    """

    detector: Detector
    verdict: Verdict
    seen_s: float | None = None
    expected_s: float | None = None
    within_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Falls:
    """All of them, in path order; ``torn`` says where the sheet was torn, in metres of path, if that is clear."""

    falls: tuple[Fall, ...]
    torn: tuple[float, float] | None = None

    def of(self, *verdicts: Verdict) -> tuple[Fall, ...]:
        """Those with one of some verdicts."""
        return tuple(f for f in self.falls if f.verdict in verdicts)


def falls(
    detectors: Sequence[Detector],
    changes: Mapping[str, Sequence[Change]],
    *,
    started_ms: int,
    speed_m_min: float | None,
    debounce_s: float,
) -> Falls:
    """Judge how the detectors fell at one loss.

    changes
        Of each detector by its tag, in order of time; one that was never heard has none, and no entry.
    """
    seen = {d.tag: _fall(changes.get(d.tag, ()), started_ms, debounce_s) for d in detectors}
    at = {tag: change.at_ms for tag, change in seen.items() if change is not None}
    if not at:
        return Falls(falls=tuple(Fall(detector=d, verdict=Verdict.NOT_SEEN) for d in detectors))
    saw = {tag for tag, own in changes.items() if _saw(own, started_ms)}
    first = min(detectors, key=lambda d: (at.get(d.tag, float("inf")), d.position_m))
    found = tuple(_judged(d, seen[d.tag], first, started_ms, speed_m_min, saw=d.tag in saw) for d in detectors)
    upstream = [d.position_m for d in detectors if d.tag in saw and d.position_m < first.position_m]
    return Falls(falls=found, torn=(max(upstream, default=0.0), first.position_m))


def _saw(changes: Sequence[Change], started_ms: int) -> bool:
    """Whether a detector saw the sheet just before the loss.

    One that is sent only when it changes may have said nothing for days: then what it said next tells, and with nothing
    at all it has not changed since the sheet came back.
    """
    before = [c for c in changes if c.at_ms < started_ms - 1]
    if before:
        return before[-1].sees
    return not changes or not changes[0].sees


def _fall(changes: Sequence[Change], started_ms: int, debounce_s: float) -> Change | None:
    """The first fall from the loss on that lasted."""
    for n, change in enumerate(changes):
        if change.sees or change.at_ms < started_ms - 1 or change.at_ms > started_ms + LOOKED_MS:
            continue
        rises = [c.at_ms for c in changes[n + 1 :] if c.sees]
        if not rises or rises[0] - change.at_ms >= debounce_s * 1000:
            return change
    return None


def _judged(
    detector: Detector, fall: Change | None, first: Detector, started_ms: int, speed_m_min: float | None, *, saw: bool
) -> Fall:
    if fall is None:
        return Fall(detector=detector, verdict=Verdict.KEPT if saw else Verdict.NOT_SEEN)
    seen_s = (fall.at_ms - started_ms) / 1000
    within_s = None if fall.heard_ms is None else (fall.at_ms - fall.heard_ms) / 1000
    if detector == first:
        return Fall(detector=detector, verdict=Verdict.FIRST, seen_s=seen_s, expected_s=0.0, within_s=within_s)
    if detector.position_m < first.position_m:
        return Fall(detector=detector, verdict=Verdict.KNOCKED_OFF, seen_s=seen_s, within_s=within_s)
    if not speed_m_min:
        return Fall(detector=detector, verdict=Verdict.UNCLEAR, seen_s=seen_s, within_s=within_s)
    expected_s = (detector.position_m - first.position_m) / (speed_m_min / 60)
    off = seen_s - expected_s
    if within_s is not None and within_s > MARGIN_S and -MARGIN_S < off < within_s + MARGIN_S:
        # It may have fallen at any moment since it was last heard.
        verdict = Verdict.UNCLEAR
    elif abs(off) <= MARGIN_S:
        verdict = Verdict.IN_TIME
    else:
        verdict = Verdict.LATE if off > 0 else Verdict.EARLY
    return Fall(detector=detector, verdict=verdict, seen_s=seen_s, expected_s=expected_s, within_s=within_s)


def seen_spans(changes: Sequence[Change], from_ms: int, until_ms: int) -> list[tuple[int, int]]:
    """The stretches in which a detector saw the sheet, within some time. [ms]

    What it saw before its first change in that time was the opposite.
    """
    inside = [c for c in changes if from_ms < c.at_ms < until_ms]
    before = [c for c in changes if c.at_ms <= from_ms]
    sees = before[-1].sees if before else not inside[0].sees if inside else True
    spans, since_ms = [], from_ms
    for change in inside:
        if sees and not change.sees:
            spans.append((since_ms, change.at_ms))
        if change.sees and not sees:
            since_ms = change.at_ms
        sees = change.sees
    return [*spans, (since_ms, until_ms)] if sees else spans
