"""Signals over time: ramps between knots (speed, grammage) and steps (eyes, switches, names)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Value = float | bool | str | None


class Ramps:
    """A value that changes along straight lines between knots and stays after the last one."""

    def __init__(self, start_ms: int, value: float) -> None:
        """A value that has held since ``start_ms``."""
        self._at: list[int] = [start_ms]
        self._value: list[float] = [value]

    def at(self, ms: int) -> float:
        """The value at one moment."""
        return float(np.interp(ms, self._at, self._value))

    def over(self, times_ms: NDArray[np.int64]) -> Floats:
        """The values at many moments."""
        return np.interp(times_ms, self._at, self._value)

    def ramp(self, from_ms: int, to_ms: int, value: float) -> None:
        """Go from what the value is at ``from_ms`` to ``value`` at ``to_ms``; what was planned after is dropped."""
        here = self.at(from_ms)
        self.cut(from_ms)
        self._add(from_ms, here)
        self._add(max(to_ms, from_ms + 1), value)

    def cut(self, at_ms: int) -> None:
        """Hold the value of ``at_ms`` from then on."""
        here = self.at(at_ms)
        keep = bisect_left(self._at, at_ms)
        del self._at[keep:], self._value[keep:]
        self._add(at_ms, here)

    def forget_before(self, ms: int) -> None:
        """Drop knots that no moment from ``ms`` on needs."""
        keep = max(0, bisect_right(self._at, ms) - 1)
        del self._at[:keep], self._value[:keep]

    def steep(self, from_ms: int, to_ms: int, *, per_s: float, every_ms: int) -> list[int]:
        """Moments at which a ramp steeper than ``per_s`` should be looked at, besides the regular scans."""
        moments: list[int] = []
        for k in range(1, len(self._at)):
            t0, t1 = self._at[k - 1], self._at[k]
            if t1 > from_ms and t0 < to_ms and abs(self._value[k] - self._value[k - 1]) > per_s * (t1 - t0) / 1000:
                moments += [*range(t0, t1, every_ms), t1]
        return [ms for ms in sorted(set(moments)) if from_ms <= ms < to_ms]

    def _add(self, ms: int, value: float) -> None:
        if self._at and ms <= self._at[-1]:
            self._value[-1] = value
        else:
            self._at.append(ms)
            self._value.append(value)


@dataclass(frozen=True, slots=True, order=True)
class Change:
    """A signal took a new value. ``by_hand``: it travels as a single value, not in a scan."""

    at_ms: int
    tag: str
    value: Value = field(compare=False)
    by_hand: bool = field(compare=False, default=False)


@dataclass(slots=True)
class Steps:
    """All signals that are sent on change: what they are now, and what they will be."""

    now: dict[str, Value]
    coming: list[Change] = field(default_factory=list)

    def add(self, at_ms: int, tag: str, value: Value, *, by_hand: bool = False) -> None:
        """Plan a change."""
        self.coming.append(Change(at_ms, tag, value, by_hand))

    def take_until(self, end_ms: int) -> list[Change]:
        """The changes before ``end_ms`` in order of time, which happen now and are planned no longer."""
        self.coming.sort()
        cut = bisect_left(self.coming, end_ms, key=lambda change: change.at_ms)
        taken, self.coming = self.coming[:cut], self.coming[cut:]
        for change in taken:
            self.now[change.tag] = change.value
        return taken


def step_values(times_ms: NDArray[np.int64], before: bool, changes: list[Change]) -> NDArray[np.bool_]:
    """A yes-or-no signal at many moments, from what it was before and its changes."""
    at = np.array([change.at_ms for change in changes], dtype=np.int64)
    values = np.array([before, *(bool(change.value) for change in changes)], dtype=np.bool_)
    taken: NDArray[np.bool_] = values[np.searchsorted(at, times_ms, side="right")]
    return taken
