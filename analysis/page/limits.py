"""How often somebody may do something: a bucket of tries that fills again with time. Pure; time comes in."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

MOST_REMEMBERED = 10_000


@dataclass(slots=True, kw_only=True)
class Limiter:
    """So many tries at once, and one more each ``every_s`` after that, for each who tries.

    burst
        Tries at once, from 1.
    every_s
        Until one more is allowed. [s]
    """

    burst: int
    every_s: float
    _seen: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def allows(self, who: str, now_s: float) -> bool:
        """Count one try; False if it is one too many, and then it does not count."""
        left = self._left(who, now_s)
        if left < 1:
            return False
        self._seen[who] = (left - 1, now_s)
        self._seen.move_to_end(who)
        while len(self._seen) > MOST_REMEMBERED:
            # Whoever has been quiet for longest has most tries again anyway.
            self._seen.popitem(last=False)
        return True

    def wait_s(self, who: str, now_s: float) -> float:
        """How long until the next try is allowed; 0 for now. [s]"""
        return max(0.0, (1 - self._left(who, now_s)) * self.every_s)

    def _left(self, who: str, now_s: float) -> float:
        left, at_s = self._seen.get(who, (float(self.burst), now_s))
        # A clock that goes back gives nothing.
        return min(float(self.burst), left + max(0.0, now_s - at_s) / self.every_s)
