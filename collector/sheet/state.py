"""The tracker's memory: everything decided that still matters, and everything undecided. Stored with each batch."""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec

from collector.fact import State
from collector.message import Value
from collector.sheet.rules import TRANSITIONS, Event, Phase

LAYOUT = 1
"""Raised whenever the fields change their meaning; a stored state of another layout is not read."""


@dataclass(slots=True)
class ClosedScan:
    """All role values of one millisecond. ``after_gap``: when the silence before it began, if it was too long. [ms]"""

    at_ms: int
    values: dict[str, Value]
    after_gap: int | None = None


@dataclass(slots=True)
class Moment:
    """What steadily changed at one time.

    values
        New values by role.
    went_bad
        Roles whose quality has become bad.
    darkens, lightens
        From here on nothing is known of the machine (a data gap, speed or the last detector bad); it is known again.
        Between the two there are only moments with reel, grade, shade and planned.
    """

    at_ms: int
    values: dict[str, Value] = field(default_factory=dict)
    went_bad: list[str] = field(default_factory=list)
    darkens: bool = False
    lightens: bool = False


@dataclass(slots=True)
class Watch:
    """Sources that must be heard at least so often, and what each has brought. Empty where no source must.

    voices, brought
        Of each waiting scan: the sources heard with it, and the source of each role in it.
    heard_ms
        When each watched source was last heard, as far as scans have closed. [ms]
    owner, last
        The source that brought each role last, and the value that it brought.
    silent
        Watched sources that have missed their time and were not heard since.
    """

    voices: dict[int, set[int]] = field(default_factory=dict)
    brought: dict[int, dict[str, int]] = field(default_factory=dict)
    heard_ms: dict[int, int] = field(default_factory=dict)
    owner: dict[str, int] = field(default_factory=dict)
    last: dict[str, Value] = field(default_factory=dict)
    silent: set[int] = field(default_factory=set)


@dataclass(slots=True)
class Gathered:
    """Values on their way to a scan.

    heard_before
        For a waiting scan, until when the machine was heard before it by scans that were left out. [ms]
    """

    sources: set[int] = field(default_factory=set)
    newest_ms: int | None = None
    waiting: dict[int, dict[str, Value]] = field(default_factory=dict)
    last_closed_ms: int | None = None
    heard: set[str] = field(default_factory=set)
    initial: dict[str, Value] = field(default_factory=dict)
    heard_before: dict[int, int] = field(default_factory=dict)
    watch: Watch = field(default_factory=Watch)


@dataclass(slots=True)
class Steadied:
    """Scans whose changes are not all confirmed, and what held before them.

    dark, dark_changes
        The roles whose badness makes the machine unseen (speed, the last detector), and what has changed since it is
        (None: went bad).
    forgotten
        Changes that a data gap cut off before they were confirmed; they hold after it unless it brings others.
    flickering
        Detectors in the midst of a change that will not last.
    """

    undecided: list[ClosedScan] = field(default_factory=list)
    held: dict[str, Value] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)
    dark: set[str] = field(default_factory=set)
    dark_changes: dict[str, Value] = field(default_factory=dict)
    forgotten: dict[str, Value] = field(default_factory=dict)
    flickering: set[str] = field(default_factory=set)


@dataclass(slots=True)
class Eyes:
    """The sheet detectors, first to last: what each sees (None: never heard), and whether it can be trusted."""

    sees: list[bool | None]
    bad: list[bool]
    blind: list[bool]

    def copy(self) -> Eyes:
        """A copy to imagine the future with."""
        return Eyes(self.sees.copy(), self.bad.copy(), self.blind.copy())

    def trusted(self, number: int) -> bool:
        """Whether detector ``number`` (from 0) counts."""
        return self.sees[number] is not None and not self.bad[number] and not self.blind[number]

    def lost(self) -> list[int]:
        """The trusted detectors that do not see the sheet, first to last."""
        return [number for number, sees in enumerate(self.sees) if sees is False and self.trusted(number)]

    def frontier(self) -> int:
        """How many detectors from the wet end see the sheet without a gap, untrusted ones passed over."""
        for number, sees in enumerate(self.sees):
            if sees is False and not self.bad[number] and not self.blind[number]:
                return number
        return len(self.sees)


@dataclass(slots=True)
class Making:
    """What is being made since the last cut (reel, grade, shade or clock hour), and the last 30 on-reel minutes.

    recent
        (duration [ms], speed [m/min], rate [t/h]) of stretches on reel in this grade run, oldest first.
    """

    since_ms: int | None = None
    until_ms: int = 0
    length_m: float = 0.0
    tonnes_t: float | None = 0.0
    recent: list[tuple[int, float, float | None]] = field(default_factory=list)
    recent_ms: int = 0


@dataclass(slots=True)
class OpenDowntime:
    """The downtime that is open, and the attempt under way in it if there is one.

    reel_rose
        Whether the last detector has risen in this downtime and sees since: only then is it believed against another.
    stuck
        Detector number to (since when it has been seeing alone, from when on that is too long). [ms]
    """

    downtime_id: str
    attempts: int = 0
    risen_ms: int = 0
    end_uncertain: bool = False
    reel_rose: bool = False
    stuck: dict[int, tuple[int, int]] = field(default_factory=dict)
    reported_stuck: set[int] = field(default_factory=set)


@dataclass(slots=True)
class Sheet:
    """The state of one machine's tracker.

    confirmed_until_ms, reel_believed
        Up to when the last return was seen to last [ms], and whether its last detector could show another to be blind.
    """

    eyes: Eyes
    layout: int = LAYOUT
    gathered: Gathered = field(default_factory=Gathered)
    steadied: Steadied = field(default_factory=Steadied)
    ahead: list[Moment] = field(default_factory=list)
    known_until_ms: int | None = None
    phase: Phase = Phase.UNSEEN
    dark: bool = False
    state: State | None = None
    values: dict[str, Value] = field(default_factory=dict)
    recent: list[tuple[int, float | None, bool | None, bool | None]] = field(default_factory=list)
    making: Making = field(default_factory=Making)
    downtime: OpenDowntime | None = None
    planned_rose: bool = False
    on_reel_since_ms: int | None = None
    confirmed_until_ms: int = 0
    reel_believed: bool = False
    gap_ended_ms: int | None = None
    turned_up_ms: int | None = None
    grade_changed_ms: int | None = None

    def go(self, event: Event) -> None:
        """Into the phase that the table says; a pair that it does not know is a fault of the tracker."""
        self.phase = TRANSITIONS[(self.phase, event)]


_encoder = msgspec.msgpack.Encoder()
_decoder = msgspec.msgpack.Decoder(Sheet)


class UnreadableState(ValueError):
    """The tracker state in the store was written by another version, or for another number of detectors."""


def fresh(detectors: int) -> Sheet:
    """The state before anything was heard of a machine with so many detectors."""
    return Sheet(eyes=Eyes([None] * detectors, [False] * detectors, [False] * detectors))


def pack(sheet: Sheet) -> bytes:
    """The state as bytes for the store."""
    return _encoder.encode(sheet)


def unpack(data: bytes, *, detectors: int) -> Sheet:
    """The state from the store.

    Raises
    ------
    UnreadableState
        If it is none, has another layout or another number of detectors.
    """
    try:
        sheet = _decoder.decode(data)
    except msgspec.DecodeError as error:
        raise UnreadableState(str(error)) from error
    if sheet.layout != LAYOUT or len(sheet.eyes.sees) != detectors:
        raise UnreadableState(f"layout {sheet.layout} with {len(sheet.eyes.sees)} detectors")
    return sheet
