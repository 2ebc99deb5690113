"""The whole clock of a downtime: lost, attempts, back on the reel, back at target speed, back in specification."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.history import Attempt, Downtime, History, Stretch
from analysis.period import Period

Judgement = Callable[[Stretch], bool | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """When what happened in one downtime and after it. [ms since 1970-01-01 UTC]

    back_ms
        Sheet back on the reel: here lost time ends. None while open.
    at_speed_ms, in_spec_ms
        From then on at target speed, or within every limit, for at least ``settled_s``. None where the mill has no
        target or limit for the grade, where the sheet was lost again before, or where it is not known yet.
    until_ms
        Where the run on the reel after it ends: the next loss, or as far as is known.
    off_spec_t
        Made from back on the reel to back in specification, or to the next loss before that. None where it cannot be
        known. At reel moisture. [t]
    short_t
        What the target speed would have made more, from back on the reel to back at target speed. None likewise. [t]
    """

    downtime: Downtime
    attempts: tuple[Attempt, ...]
    back_ms: int | None
    at_speed_ms: int | None = None
    in_spec_ms: int | None = None
    until_ms: int | None = None
    off_spec_t: float | None = None
    short_t: float | None = None

    @property
    def lost_ms(self) -> int | None:
        """Lost time: loss to sheet back on the reel; None while open. [ms]"""
        return None if self.back_ms is None else self.back_ms - self.downtime.started_ms

    @property
    def to_attempt_ms(self) -> int | None:
        """Loss to the first attempt at threading; None without one. [ms]"""
        return self.attempts[0].started_ms - self.downtime.started_ms if self.attempts else None

    @property
    def to_speed_ms(self) -> int | None:
        """Back on the reel to back at target speed; no part of lost time. [ms]"""
        return _between(self.back_ms, self.at_speed_ms)

    @property
    def to_spec_ms(self) -> int | None:
        """Back on the reel to back in specification; no part of lost time. [ms]"""
        return _between(self.back_ms, self.in_spec_ms)

    @property
    def to_saleable_ms(self) -> int | None:
        """Loss to saleable paper: lost time and what followed it until the paper was in specification. [ms]"""
        return _between(self.downtime.started_ms, self.in_spec_ms)


def _between(from_ms: int | None, to_ms: int | None) -> int | None:
    return None if from_ms is None or to_ms is None else to_ms - from_ms


def clocks(history: History, stretches: Sequence[Stretch], period: Period) -> tuple[Clock, ...]:
    """The clock of every downtime that touches a period, in order of loss.

    stretches
        On-reel time of at least the period, in order of time (``read.Store.stretches``); empty: nothing is known of
        speed and quality. A run on the reel belongs to the one downtime before it, so that no minute counts twice.
    """
    attempts = defaultdict[str, list[Attempt]](list)
    for attempt in history.attempts:
        attempts[attempt.downtime_id].append(attempt)
    downtimes = sorted(history.downtimes, key=lambda d: (d.started_ms, d.downtime_id))
    nexts = [after.started_ms for _, after in pairwise(downtimes)] + [period.to_ms] * bool(downtimes)
    runs = _runs(stretches, [d.ended_ms for d in downtimes], nexts)
    settled_ms = round(history.machine.settled_s * 1000)
    return tuple(
        _clock(d, tuple(attempts[d.downtime_id]), run, min(until_ms, period.to_ms), settled_ms)
        for d, run, until_ms in zip(downtimes, runs, nexts, strict=True)
    )


def _runs(stretches: Sequence[Stretch], backs: Sequence[int | None], nexts: Sequence[int]) -> list[list[Stretch]]:
    """The stretches of the run after each downtime. Each stretch is in one run at most."""
    runs: list[list[Stretch]] = [[] for _ in backs]
    at = 0
    for number, (back_ms, next_ms) in enumerate(zip(backs, nexts, strict=True)):
        while at < len(stretches) and stretches[at].started_ms < next_ms:
            if back_ms is not None and stretches[at].started_ms >= back_ms:
                runs[number].append(stretches[at])
            at += 1
    return runs


def _clock(
    downtime: Downtime, attempts: tuple[Attempt, ...], run: Sequence[Stretch], until_ms: int, settled_ms: int
) -> Clock:
    if not run:
        return Clock(downtime=downtime, attempts=attempts, back_ms=downtime.ended_ms)
    at_speed_ms = settled_at(run, _at_speed, settled_ms)
    in_spec_ms = settled_at(run, _in_spec, settled_ms)
    return Clock(
        downtime=downtime,
        attempts=attempts,
        back_ms=downtime.ended_ms,
        at_speed_ms=at_speed_ms,
        in_spec_ms=in_spec_ms,
        until_ms=until_ms,
        off_spec_t=_tonnes_before(run, _in_spec, in_spec_ms, lambda s: s.tonnes_t),
        short_t=_tonnes_before(run, _at_speed, at_speed_ms, lambda s: s.short_t),
    )


def _at_speed(stretch: Stretch) -> bool | None:
    return stretch.at_speed


def _in_spec(stretch: Stretch) -> bool | None:
    return stretch.in_spec


def settled_at(run: Sequence[Stretch], judged: Judgement, settled_ms: int) -> int | None:
    """The first moment from which a judgement held for at least so long without a gap; None if there is none. [ms]"""
    since_ms, reached_ms = None, None
    for s in run:
        if not judged(s):
            since_ms = None
            continue
        if since_ms is None or s.started_ms != reached_ms:
            since_ms = s.started_ms
        reached_ms = s.ended_ms
        if reached_ms - since_ms >= settled_ms:
            return since_ms
    return None


def _tonnes_before(
    run: Sequence[Stretch], judged: Judgement, until_ms: int | None, tonnes: Callable[[Stretch], float | None]
) -> float | None:
    """Tonnes of a run up to a moment, or all of it; None where nothing was judged or a part is unknown."""
    if all(judged(s) is None for s in run):
        return None
    before = [tonnes(s) for s in run if until_ms is None or s.started_ms < until_ms]
    known = [t for t in before if t is not None]
    return sum(known) if len(known) == len(before) else None
