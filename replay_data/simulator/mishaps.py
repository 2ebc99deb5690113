"""What goes wrong beside the sheet: gaps, blind and flickering eyes, bad values, late and broken messages."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from replay_data.simulator.calm import AFTER_MS, BEFORE_MS, Calm
from replay_data.simulator.record import DayRecord, Forced
from replay_data.simulator.tags import NAMES, SCAN_MS
from replay_data.simulator.tracks import Change
from replay_data.simulator.upkeep import DAY_MS, HOUR_MS

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

MINUTE_MS = 60_000
FLICKERING, BLIND, NULLED = "sheet.sizepress", "sheet.predryer", "sheet.calender"
NULL_TAGS = ("headbox.charge", "scanner.basis_weight", "press.dryness")
FALSE_TRIP = "IC-TRP"
OPEN_AT_END_MS = 14 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Plan:
    """On which day of the stream (from 0) something first goes wrong, and how many days lie between."""

    first: int
    every: int

    def on(self, day: int) -> bool:
        """Whether it is due on this day."""
        return day >= self.first and (day - self.first) % self.every == 0


# All of them fall into the first ten days; the last one, a break that nobody saw begin, comes later.
PLANS = {
    "rejected": Plan(0, 4),
    "nulls": Plan(0, 3),
    "flicker": Plan(1, 6),
    "late": Plan(1, 6),
    "out of range": Plan(1, 5),
    "blind eye": Plan(2, 17),
    "gap on reel": Plan(3, 23),
    "null eye": Plan(3, 8),
    "gap in a break": Plan(5, 29),
    "withheld": Plan(7, 27),
    "gap at a loss": Plan(12, 31),
}
TRIP, MISSED_TURN_UP = Plan(6, 13), Plan(2, 20)


def forced(machine: str, *, seed: int, start_ms: int, days: int) -> list[Forced]:
    """What the machine itself is made to do: trips, missed turn-ups, and a break that is open at the end."""
    rng = np.random.default_rng([seed, zlib.crc32(machine.encode()), 2])
    happenings = []
    for day in range(days):
        for plan, kind in ((TRIP, "trip"), (MISSED_TURN_UP, "turn-up")):
            at_ms = start_ms + day * DAY_MS + round(float(rng.uniform(11, 22)) * HOUR_MS)
            if plan.on(day):
                happenings.append(Forced(at_ms, kind))
    end_ms = start_ms + days * DAY_MS
    return [*sorted(happenings), Forced(end_ms - OPEN_AT_END_MS, "break", lasts_s=1500.0)]


@dataclass(slots=True, kw_only=True)
class Spoilt:
    """What the day's mishaps do to its messages.

    changes
        Extra changes: a blind or flickering eye, an eye of bad quality.
    gaps
        Stretches [ms, ms) of which nothing is ever sent.
    late
        Stretches whose scans come later, with their delay: from, to, delay. [ms]
    raw
        Messages that cannot be used: when, topic below the root, payload.
    rows
        The truth about all these.
    """

    changes: list[Change] = field(default_factory=list)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    late: list[tuple[int, int, int]] = field(default_factory=list)
    raw: list[tuple[int, str, bytes]] = field(default_factory=list)
    rows: list[dict[str, object]] = field(default_factory=list)

    def note(self, what: str, from_ms: int, to_ms: int, **more: object) -> None:
        """Keep the truth about a mishap."""
        self.rows.append({"table": "mishap", "what": what, "started_ms": from_ms, "ended_ms": to_ms, **more})


@dataclass(slots=True)
class Mishaps:
    """The mishaps of one machine, day by day. What finds no room on its day waits for the next.

    plans
        What goes wrong on which days.
    end_ms
        Where the stream ends; nothing goes wrong after that. [ms]
    """

    rng: Generator
    plans: Mapping[str, Plan]
    end_ms: int
    _waiting: list[str] = field(default_factory=list)
    _back_ms: int = 0
    _turn: int = 0

    def spoil(self, day: DayRecord, times: NDArray[np.int64], values: NDArray[np.float64]) -> Spoilt:
        """Choose the day's mishaps; bad numbers are written into ``values``."""
        spoilt, calm = Spoilt(), Calm.of(self.rng, day, self._back_ms, self.end_ms)
        due = [what for what, plan in self.plans.items() if plan.on(day.number)]
        # Flicker takes what calm the others leave: it would be lost in a gap.
        waiting = sorted([*self._waiting, *due], key=lambda what: what == "flicker")
        self._waiting = [what for what in waiting if not self._happens(what, day, spoilt, calm)]
        for what in waiting:
            if what in ("nulls", "out of range"):
                self._bad_numbers(what, spoilt, calm, times, values)
        self._forebodings(day, spoilt, calm)
        if day.downtimes:
            self._back_ms = day.downtimes[-1].back_ms
        return spoilt

    def _happens(self, what: str, day: DayRecord, spoilt: Spoilt, calm: Calm) -> bool:
        """Let it happen; false if the day has no room for it."""
        match what:
            case "gap in a break":
                return self._gap_in_a_break(day, spoilt)
            case "gap at a loss":
                return self._gap_at_a_loss(day, spoilt)
            case "late" | "withheld":
                return self._late(what, spoilt, calm)
            case "blind eye":
                return self._dark(what, BLIND, (40 * MINUTE_MS, 150 * MINUTE_MS), spoilt, calm)
            case "null eye":
                return self._dark(what, NULLED, (8_000, 40_000), spoilt, calm)
            case "gap on reel":
                return self._gap_on_reel(spoilt, calm)
            case "flicker":
                return self._flicker(spoilt, calm)
            case "rejected":
                return self._rejected(day, spoilt, calm)
            case _:
                return True

    def _gap_on_reel(self, spoilt: Spoilt, calm: Calm) -> bool:
        lasts_ms = round(float(self.rng.uniform(5, 45)) * MINUTE_MS)
        from_ms = calm.take(lasts_ms)
        if from_ms is None:
            return False
        spoilt.gaps.append((from_ms, from_ms + lasts_ms))
        spoilt.note("gap on reel", from_ms, from_ms + lasts_ms)
        return True

    def _gap_in_a_break(self, day: DayRecord, spoilt: Spoilt) -> bool:
        """A gap between the loss with all that follows it at once, and the first attempt."""
        for down in day.downtimes:
            from_ms, to_ms = down.started_ms + 150_000, down.first_rise_ms - MINUTE_MS
            if down.kind == "break" and to_ms - from_ms > 3 * MINUTE_MS and to_ms < day.frame.end_ms:
                to_ms = min(to_ms, from_ms + 6 * MINUTE_MS)
                spoilt.gaps.append((from_ms, to_ms))
                spoilt.note("gap in a break", from_ms, to_ms, downtime_id=down.downtime_id)
                return True
        return False

    def _gap_at_a_loss(self, day: DayRecord, spoilt: Spoilt) -> bool:
        """A gap in which the sheet goes: nobody sees where, or exactly when."""
        for down in day.downtimes:
            from_ms, to_ms = down.started_ms - 30_000, down.started_ms + 180_000
            inside = from_ms > day.frame.start_ms and to_ms + MINUTE_MS < min(down.first_rise_ms, day.frame.end_ms)
            if down.kind == "break" and not down.forced and down.section != "reel" and inside:
                down.unseen = True
                spoilt.gaps.append((from_ms, to_ms))
                spoilt.note("gap at a loss", from_ms, to_ms, downtime_id=down.downtime_id)
                return True
        return False

    def _late(self, what: str, spoilt: Spoilt, calm: Calm) -> bool:
        """Scans that are stored and forwarded; four of them are too few to make a data gap."""
        scans = 4 if what == "late" else 36
        from_ms = calm.take((scans + 2) * SCAN_MS, without_change=True)
        if from_ms is None:
            return False
        from_ms += SCAN_MS - from_ms % SCAN_MS + 1
        to_ms = from_ms + scans * SCAN_MS
        delay_ms = round(float(self.rng.uniform(4, 12)) * MINUTE_MS)
        spoilt.late.append((from_ms, to_ms, delay_ms))
        spoilt.note(what, from_ms, to_ms, delay_ms=delay_ms)
        return True

    def _dark(self, what: str, eye: str, lasts: tuple[int, int], spoilt: Spoilt, calm: Calm) -> bool:
        """An eye that sees nothing, or knows nothing, with the sheet on."""
        lasts_ms = int(self.rng.integers(*lasts))
        from_ms = calm.take(lasts_ms)
        if from_ms is None:
            return False
        dark = None if what == "null eye" else False
        spoilt.changes += [Change(from_ms, eye, dark), Change(from_ms + lasts_ms, eye, True)]
        spoilt.note(what, from_ms, from_ms + lasts_ms, tag=eye)
        return True

    def _flicker(self, spoilt: Spoilt, calm: Calm) -> bool:
        """Starch on a photo-eye: many moments of less than two seconds in which it does not see."""
        stretches = calm.left(10 * MINUTE_MS)
        for from_ms, to_ms in stretches[len(stretches) // 3 :]:
            count = int((to_ms - from_ms) / MINUTE_MS / 4)
            starts = np.unique(self.rng.integers(from_ms // 5_000, to_ms // 5_000 - 1, count)) * 5_000 + 137
            for start in starts.tolist():
                lasts_ms = int(self.rng.integers(150, 1_700))
                spoilt.changes += [Change(start, FLICKERING, False), Change(start + lasts_ms, FLICKERING, True)]
            spoilt.note("flicker", from_ms, to_ms, tag=FLICKERING, count=len(starts))
        return bool(stretches)

    def _forebodings(self, day: DayRecord, spoilt: Spoilt, calm: Calm) -> None:
        """An eye that will call a sheet lost which is there flickers in the half hour before, more and more."""
        for down in day.downtimes:
            if down.kind != "break" or down.cause != FALSE_TRIP or down.unseen:
                continue
            rng = np.random.default_rng(down.started_ms)
            before_ms = 1000 * np.unique(rng.exponential(600.0, int(rng.integers(8, 20))).astype(np.int64))
            # Five seconds apart, and never where the day's other flicker begins or ends.
            moments = np.unique((down.started_ms - 45_000 - before_ms) // 5_000) * 5_000 + 2_637
            starts = [ms for ms in moments.tolist() if self._undisturbed(ms, down.started_ms, day, calm)]
            for start in starts:
                lasts_ms = int(rng.integers(150, 1_700))
                spoilt.changes += [Change(start, FLICKERING, False), Change(start + lasts_ms, FLICKERING, True)]
            if starts:
                spoilt.note("flicker", starts[0], starts[-1], tag=FLICKERING, count=len(starts))

    def _undisturbed(self, ms: int, lost_ms: int, day: DayRecord, calm: Calm) -> bool:
        """Whether the half hour before a loss is going on, the sheet is on, and nothing else goes wrong."""
        back_ms = max([self._back_ms, *(down.back_ms for down in day.downtimes if down.started_ms < lost_ms)])
        first_ms = max(lost_ms - 30 * MINUTE_MS, back_ms + AFTER_MS, day.frame.start_ms + AFTER_MS)
        if not first_ms <= ms < lost_ms - 40_000:
            return False
        return ms > lost_ms - BEFORE_MS or any(a <= ms < b - 5_000 for a, b in calm.stretches)

    def _rejected(self, day: DayRecord, spoilt: Spoilt, calm: Calm) -> bool:
        at_ms = calm.take(0)
        if at_ms is None:
            return False
        kinds = (
            (f"{day.machine}/scan", b'[{"ts": %d, "values": {"reel.speed": 78' % at_ms),
            ("pm9/scan", b'[{"ts": %d, "values": {"reel.speed": 801.5}}]' % at_ms),
            (f"{day.machine}/scan", b'[{"ts": %d, "values": {"press.draw": NaN}}]' % at_ms),
        )
        spoilt.raw.append((at_ms, *kinds[self._turn % len(kinds)]))
        self._turn += 1
        spoilt.note("rejected", at_ms, at_ms)
        return True

    def _bad_numbers(
        self, what: str, spoilt: Spoilt, calm: Calm, times: NDArray[np.int64], values: NDArray[np.float64]
    ) -> None:
        """A few scans in which an instrument knows nothing, or shows what cannot be."""
        at_ms = calm.take(2 * MINUTE_MS)
        if at_ms is None:
            return
        row = int(np.searchsorted(times, at_ms))
        tag, value, count = "press.draw", 9.99, 1
        if what == "nulls":
            tag, value, count = NULL_TAGS[self._turn % len(NULL_TAGS)], np.nan, int(self.rng.integers(2, 5))
        values[row : row + count, NAMES.index(tag)] = value
        spoilt.note(what, int(times[row]), int(times[row + count]), tag=tag)
