"""What the collector tells the mill over MQTT: pure functions from what was committed to topics and payloads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec

from collector.fact import DowntimeClosed, DowntimeOpened, Fact, State

_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """One outgoing message."""

    topic: str
    payload: bytes
    retain: bool = True


def instant(at_ms: int) -> str:
    """RFC 3339 in UTC with milliseconds."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def breaks(root: str, facts: Iterable[Fact]) -> Iterator[Announcement]:
    """Each opening and closing of a downtime."""
    for fact in facts:
        match fact:
            case DowntimeOpened():
                said = {
                    "downtime": fact.downtime_id,
                    "kind": str(fact.kind),
                    "section": fact.section,
                    "started_at": instant(fact.started_ms),
                    "ended_at": None,
                    "grade": fact.grade,
                    "shade": fact.shade,
                }
            case DowntimeClosed():
                said = {"downtime": fact.downtime_id, "ended_at": instant(fact.ended_ms)}
            case _:
                continue
        yield Announcement(topic=f"{root}/{fact.machine}/runnability/break", payload=_encode(said))


def state(root: str, machine: str, now: State, *, as_of_ms: int) -> Announcement:
    """The machine's provisional state: what the rows will say may differ, once all is decided."""
    said = {"state": str(now), "as_of": instant(as_of_ms), "provisional": True}
    return Announcement(topic=state_topic(root, machine), payload=_encode(said))


def state_topic(root: str, machine: str) -> str:
    """Where a machine's provisional state is said."""
    return f"{root}/{machine}/runnability/state"


def receipt(root: str, machine: str, note_id: str, *, accepted: bool, reason: str | None) -> Announcement:
    """The answer to a crew note."""
    said = {"note_id": note_id, "accepted": accepted, "reason": reason}
    return Announcement(topic=f"{root}/{machine}/note/receipt", payload=_encode(said), retain=False)


def health_topic(root: str) -> str:
    """Where the collector says how it is; also the topic of its last will."""
    return f"{root}/collector/health"


def health(root: str, said: dict[str, object]) -> Announcement:
    """How the collector is."""
    return Announcement(topic=health_topic(root), payload=_encode(said))


def lake(trouble: str | None, *, copied_ms: int | None, waiting_days: int, failed: int) -> dict[str, object]:
    """How the lake is served, as a part of the health message."""
    return {
        "trouble": trouble,
        "copied_at": None if copied_ms is None else instant(copied_ms),
        "waiting_days": waiting_days,
        "failed": failed,
    }


def last_will(root: str) -> tuple[str, bytes]:
    """What the broker says for us when we are gone without a word."""
    return health_topic(root), _encode({"status": "gone"})
