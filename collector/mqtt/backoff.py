"""How long to wait before the next attempt to connect. Pure: it is told how long things took."""

from __future__ import annotations

from dataclasses import dataclass

FIRST_S, LONGEST_S = 0.5, 30.0

LASTING_S = 2 * LONGEST_S
"""Two clients that take one session from each other, each after the longest pause, stay below this."""

SUSPICIOUS = 3
"""So many in a row that did not last: Mosquitto 2.0.11 does not say that another client has taken the session over."""


@dataclass(slots=True)
class Backoff:
    """Waits twice as long after each failure, up to half a minute; starts anew after a connection that lasted.

    short
        Connections in a row that the broker accepted and that did not last.
    """

    wait_s: float = FIRST_S
    short: int = 0

    def after(self, *, lasted_s: float, accepted: bool, taken_over: bool) -> float:
        """How long to wait now. [s]

        lasted_s
            From the attempt to the end of the connection. [s]
        accepted
            Whether the broker had taken us in.
        taken_over
            Whether another client had taken our session: to fight over it helps nobody.
        """
        if taken_over:
            self.wait_s = LONGEST_S
        elif accepted and lasted_s >= LASTING_S:
            self.wait_s, self.short = FIRST_S, 0
        elif accepted:
            self.short += 1
        wait_s, self.wait_s = self.wait_s, min(2 * self.wait_s, LONGEST_S)
        return wait_s

    @property
    def suspicious(self) -> bool:
        """Whether connections end so soon, and so often, that somebody else may use our client id."""
        return self.short >= SUSPICIOUS
