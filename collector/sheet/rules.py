"""What a mill sets, and the table that says how the sheet goes from one phase to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from math import floor

from collector.message import Names


class Phase(StrEnum):
    """Where the sheet is, as far as the tracker has decided."""

    UNSEEN = "unseen"
    ON_REEL = "on_reel"
    DOWN = "down"
    THREADING = "threading"


class Event(StrEnum):
    """What can happen to the sheet. Each is found by a rule of TRACKING.md."""

    FOUND_ON_REEL = "found_on_reel"
    FOUND_DOWN = "found_down"
    LOST = "lost"
    ROSE = "rose"
    FELL = "fell"
    STOOD_STILL = "stood_still"
    BACK = "back"


TRANSITIONS: dict[tuple[Phase, Event], Phase] = {
    (Phase.UNSEEN, Event.FOUND_ON_REEL): Phase.ON_REEL,
    # Nobody saw how the sheet was lost: a downtime of unknown kind, not a break.
    (Phase.UNSEEN, Event.FOUND_DOWN): Phase.DOWN,
    (Phase.ON_REEL, Event.LOST): Phase.DOWN,
    (Phase.DOWN, Event.ROSE): Phase.THREADING,
    # The knock-off and the tail running out: the sheet is already lost, this says nothing new.
    (Phase.DOWN, Event.FELL): Phase.DOWN,
    # Standing at the frontier where no attempt is under way.
    (Phase.DOWN, Event.STOOD_STILL): Phase.DOWN,
    # From section to section: still the same attempt.
    (Phase.THREADING, Event.ROSE): Phase.THREADING,
    # The tail broke: one more try, not a new break.
    (Phase.THREADING, Event.FELL): Phase.DOWN,
    # The crew holds the sheet before a section: the attempt is over, the downtime is not.
    (Phase.THREADING, Event.STOOD_STILL): Phase.DOWN,
    (Phase.THREADING, Event.BACK): Phase.ON_REEL,
}
"""Every pair that is missing here cannot happen: meeting one is a fault in the tracker, not in the data."""


_ROWS_KNOWN = 100

LONGEST_TRANSPORT_MS = 60_000
"""A torn end is taken to arrive after this at the latest: a sheet that stands arrives nowhere. [ms]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """One sheet detector, in path order from the wet end.

    position_m
        Along the sheet's path from the slice. [m]
    """

    tag: str
    section: str
    position_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """All that the tracker of one machine needs to know of it. Times in [ms], speeds in [m/min].

    roles
        Tag name of each role: speed, stock_on, planned, grade, shade, reel, basis_weight, full_width, reel_witness.
        Only ``speed`` must be there.
    heartbeats
        How often each source sends at least, by its number; one that is not here may be silent for as long as it likes.
    """

    machine: str
    detectors: tuple[Detector, ...]
    roles: dict[str, str]
    trim_m: float
    running_above_m_min: float = 50.0
    reorder_ms: int = 1_000
    debounce_ms: int = 2_000
    blind_margin_ms: int = 5_000
    stale_after_ms: int = 60_000
    trip_window_ms: int = 15_000
    trip_drop_pct: float = 20.0
    attempt_pause_ms: int = 300_000
    on_reel_confirm_ms: int = 30_000
    heartbeats: dict[int, int] = field(default_factory=dict)
    parts: tuple[tuple[str, str], ...] = field(init=False)
    _places: dict[Names, tuple[tuple[str, int], ...]] = field(
        init=False, default_factory=dict, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        """List (role, tag) of all roles, detectors as ``d1`` … ``dn``; one tag may play two (a witness, say)."""
        detectors = [(f"d{number}", detector.tag) for number, detector in enumerate(self.detectors, start=1)]
        object.__setattr__(self, "parts", (*self.roles.items(), *detectors))

    def places(self, names: Names) -> tuple[tuple[str, int], ...]:
        """(role, place of its tag) of the roles that rows of these names bring."""
        places = self._places.get(names)
        if places is None:
            places = tuple((role, names.place[tag]) for role, tag in self.parts if tag in names.place)
            if len(self._places) >= _ROWS_KNOWN:
                self._places.clear()
            self._places[names] = places
        return places

    def transport_ms(self, upstream: int, downstream: int, speed_m_min: float | None) -> int:
        """How long the sheet takes between two detectors, at most 60 s; 60 s when it stands or nobody knows. [ms]

        By path distance, not floor distance: in two-tier dryers the path is about three times as long.
        """
        if not speed_m_min or speed_m_min <= 0:
            return LONGEST_TRANSPORT_MS
        distance_m = self.detectors[downstream].position_m - self.detectors[upstream].position_m
        return min(LONGEST_TRANSPORT_MS, floor(distance_m / speed_m_min * 60_000))
