"""Whether all is well, and if not, why: a pure judgement on what was read and heard."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from collector.settings import Mill
from collector.status.heard import Heard
from collector.status.stored import Stored

SPEAKS_EVERY_S = 30.0
"""A collector that is well says so each second; after this long without it, it hangs. [s]"""

LOW_BYTES = 1_000_000_000
"""With less than this free on its disk, a store has not long to go. [bytes]"""


class Running(StrEnum):
    """Whether the collector runs."""

    RUNNING = "running"
    HANGING = "hanging"
    STOPPED = "stopped"
    GONE = "gone"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """All of it at one moment.

    troubles
        Why it is not well; empty if it is.
    fresh
        It runs, and began so short a while ago that what it heard may not have been published yet.
    """

    now_ms: int
    running: Running
    fresh: bool = False
    troubles: tuple[str, ...]
    stored: Stored | None
    heard: Heard

    @property
    def healthy(self) -> bool:
        """Whether nothing is wrong."""
        return not self.troubles


def judge(mill: Mill, stored: Stored | None, heard: Heard, *, now_ms: int, silent_after_s: float = 900.0) -> Status:
    """Judge what was read and heard.

    silent_after_s
        A machine whose newest data are older than this is silent, unless the collector began only now. [s]
    """
    running = _running(heard, now_ms)
    troubles = [*_of_collector(running, heard, now_ms), *_of_store(mill, stored, now_ms)]
    fresh = running is Running.RUNNING and _began_within(heard, 2 * mill.store.publish_every_s, now_ms)
    if stored is not None and not fresh:
        for machine in stored.machines:
            if machine.newest_ms is None:
                troubles.append(f"{machine.machine} has never sent anything")
            elif now_ms - machine.newest_ms > silent_after_s * 1000:
                troubles.append(f"{machine.machine} has sent nothing for {age(now_ms - machine.newest_ms)}")
    return Status(now_ms=now_ms, running=running, fresh=fresh, troubles=tuple(troubles), stored=stored, heard=heard)


def _began_within(heard: Heard, stretch_s: float, now_ms: int) -> bool:
    began_ms = said_ms(heard, "started_at")
    return began_ms is not None and now_ms - began_ms <= stretch_s * 1000


def _running(heard: Heard, now_ms: int) -> Running:
    if heard.health is None:
        return Running.UNKNOWN
    match heard.health.get("status"):
        case "gone":
            return Running.GONE
        case "stopped":
            return Running.STOPPED
        case _:
            last_ms = said_ms(heard)
            late = last_ms is not None and now_ms - last_ms > SPEAKS_EVERY_S * 1000
            return Running.HANGING if late else Running.RUNNING


def said_ms(heard: Heard, name: str = "as_of") -> int | None:
    """When the health message was said, or another instant of it; None without. [ms since 1970-01-01 UTC]"""
    said = (heard.health or {}).get(name)
    try:
        return round(datetime.fromisoformat(str(said)).timestamp() * 1000)
    except ValueError:
        return None


def _of_collector(running: Running, heard: Heard, now_ms: int) -> list[str]:
    if heard.why_not is not None:
        return [heard.why_not]
    match running:
        case Running.RUNNING:
            return _said_troubles(heard.health or {})
        case Running.HANGING:
            return [f"the collector has said nothing for {age(now_ms - (said_ms(heard) or now_ms))}"]
        case Running.GONE:
            return ["the collector is gone without a word: it was killed, or lost its connection"]
        case Running.STOPPED:
            return ["the collector was stopped"]
        case Running.UNKNOWN:
            return ["the broker holds no word of the collector: it was never started, or this user may not read it"]


def _said_troubles(health: Mapping[str, object]) -> list[str]:
    """What a collector that is there says it cannot do: take what comes, or let readers have it."""
    status, unpublished = health.get("status", "up"), health.get("unpublished")
    troubles = [] if status == "up" else [f"nothing is taken or acknowledged: {status}"]
    if unpublished is not None:
        troubles.append(f"readers do not get what is new: {unpublished}")
    lake = health.get("lake")
    if isinstance(lake, Mapping) and lake.get("trouble") is not None:
        troubles.append(f"the lake lacks something: {lake['trouble']}")
    return troubles


def _of_store(mill: Mill, stored: Stored | None, now_ms: int) -> list[str]:
    if stored is None:
        return [f"nothing was published in {mill.store.folder} yet: start the collector"]
    troubles = []
    if now_ms - stored.published_ms > max(60.0, 6 * mill.store.publish_every_s) * 1000:
        troubles.append(f"published {age(now_ms - stored.published_ms)} ago")
    if stored.free_bytes < LOW_BYTES:
        troubles.append(f"{stored.free_bytes / 1e9:.1f} GB free on the disk of {stored.folder}: make room")
    return troubles


def age(ms: int) -> str:
    """A stretch of time in words: 4 s, 12 min, 3.5 h, 20 days."""
    seconds = max(0, ms) / 1000
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"
