"""Which scans of a block the tracker must see: those that change a role, bound a silence, or are the last. Pure.

All that the tracker decides follows from changes of role values, from silences, and from how far time has passed. So
it is given the scans with a change, each with the time before it at which the machine was heard, both ends of every
silence, all scans while speed or the last detector is bad, and the last one of the block; the rest is left out (but
nothing is where a live source with a heartbeat has brought a role). That the facts are the same as from all scans is
tested with the streams of the tracker's own tests.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from collector import sheet
from collector.block import BAD, TEXT, Block, Ints, Truths
from collector.message import Flag, Scan, Value

_Last = tuple[int, float, str | None]
"""Kind, number and text of a tag's last sample."""


@dataclass(slots=True)
class Sieve:
    """One machine's. Remembers the last value of each role's tag from block to block.

    source
        What the scans say of where they come from.
    heard_ms
        The last time of the block before. [ms]
    """

    rules: sheet.Rules
    source: int
    last: dict[str, _Last] = field(default_factory=dict)
    heard_ms: int | None = None

    def scans(self, block: Block, state: sheet.Sheet) -> list[Scan]:
        """The scans of this machine's part of a block that its tracker must see, in order of time.

        state
            The tracker's, before it has seen any of the block.
        """
        part, rows = self._own(block)
        if not len(part):
            return []
        times = self._times(part, rows, state)
        if not len(times):
            return []
        told = {tag: where[self._says_something(part, where, tag)] for tag, where in rows.items()}
        whole = self._told_whole(times, part, rows, state)
        must = whole.copy()
        must[-1] = True
        for tag, where in rows.items():
            must |= _among(times, part.at_ms[told[tag]])
            if whole.any():
                told[tag] = np.union1d(told[tag], where[_among(part.at_ms[where], times[whole])])
            self.last[tag] = _row(part, int(where[-1]))
        return list(self._emit(times, np.flatnonzero(must), _values(part, told)))

    def _told_whole(self, times: Ints, part: Block, rows: Mapping[str, Ints], state: sheet.Sheet) -> Truths:
        """The times of which every role value counts, changed or not: around a silence, in the dark, and late ones."""
        whole = np.zeros(len(times), np.bool_)
        for tag in self._darkening:
            if tag in rows:
                at_ms, bad = part.at_ms[rows[tag]], part.kinds[rows[tag]] == BAD
                dark = bool(state.steadied.dark) or self.last.get(tag, (None,))[0] == BAD
                whole |= _inside(times, at_ms, bad, dark)
        if self.rules.heartbeats and state.gathered.watch.owner:
            whole[:] = True
        if state.gathered.newest_ms is not None:
            whole |= times <= state.gathered.newest_ms
        if self.rules.stale_after_ms:
            silent = np.diff(times, prepend=times[0] if self.heard_ms is None else self.heard_ms)
            whole |= silent > self.rules.stale_after_ms
            whole[:-1] |= silent[1:] > self.rules.stale_after_ms
        return whole

    def _own(self, block: Block) -> tuple[Block, dict[str, Ints]]:
        """The machine's part of a block, and in it the rows of each role's tag."""
        machine = self.rules.machine
        roles = {tag for _, tag in self.rules.parts}
        names = {place: tag for place, (of, tag) in enumerate(block.tags) if of == machine}
        mine = np.isin(block.tag_no, np.fromiter(names, np.int32, len(names)))
        part = block if mine.all() else block.some(mine)
        rows = {tag: np.flatnonzero(part.tag_no == place) for place, tag in names.items() if tag in roles}
        return part, {tag: where for tag, where in rows.items() if len(where)}

    @property
    def _darkening(self) -> tuple[str, str]:
        """Tags without which the machine cannot be seen."""
        return self.rules.roles["speed"], self.rules.detectors[-1].tag

    def _times(self, part: Block, rows: Mapping[str, Ints], state: sheet.Sheet) -> Ints:
        """The times at which the machine was heard; a source counts from its first role value on."""
        times: Ints = part.at_ms[np.diff(part.at_ms, prepend=part.at_ms[0] - 1) != 0]
        if self.source in state.gathered.sources:
            return times
        if not rows:
            return times[:0]
        return times[times >= min(int(part.at_ms[where[0]]) for where in rows.values())]

    def _says_something(self, part: Block, rows: Ints, tag: str) -> Truths:
        """Which samples of a tag differ from the one before."""
        kinds, numbers, texts = part.kinds[rows], part.numbers[rows], part.texts[rows]
        same = (kinds[1:] == kinds[:-1]) & ((numbers[1:] == numbers[:-1]) | (kinds[1:] == BAD) | (kinds[1:] == TEXT))
        is_text = kinds == TEXT
        if is_text.any():
            same &= (texts[1:] == texts[:-1]) | ~is_text[1:]
        before = self.last.get(tag)
        first = before is None or not _same(before, _row(part, int(rows[0])))
        return np.concatenate(([first], ~same))

    def _emit(self, times: Ints, places: Ints, values: Mapping[int, dict[str, Value]]) -> Iterator[Scan]:
        flags = int(Flag.HISTORICAL)
        for place in places.tolist():
            at_ms = int(times[place])
            before_ms = int(times[place - 1]) if place else self.heard_ms
            said = values.get(at_ms, {})
            yield Scan(self.rules.machine, at_ms, said, self.source, at_ms, flags, heard_before_ms=before_ms)
        self.heard_ms = int(times[-1])


def _row(part: Block, row: int) -> _Last:
    return int(part.kinds[row]), float(part.numbers[row]), part.texts[row]


def _same(before: _Last, now: _Last) -> bool:
    """Numbers of bad values and of texts are NaN, which equals nothing."""
    if before[0] != now[0] or now[0] == BAD:
        return before[0] == now[0]
    return before[2] == now[2] if now[0] == TEXT else before[1] == now[1]


def _inside(times: Ints, at_ms: Ints, bad: Truths, dark: bool) -> Truths:
    """Which times lie between a bad sample and the good one after it, that one included; ``dark`` before the first."""
    if not (dark or bad.any()):
        return np.zeros(len(times), np.bool_)
    before = np.searchsorted(at_ms, times, side="left") - 1
    inside: Truths = np.where(before >= 0, bad[before], dark) | _among(times, at_ms[bad])
    return inside


def _among(times: Ints, some: Ints) -> Truths:
    """Which times are among some others; both in order and without doubles, which spares sorting and hashing them."""
    among = np.zeros(len(times), np.bool_)
    places = np.searchsorted(times, some)
    some, places = some[places < len(times)], places[places < len(times)]
    among[places[times[places] == some]] = True
    return among


def _values(part: Block, told: Mapping[str, Ints]) -> dict[int, dict[str, Value]]:
    """The values of some rows of each tag, by their time."""
    values: dict[int, dict[str, Value]] = {}
    for tag, rows in told.items():
        for at_ms, row in zip(part.at_ms[rows].tolist(), rows.tolist(), strict=True):
            values.setdefault(at_ms, {})[tag] = part.value(row)
    return values
