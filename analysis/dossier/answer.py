"""From an open store to the dossier of one break."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analysis.dossier.falls import Change, Detector, Falls, falls
from analysis.dossier.reading import (
    AFTER_MS,
    BEFORE_MS,
    Surroundings,
    read_all_tags,
    read_case,
    read_detectors,
    read_surroundings,
)
from analysis.dossier.similar import Alike, compare, nearest
from analysis.dossier.unusual import Unusual, unusual_tags
from analysis.evidence.cells import Frames, wanted
from analysis.evidence.matching import Matching
from analysis.evidence.reading import read_cells
from analysis.evidence.settings import EvidenceSettings
from analysis.history import Downtime, History
from analysis.paper.clock import Clock, clocks
from analysis.period import Period
from analysis.read import Store
from analysis.suggest.answer import (
    Breaks,
    Elsewhere,
    Suggestion,
    breaks_of,
    departures_of,
    matched,
    newest_coded,
    plainly,
    quiet_of,
    with_tags,
)
from analysis.suggest.departed import Departure, states_of
from analysis.suggest.known import Known
from analysis.suggest.settings import quiet_settings

AFTER_RETURN_MS = 4 * 3_600_000
"""Target speed and specification are looked for so long after the sheet's return. [ms]"""
NEAR_MS = 6 * 3_600_000
"""Other downtimes so near are listed. [ms]"""
MOST_SIMILAR = 6
LOOKED_INTO = 24
"""Tags are read of so many earlier breaks, those nearest in all else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The detectors about the loss.

    changes
        What each said, by its tag, from ten minutes before the loss to ten after the return.
    until_ms
        Where that ends. [ms]
    """

    detectors: tuple[Detector, ...]
    changes: dict[str, tuple[Change, ...]]
    falls: Falls
    until_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BesideQuiet:
    """The tags beside the quiet runs; ``reason`` says why there are none.

    process, results
        The most unusual first: tags that may have led to the break, and those that mill.toml calls results.
    """

    settings: EvidenceSettings
    matching: Matching | None = None
    frames: Frames | None = None
    process: tuple[Unusual, ...] = ()
    results: tuple[Unusual, ...] = ()
    reason: str = ""

    @property
    def quiet(self) -> int:
        """How many quiet runs there are."""
        return 0 if self.matching is None else len(self.matching.quiet)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """One downtime with all that is known of it.

    case
        The row of the view ``downtime``.
    clock
        None for a downtime that has none.
    suggestion
        None for what is no break, or whose loss was not seen.
    """

    case: dict[str, Any]
    history: History
    clock: Clock
    sheet: Sheet
    beside: BesideQuiet
    around: Surroundings
    near: tuple[Downtime, ...]
    similar: tuple[Alike, ...]
    suggestion: Suggestion | None
    breaks: Breaks

    @property
    def started_ms(self) -> int:
        """The loss. [ms]"""
        return int(self.case["started_ms"])


def dossier_of(store: Store, downtime_id: str) -> Dossier:
    """Everything about one downtime."""
    case = read_case(store, downtime_id)
    machine = store.machine(case["machine"])
    started_ms, horizon_ms = case["started_ms"], machine.last_ms or 0
    back_ms = horizon_ms if case["ended_ms"] is None else case["ended_ms"]
    history = store.history(
        machine, Period(from_ms=started_ms - NEAR_MS, to_ms=max(min(back_ms + NEAR_MS, horizon_ms), started_ms) + 1)
    )
    breaks = breaks_of(store, machine.machine)
    known = breaks.find(downtime_id)
    beside, similar, suggestion = _tags(store, history, breaks, known)
    return Dossier(
        case=case,
        history=history,
        clock=_clock(store, history, case, back_ms),
        sheet=_sheet(store, case, back_ms),
        beside=beside,
        around=read_surroundings(store, machine.machine, downtime_id, started_ms),
        near=tuple(d for d in history.downtimes if d.downtime_id != downtime_id),
        similar=similar,
        suggestion=suggestion,
        breaks=breaks,
    )


def _clock(store: Store, history: History, case: dict[str, Any], back_ms: int) -> Clock:
    period = Period(
        from_ms=case["started_ms"],
        to_ms=max(min(back_ms + AFTER_RETURN_MS, history.horizon_ms), case["started_ms"]) + 1,
    )
    found = clocks(history, store.stretches(history.machine, period), period)
    return next(c for c in found if c.downtime.downtime_id == case["downtime_id"])


def _sheet(store: Store, case: dict[str, Any], back_ms: int) -> Sheet:
    started_ms, until_ms = case["started_ms"], back_ms + AFTER_MS
    detectors, changes, debounce_s = read_detectors(store, case["machine"], started_ms - BEFORE_MS, until_ms)
    found = falls(
        detectors, changes, started_ms=started_ms, speed_m_min=case["speed_before_m_min"], debounce_s=debounce_s
    )
    # Of a loss that was not seen, the first words after it are no falls.
    seen = Falls(falls=()) if case["start_uncertain"] else found
    return Sheet(detectors=detectors, changes=changes, falls=seen, until_ms=until_ms)


def _tags(
    store: Store, history: History, breaks: Breaks, known: Known | None
) -> tuple[BesideQuiet, tuple[Alike, ...], Suggestion | None]:
    """The tags beside the quiet runs, and what follows from them for likenesses and suggestions."""
    settings = quiet_settings()
    if known is None:
        return BesideQuiet(settings=settings, reason="it is no break whose loss was seen"), (), None
    earlier = [b for b in breaks.all if b.started_ms < known.started_ms]
    course, matching = matched(store, history, [known], settings)
    if not len(matching):
        found = nearest([compare(known, b, breaks.settings) for b in earlier], MOST_SIMILAR)
        reason = matching.unmatched[0].reason if matching.unmatched else "it was not seen on the reel"
        return BesideQuiet(settings=settings, reason=reason), found, plainly(breaks, [known])[0]
    tags = read_all_tags(store, history.machine.machine)
    want = wanted((matching.at, matching.quiet), course.past, settings)
    frames = want.frames(read_cells(store.connection, tags.tags, want.minutes))
    quiet = quiet_of(matching, 0)
    beside = BesideQuiet(
        settings=settings,
        matching=matching,
        frames=frames,
        process=unusual_tags(frames, 0, quiet, tags.of("process"), settings, breaks.settings),
        results=unusual_tags(frames, 0, quiet, tags.of("result", "context"), settings, breaks.settings),
    )
    own = departures_of(frames, matching, breaks.settings, settings, rows=tags.of("process"))[known.downtime_id]
    likely = nearest([compare(known, b, breaks.settings) for b in earlier], LOOKED_INTO)
    others = {b.downtime_id: b for b in (*newest_coded(breaks, known), *(a.known for a in likely))}
    elsewhere = Elsewhere(store, breaks.settings, course, {known.downtime_id: own}, list(others.values()))
    return (
        beside,
        _similar(known, [a.known for a in likely], own, elsewhere, breaks),
        with_tags(breaks, known, own, elsewhere),
    )


def _similar(
    known: Known, likely: list[Known], own: tuple[Departure, ...], elsewhere: Elsewhere, breaks: Breaks
) -> tuple[Alike, ...]:
    states = states_of(own, breaks.settings)
    return nearest([compare(known, b, breaks.settings, states, elsewhere.states(own, b)) for b in likely], MOST_SIMILAR)
