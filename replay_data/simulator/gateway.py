"""The mill's gateway: gathers scans into messages, sends at once when a sheet detector changes, in order of time."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING

import msgspec

from replay_data.simulator.mishaps import Spoilt
from replay_data.simulator.record import SHEET_OFF, DayRecord
from replay_data.simulator.tags import NAMES, SPEED
from replay_data.simulator.tracks import Change, Value

if TYPE_CHECKING:
    import numpy as np
    from numpy.random import Generator
    from numpy.typing import NDArray

SCANS_A_MESSAGE = 12
STEEP_M_MIN_S = 1.0
"""A speed that changes faster than this is sent every two seconds, between the scans. [m/min per s]"""
STEEP_EVERY_MS = 2_000

Sent = tuple[int, str, bytes]
"""When a message is received [ms], its topic, its payload."""
_encode = msgspec.json.Encoder().encode


class _Scan(msgspec.Struct, gc=False):
    """One element of a scan message: its time [ms] and its values."""

    ts: int
    values: object


@dataclass(frozen=True, slots=True)
class _Scans:
    """The regular scans of a day, ready to be sent, and the numbers in them."""

    moments: list[int]
    scans: list[_Scan]
    numbers: NDArray[np.float64]

    @classmethod
    def of(
        cls, tags: tuple[str, ...], names: tuple[str, ...], times: NDArray[np.int64], values: NDArray[np.float64]
    ) -> _Scans:
        numbers, moments = values[:, [names.index(tag) for tag in tags]], times.tolist()
        make = _values_of(tags)
        rows = zip(moments, numbers.tolist(), strict=True)
        return cls(moments, [_Scan(moment, make(*row)) for moment, row in rows], numbers)

    def between(self, from_ms: int, to_ms: int) -> tuple[int, int]:
        """Numbers of the first scan at or after ``from_ms``, and of the first at or after ``to_ms``."""
        return bisect_left(self.moments, from_ms), bisect_left(self.moments, to_ms)


@cache
def _values_of(tags: tuple[str, ...]) -> Callable[..., object]:
    """Makes the values of a scan from its numbers in order: quicker to build and to encode than a dict a scan.

    A number that is not one (bad quality) becomes null.
    """
    names = {f"v{k}": tag for k, tag in enumerate(tags)}
    return msgspec.defstruct("Values", [(name, float) for name in names], rename=names, gc=False)


@dataclass(frozen=True, slots=True)
class _Event:
    """Something between the scans. ``flush``: the message leaves at once; ``by_hand``: it is a message of its own."""

    at_ms: int
    values: dict[str, Value]
    flush: bool
    by_hand: bool


@dataclass(slots=True)
class Gateway:
    """The gateway of one machine.

    tags
        Which instruments it scans, all or some of ``names``.
    now
        What it last knew of the signals that are sent on change.
    names
        All instruments, in the order of the values' columns.
    """

    machine: str
    root: str
    rng: Generator
    tags: tuple[str, ...]
    now: dict[str, Value]
    names: tuple[str, ...] = NAMES
    _begun: bool = False
    _received_ms: int = 0
    _gathered: list[_Scan] = field(default_factory=list)
    _sent: list[Sent] = field(default_factory=list)

    def day(self, day: DayRecord, spoilt: Spoilt, times: NDArray[np.int64], values: NDArray[np.float64]) -> list[Sent]:
        """The messages of one day in order of receipt."""
        self._sent = []
        scans, events = _Scans.of(self.tags, self.names, times, values), _events(day, spoilt)
        held = [*((a, b, None) for a, b in spoilt.gaps), *spoilt.late]
        from_ms = day.frame.start_ms
        for silent_ms, again_ms, delay_ms in sorted(held, key=lambda stretch: stretch[0]):
            self._stretch(from_ms, silent_ms, scans, events)
            self._catch_up([event for event in events if silent_ms <= event.at_ms < again_ms])
            if delay_ms is not None:
                self._send_late(silent_ms, again_ms, delay_ms, scans)
            self._begun = delay_ms is not None and again_ms - silent_ms < 60_000
            from_ms = again_ms
        self._stretch(from_ms, day.frame.end_ms, scans, events)
        for at_ms, topic, payload in spoilt.raw:
            self._post(at_ms, topic, payload)
        return sorted(self._sent, key=lambda sent: sent[0])

    def _stretch(self, from_ms: int, to_ms: int, scans: _Scans, events: list[_Event]) -> None:
        """All scans and events of a stretch without a gap."""
        first, last = scans.between(from_ms, to_ms)
        inside = [event for event in events if from_ms <= event.at_ms < to_ms]
        if not self._begun and first < last:
            at_ms = scans.moments[first]
            self._catch_up([event for event in inside if event.at_ms < at_ms])
            self._introduce(at_ms, scans.numbers[first].tolist())
            first, inside = first + 1, [event for event in inside if event.at_ms >= at_ms]
        for event in inside:
            until = bisect_left(scans.moments, event.at_ms, first, last)
            self._gather(scans.scans[first:until])
            first = until
            self._tell(event)
        self._gather(scans.scans[first:last])
        self._flush()

    def _gather(self, scans: list[_Scan]) -> None:
        while scans:
            room = SCANS_A_MESSAGE - len(self._gathered)
            self._gathered += scans[:room]
            scans = scans[room:]
            if len(self._gathered) == SCANS_A_MESSAGE:
                self._flush()

    def _introduce(self, at_ms: int, numbers: list[float]) -> None:
        """The first scan after a silence carries every signal; what is switched by hand comes in its own message."""
        self._say(at_ms, SHEET_OFF, self.now[SHEET_OFF])
        signals = {tag: value for tag, value in self.now.items() if tag != SHEET_OFF}
        self._gathered.append(_Scan(at_ms, dict(zip(self.tags, numbers, strict=True)) | signals))
        self._begun = True

    def _tell(self, event: _Event) -> None:
        self._catch_up([event])
        if event.by_hand:
            self._flush()
            for tag, value in event.values.items():
                self._say(event.at_ms, tag, value)
            return
        self._gathered.append(_Scan(event.at_ms, event.values))
        if event.flush or len(self._gathered) >= SCANS_A_MESSAGE:
            self._flush()

    def _catch_up(self, events: list[_Event]) -> None:
        for event in events:
            self.now.update({tag: value for tag, value in event.values.items() if tag in self.now})

    def _send_late(self, from_ms: int, to_ms: int, delay_ms: int, scans: _Scans) -> None:
        """Scans that were stored, sent on ``delay_ms`` after the last of them."""
        first, last = scans.between(from_ms, to_ms)
        for k in range(first, last, SCANS_A_MESSAGE):
            stored = scans.scans[k : min(last, k + SCANS_A_MESSAGE)]
            self._post(to_ms + delay_ms, f"{self.machine}/scan", _encode(stored))

    def _flush(self) -> None:
        if self._gathered:
            self._post_in_order(self._gathered[-1].ts, f"{self.machine}/scan", _encode(self._gathered))
            self._gathered = []

    def _say(self, at_ms: int, tag: str, value: Value) -> None:
        self._post_in_order(at_ms, f"{self.machine}/tag/{tag}", _encode({"ts": at_ms, "value": value}))

    def _post_in_order(self, newest_ms: int, topic: str, payload: bytes) -> None:
        self._received_ms = max(self._received_ms, newest_ms + int(self.rng.integers(40, 400)))
        self._sent.append((self._received_ms, f"{self.root}/{topic}", payload))

    def _post(self, at_ms: int, topic: str, payload: bytes) -> None:
        self._sent.append((at_ms + int(self.rng.integers(40, 400)), f"{self.root}/{topic}", payload))


def _events(day: DayRecord, spoilt: Spoilt) -> list[_Event]:
    """What lies between the scans: changes, those of one moment together, and the speed along steep ramps."""
    changes = sorted([*day.changes, *spoilt.changes], key=lambda change: (change.at_ms, change.by_hand))
    events = [
        _Event(at_ms, values := {change.tag: change.value for change in same}, _urgent(values), by_hand)
        for (at_ms, by_hand), same in groupby(changes, key=_moment)
    ]
    speed, frame = day.tracks.speed, day.frame
    steep = speed.steep(frame.start_ms, frame.end_ms, per_s=STEEP_M_MIN_S, every_ms=STEEP_EVERY_MS)
    events += [_Event(ms, {SPEED: round(speed.at(ms), 1)}, flush=False, by_hand=False) for ms in steep]
    return sorted(events, key=lambda event: event.at_ms)


def _moment(change: Change) -> tuple[int, bool]:
    return change.at_ms, change.by_hand


def _urgent(values: dict[str, Value]) -> bool:
    return any(tag.startswith("sheet.") for tag in values)
