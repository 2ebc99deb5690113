"""The naive tracker's walk through a history: TRACKING.md sections 2 and 4 to 7.

It takes its time: every judgement simply looks ahead. Where the history ends before a judgement can be made, the walk
stops there, and only what lies before that moment counts.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

from collector.fact import Kind, Outcome
from tests.naive_history import FOREVER, History, Span
from tests.tracked import Attempt, Downtime, Settings

LONGEST_TRANSPORT_MS = 60_000


class Undecided(Exception):
    """What happens at this moment cannot be judged before more is known."""


@dataclass(frozen=True, slots=True)
class Look:
    """What the machine looks like at one moment."""

    at: int
    seeing: tuple[bool, ...]
    trusted: frozenset[int]
    running: bool
    full_width: bool

    def frontier(self) -> int:
        """Detectors before the first trusted one that does not see the sheet; 0 below running speed."""
        blocking = [i for i in sorted(self.trusted) if not self.seeing[i]]
        if not self.running:
            return 0
        return blocking[0] if blocking else len(self.seeing)

    def frontier_back(self) -> int:
        """The frontier that counts for coming back on the reel: with a tail only, the last detector does not."""
        frontier = self.frontier()
        return frontier - 1 if frontier == len(self.seeing) and not self.full_width else frontier


@dataclass(slots=True)
class Threading:
    """An attempt while it is walked through."""

    started: int
    last_rise: int


@dataclass(slots=True)
class Walk:
    """One walk through the history, moment by moment."""

    known: History
    settings: Settings
    began: int | None = None
    after_gap: int | None = None
    returned: int | None = None
    candidate: int | None = None
    down: Downtime | None = None
    attempt: Threading | None = None
    left_n: int = -FOREVER
    before: Look | None = None
    blind: dict[int, int] = field(default_factory=dict)
    downtimes: list[Downtime] = field(default_factory=list)
    attempts: list[Attempt] = field(default_factory=list)
    blind_spans: list[tuple[int, Span]] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    horizon: int = 0

    # ------------------------------------------------------------ the walk

    def run(self) -> None:
        """Walk to the end of what is known, or to the oldest moment that cannot be judged."""
        self.horizon = self.known.end
        at = 0
        try:
            for at in self.known.moments:
                if not any(gap.start < at < gap.end for gap in self.known.gaps):
                    self.one_moment(at)
            self.let_time_pass(self.known.end - 1)
        except Undecided:
            self.horizon = min(self.horizon, at)
        if self.candidate is not None:
            self.horizon = min(self.horizon, self.candidate)
        self.downtimes += [self.down] if self.down else []
        if self.attempt:
            self.end_attempt(FOREVER, None, None)
        self.blind_spans += [(i, Span(start, FOREVER)) for i, start in self.blind.items()]

    def one_moment(self, at: int) -> None:
        """Judge one moment: first what the passing of time has settled, then what its values say."""
        self.let_time_pass(at)
        stopped_vouching = self.see_again(at)
        if self.began is None:
            self.start(at)
        elif self.down is None:
            self.on_the_reel(at, stopped_vouching)
        else:
            self.off_the_reel(at)
        self.before = self.look(at)
        self.looks.append(self.before)
        if self.known.gap_start_from(at) == at:
            self.begin_gap(at)

    def look(self, at: int) -> Look:
        """What the machine looks like, with the blindness found so far."""
        known = self.known
        heard = [i for i, detector in enumerate(known.detectors) if detector.values.at(at) is not None]
        return Look(
            at=at,
            seeing=tuple(bool(detector.values.at(at)) for detector in known.detectors),
            trusted=frozenset(i for i in heard if not known.is_bad(i, at) and i not in self.blind),
            running=(known.speed.at(at) or 0.0) >= self.settings.running_above_m_min,
            full_width=known.full_width.at(at) is not False,
        )

    @property
    def gap_starts(self) -> set[int]:
        """The moments after which nothing is known for a while."""
        return {gap.start for gap in self.known.gaps}

    @property
    def last(self) -> int:
        """Index of the last detector."""
        return len(self.settings.detectors) - 1

    def section(self, frontier: int) -> str | None:
        """The section that a frontier has got to."""
        return self.settings.detectors[frontier - 1].section if frontier else None

    # ------------------------------------------------------------ 2. Data gaps

    def begin_gap(self, at: int) -> None:
        """Nothing is known from here to the next scan: a return is not confirmed, an open end is uncertain."""
        self.after_gap = min(gap.end for gap in self.known.gaps if gap.start == at)
        self.candidate = None
        if self.down:
            self.down = replace(self.down, end_uncertain=True)

    def just_after_gap(self, at: int) -> bool:
        """Whether a sheet that is gone now may have been lost in the gap: at the first scan after it or just after."""
        return self.after_gap is not None and at <= self.after_gap + self.settings.debounce_ms

    # ------------------------------------------------------------ 4. Trust

    def see_again(self, at: int) -> bool:
        """End the blindness of detectors that see; tell whether the witness has stopped vouching for the last one."""
        stopped_vouching = self.last in self.blind and not self.known.witness.at(at)
        for i in list(self.blind):
            if self.known.detectors[i].values.at(at) or (i == self.last and stopped_vouching):
                self.blind_spans.append((i, Span(self.blind.pop(i), at)))
        return stopped_vouching

    # ------------------------------------------------------------ 5. Start

    def start(self, at: int) -> None:
        """The first moment at which speed and the last detector are known."""
        in_gap = any(gap.covers(at) and gap.start < at for gap in self.known.gaps)
        if in_gap or self.known.speed.at(at) is None or self.known.detectors[-1].values.at(at) is None:
            return
        self.began = at
        look = self.look(at)
        fallen = [i for i in sorted(look.trusted) if not look.seeing[i]]
        lost = bool(fallen) and self.is_loss(look, fallen, witnessed=True)
        if lost or not look.running:
            self.down = Downtime(started_ms=at, kind=Kind.UNKNOWN, start_uncertain=True)
            self.settle_frontier(at)
        self.blind |= {} if lost else dict.fromkeys(fallen, at)

    # ------------------------------------------------------------ 6. Loss

    def on_the_reel(self, at: int, stopped_vouching: bool) -> None:
        """With no downtime open: is the sheet lost?"""
        look, before = self.look(at), self.before
        assert before is not None
        fallen = [i for i in sorted(look.trusted) if not look.seeing[i]]
        really = {i for i in fallen if i in before.trusted and before.seeing[i]}
        really |= {self.last} if stopped_vouching and self.last in fallen else set()
        lost = bool(fallen) and self.is_loss(look, fallen, witnessed=True)
        if (lost or not look.running) and self.just_after_gap(at):
            self.down = Downtime(started_ms=at, kind=Kind.UNKNOWN, start_uncertain=True)
            self.settle_frontier(at)
        elif lost:
            self.lose(at, fallen[0], tied=len(really) > 1, alone=fallen == [self.last])
        elif not look.running:
            self.lose(at, None, tied=False, alone=False)
        else:
            self.blind |= dict.fromkeys(fallen, at)

    def is_loss(self, look: Look, fallen: list[int], *, witnessed: bool) -> bool:
        """6.1: several are a loss at the most upstream; one alone is a loss or blind."""
        first = fallen[0]
        if len(fallen) > 1:
            return True
        if first == self.last:
            return not (witnessed and self.witness_vouches(look))
        downstream = [i for i in look.trusted if i > first]
        return not downstream or self.one_falls_in_its_window(look.at, first, downstream)

    def one_falls_in_its_window(self, at: int, first: int, downstream: list[int]) -> bool:
        """Whether the torn sheet takes one of the detectors downstream with it."""
        gap = self.known.gap_start_from(at)
        margin = self.settings.blind_margin_ms + self.settings.debounce_ms
        ends = {i: min(self.arrival(at, first, i) + margin, gap) for i in downstream}
        if any(self.known.falls(i, at, int(min(end, self.known.end - 1))) for i, end in ends.items()):
            return True
        if any(end >= self.known.end for end in ends.values()):
            raise Undecided
        return False

    def arrival(self, at: int, upstream: int, downstream: int) -> float:
        """When a torn end reaches a detector downstream at the speeds that it meets, at most 60 s after. [ms]"""
        positions = [detector.position_m for detector in self.settings.detectors]
        left_m, latest, now = positions[downstream] - positions[upstream], at + LONGEST_TRANSPORT_MS, at
        while now < latest:
            following = min([at_ms for at_ms in self.known.speed.times if at_ms > now] + [latest])
            speed = self.known.speed.at(now) or 0.0
            if speed > 0 and left_m * 60_000 / speed <= following - now:
                return now + left_m * 60_000 / speed
            left_m -= speed * (following - now) / 60_000
            now = following
        return latest

    def window(self, at: int, upstream: int, downstream: int) -> float:
        """Transport time between two detectors at the speed of the moment, at most 60 s, and the margin. [ms]"""
        positions = [detector.position_m for detector in self.settings.detectors]
        speed = self.known.speed.at(at) or 0.0
        distance = positions[downstream] - positions[upstream]
        transport = distance * 60_000 / speed if speed > 0 else LONGEST_TRANSPORT_MS
        return min(transport, LONGEST_TRANSPORT_MS) + self.settings.blind_margin_ms

    def witness_vouches(self, look: Look) -> bool:
        """Whether the witness goes on showing sheet though the last detector, alone, has lost it."""
        at, known = look.at, self.known
        until = at + self.settings.blind_margin_ms + self.settings.debounce_ms
        shown = known.witness.over(at, min(until, known.end - 1))
        others = [i for i in look.trusted if i != self.last]
        falls = any(known.falls(i, at, min(until, known.end - 1)) for i in others)
        if known.witness.at(at) is None or not all(shown) or falls or known.gap_start_from(at) < until:
            return False
        if until >= known.end:
            raise Undecided
        return True

    def lose(self, at: int, fell: int | None, *, tied: bool, alone: bool) -> None:
        """Open a downtime; its context is added after the walk."""
        kind = self.kind(at)
        self.down = Downtime(
            started_ms=at,
            kind=kind,
            section=self.settings.detectors[fell].section if fell is not None and kind is not Kind.STOP else None,
            location_tied=tied and kind is not Kind.STOP,
            at_reel=fell == self.last and kind is not Kind.STOP,
            unwitnessed=alone and kind is not Kind.STOP and self.unwitnessed(at),
        )
        self.settle_frontier(at)

    def unwitnessed(self, at: int) -> bool:
        """The last detector alone says so: no witness speaks, and no other detector loses the sheet soon after."""
        until = min(at + self.settings.trip_window_ms, self.known.gap_start_from(at))
        others = [i for i in self.look(at).trusted if i != self.last]
        return self.known.witness.at(at) is None and not any(self.known.falls(i, at, until) for i in others)

    def kind(self, at: int) -> Kind:
        """Why the sheet was lost, from the moments around the loss."""
        known, window = self.known, self.settings.trip_window_ms
        first = max(at - window, known.gap_end_until(at))
        final = min(at + window, known.gap_start_from(at))
        if final >= known.end:
            raise Undecided
        since = self.returned if self.returned is not None else self.began
        assert since is not None
        rose = any(since <= rise <= at and now for rise, _, now in known.planned.changes())
        if rose and any(known.planned.over(first, at)):
            return Kind.PLANNED
        stock_off = not all(known.stock_on.over(first, final))
        return Kind.STOP if stock_off or self.slows_down(known.speed.over(first, final)) else Kind.BREAK

    def slows_down(self, speeds: list[float]) -> bool:
        """Whether the machine is below running speed, or falls far below the highest speed before."""
        least = 1 - self.settings.trip_drop_pct / 100
        return any(
            speed < self.settings.running_above_m_min or speed < least * max(speeds[:i], default=0.0)
            for i, speed in enumerate(speeds)
        )

    # ------------------------------------------------------------ 7. While the sheet is off

    def off_the_reel(self, at: int) -> None:
        """With a downtime open: does the frontier rise or fall, and is the sheet back?"""
        before = self.before
        assert before is not None
        self.find_blind_while_down(at, before)
        torn = before.frontier_back() > self.last and self.torn_at_n(at, before)
        now = self.look(at)
        was = self.as_trusted_now(before, now).frontier_back()
        if torn:
            self.fall(at, self.last + 1)
        elif now.frontier_back() > was:
            self.rise(at)
        elif now.frontier_back() < was:
            self.fall(at, was)
        self.settle_frontier(at)

    def find_blind_while_down(self, at: int, before: Look) -> None:
        """The sheet is at the reel though one detector on its way does not see it: that one is blind."""
        now = self.look(at)
        if before.trusted == now.trusted and before.seeing == now.seeing and self.after_gap != at:
            return
        if self.reel_is_believed(now, at):
            blocking = [i for i in now.trusted if not now.seeing[i]]
            self.blind |= dict.fromkeys(self.never_seeing(at, blocking), at)

    def reel_is_believed(self, now: Look, at: int) -> bool:
        """Whether the last detector has risen in this downtime, sees since, and was not stuck before this moment."""
        assert self.down is not None
        looks = [look for look in self.looks if look.at >= self.down.started_ms]
        if self.last not in now.trusted or not now.seeing[-1] or self.is_stuck(looks, at):
            return False
        for earlier, later in reversed(list(pairwise([*looks, now]))):
            if self.last not in earlier.trusted:
                return False
            if not earlier.seeing[-1]:
                return later.seeing[-1]
        return False

    def is_stuck(self, looks: list[Look], at: int) -> bool:
        """Whether the last detector has been seeing alone for too long, up to this moment."""
        since, allowed = None, 0.0
        for look in looks:
            upstream = [i for i in sorted(look.trusted) if i < self.last][-1:]
            alone = bool(upstream) and not look.seeing[upstream[0]] and look.running
            alone = alone and self.last in look.trusted and look.seeing[-1] and look.at not in self.gap_starts
            if not alone:
                since = None
            elif since is None:
                since, allowed = look.at, self.window(look.at, upstream[0], self.last)
        return since is not None and at - since > allowed

    def never_seeing(self, at: int, blocking: list[int]) -> list[int]:
        """The one detector that does not see through the whole confirmation while the last one goes on seeing."""
        known, until = self.known, at + self.settings.on_reel_confirm_ms
        final = min(until, known.end - 1)
        never = [
            i for i in blocking if not any(known.detectors[i].values.over(at, min(final, known.gap_start_from(at))))
        ]
        if not never or known.falls(self.last, at, min(until - 1, final)) or known.gap_start_from(at) < until:
            return []
        if until >= known.end:
            raise Undecided
        return never if len(never) == 1 else []

    def torn_at_n(self, at: int, before: Look) -> bool:
        """With the frontier at n, a detector that stops seeing is judged as one on the reel: torn sheet, or blind."""
        now = self.look(at)
        fallen = [i for i in sorted(now.trusted) if not now.seeing[i]]
        if not fallen or not now.running:
            return False
        if self.is_loss(now, fallen, witnessed=False):
            return True
        self.blind |= dict.fromkeys(fallen, at)
        return False

    def as_trusted_now(self, before: Look, now: Look) -> Look:
        """The moment before, judged with the trust of now: a detector just trusted counts as having had its value."""
        seen = [before.seeing[i] if i in before.trusted else now.seeing[i] for i in range(len(now.seeing))]
        return replace(before, seeing=tuple(seen), trusted=now.trusted)

    def rise(self, at: int) -> None:
        """The sheet has got further."""
        if self.attempt is None:
            self.attempt = Threading(started=at, last_rise=at)
        self.attempt.last_rise = at

    def fall(self, at: int, reached: int) -> None:
        """The sheet has fallen back: one more try, not a new break."""
        if self.attempt:
            self.end_attempt(at, reached, Outcome.FAILED)

    def settle_frontier(self, at: int) -> None:
        """Remember since when the frontier is at n, or that it is not."""
        if self.look(at).frontier_back() > self.last:
            self.candidate = at if self.candidate is None else self.candidate
        else:
            was_n = self.before is not None and self.before.frontier_back() > self.last
            self.left_n = at if was_n else self.left_n
            self.candidate = None

    def let_time_pass(self, until: int) -> None:
        """What needs no new value: the return is confirmed, or an attempt that stands still is held."""
        if self.candidate is not None and self.candidate + self.settings.on_reel_confirm_ms <= until:
            self.come_back(self.candidate)
        elif self.attempt and self.before and self.before.frontier_back() <= self.last:
            held = max(self.attempt.last_rise + self.settings.attempt_pause_ms, self.left_n)
            if held <= until:
                self.end_attempt(held, self.before.frontier_back(), Outcome.HELD)

    def come_back(self, at: int) -> None:
        """The downtime ends at the moment at which the frontier reached n."""
        assert self.down is not None
        if self.attempt is None:
            self.attempt = Threading(started=at, last_rise=at)
        self.end_attempt(at, self.last + 1, Outcome.SUCCESS)
        self.downtimes.append(replace(self.down, ended_ms=at))
        self.down, self.candidate, self.returned, self.after_gap = None, None, at, None

    def end_attempt(self, at: int, reached: int | None, outcome: Outcome | None) -> None:
        """Write down the attempt under way."""
        assert self.attempt is not None
        downtime = self.down or self.downtimes[-1]
        number = 1 + sum(each.downtime_ms == downtime.started_ms for each in self.attempts)
        reached_section = None if reached is None else self.section(reached)
        self.attempts.append(
            Attempt(
                downtime_ms=downtime.started_ms,
                number=number,
                started_ms=self.attempt.started,
                ended_ms=at,
                reached_section=reached_section,
                outcome=outcome,
            )
        )
        self.attempt = None
