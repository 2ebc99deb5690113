"""Moments as people of a mill write them: by its own clocks, in the language of whoever looks. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from analysis.page.catalogue import Words
from analysis.period import local, say


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Says moments; a dash for none. [ms since 1970]

    zone
        Of the mill; None while it is not known, and then nothing can be said.
    """

    words: Words
    zone: ZoneInfo | None

    def clock(self, at_ms: int | None) -> str:
        """The time of day. Where clocks go back, an hour comes twice, and this tells them apart."""
        return "–" if at_ms is None or self.zone is None else say(at_ms, self.zone).partition(" ")[2]

    def moment(self, at_ms: int | None) -> str:
        """Day and time."""
        if at_ms is None or self.zone is None:
            return "–"
        return f"{self.words.day(local(at_ms, self.zone).date())} {self.clock(at_ms)}"

    def beside(self, at_ms: int | None, other_ms: int | None) -> str:
        """The time, with its day unless that is the day of another moment."""
        if at_ms is None or self.zone is None or other_ms is None:
            return self.moment(at_ms)
        same = local(at_ms, self.zone).date() == local(other_ms, self.zone).date()
        return self.clock(at_ms) if same else self.moment(at_ms)

    def fresh(self, data_ms: int | None, published_ms: int | None) -> str:
        """How fresh what is shown is."""
        return self.words("frame.fresh", data=self.moment(data_ms), published=self.beside(published_ms, data_ms))
