"""One machine of the present as a piece of HTML, and as a sentence for those who do not see it. Pure."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from analysis.page.catalogue import Words
from analysis.page.moments import Moments
from analysis.page.now.view import MachineNow
from analysis.page.paint import fragment
from analysis.page.tongue import tongue_of


def drawn(now: MachineNow, words: Words, zone: ZoneInfo, *, now_ms: int) -> str:
    """One machine as HTML. Clocks carry when they began, so that a browser may let them run."""
    moments = Moments(words=words, zone=zone)
    return fragment(
        "now_machine.html",
        t=words,
        say=tongue_of(words.code).pieces,
        now=now,
        clock=lambda at_ms: moments.beside(at_ms, now_ms),
        fresh=moments.fresh(now.data_to_ms, now.published_ms),
        run=lambda since_ms: running(now_ms - since_ms),
    )


def running(ms: int) -> str:
    """A length of time as a clock that runs: 4:05, 2:04:05; days before it from the first full day on."""
    seconds = max(0, ms) // 1000
    days, rest = divmod(seconds, 86_400)
    hours, rest = divmod(rest, 3_600)
    minutes, left = divmod(rest, 60)
    if days:
        return f"{days} d {hours}:{minutes:02}"
    return f"{hours}:{minutes:02}:{left:02}" if hours else f"{minutes}:{left:02}"


def spoken(now: MachineNow, words: Words) -> str:
    """What changed, as a sentence for a screen reader: said only when the state or its trust changes."""
    said = words("now.spoken", machine=now.name, state=words(f"state.{now.state}"))
    if now.live:
        return said
    return f"{said} {words('now.unsaid' if now.unsaid else f'now.collector.{now.collector.value}')}"
