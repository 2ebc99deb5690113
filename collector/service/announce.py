"""What the collector tells the mill over MQTT: pure functions from what was committed to topics and payloads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated

import msgspec
from msgspec import UNSET, Meta, UnsetType

from collector.decode.context import note_id_in
from collector.fact import DowntimeClosed, DowntimeOpened, Fact, State
from collector.message import Rejected

_encode = msgspec.json.Encoder().encode

Id = Annotated[str, Meta(description="The downtime's id, as in the store's views.")]


class Opened(msgspec.Struct, frozen=True, kw_only=True):
    """A downtime began; said once its kind is final."""

    downtime: Id
    kind: Annotated[str, Meta(description="break, stop, planned or unknown.")]
    section: Annotated[str | None, Meta(description="Where the sheet was lost; null for a stop, or where unknown.")]
    started_at: Annotated[str, Meta(description="The loss of the sheet.")]
    ended_at: Annotated[None, Meta(description="Always null: by it an opening is told from a closing.")] = None
    grade: Annotated[str | None, Meta(description="Grade being made.")]
    shade: Annotated[str | None, Meta(description="Shade being made.")]


class Closed(msgspec.Struct, frozen=True, kw_only=True):
    """A downtime ended; said once the sheet's return is confirmed."""

    downtime: Id
    ended_at: Annotated[str, Meta(description="Sheet back on the reel.")]


class MachineState(msgspec.Struct, frozen=True, kw_only=True):
    """What a machine does, before all is decided; said when it changes."""

    state: Annotated[str, Meta(description="no_data, stopped, stock_off, on_reel, threading or down.")]
    as_of: Annotated[str, Meta(description="When it was said, by the collector's clock.")]
    provisional: Annotated[bool, Meta(description="Always true: what the store will say may differ.")] = True


class Receipt(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to a crew note, once it is committed or refused; without a readable ``note_id`` there is none."""

    note_id: Annotated[str, Meta(description="Id of the note.")]
    accepted: Annotated[bool, Meta(description="Whether it was stored; one on a downtime that nobody knows is.")]
    reason: Annotated[
        str | None, Meta(description="Why it was refused, or why it changes nothing yet; null if all is well.")
    ]


class Lake(msgspec.Struct, frozen=True, kw_only=True):
    """How the lake is served."""

    trouble: Annotated[str | None, Meta(description="What keeps copies from the lake; null if nothing does.")]
    copied_at: Annotated[str | None, Meta(description="When all was last copied; null if never.")]
    waiting_days: Annotated[int, Meta(description="Closed days that are still to be copied.")]
    failed: Annotated[int, Meta(description="Attempts that failed since the collector started.")]


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the collector is, each second; counts are those of this run."""

    status: Annotated[str, Meta(description='"up", "stopped", or in a sentence what it waits for.')]
    as_of: Annotated[str, Meta(description="When it was said, by the collector's clock.")]
    version: Annotated[str, Meta(description="Version of the collector.")]
    started_at: Annotated[str, Meta(description="When this run began.")]
    messages: Annotated[int, Meta(description="Messages that were committed.")]
    repeats: Annotated[int, Meta(description="Messages that the broker delivered again, and that were known.")]
    samples: Annotated[int, Meta(description="Samples that were new.")]
    late: Annotated[int, Meta(description="Role values that came too late for the tracker; rebuild uses them.")]
    rejected: Annotated[int, Meta(description="Messages, or parts of one, that were put aside with a reason.")]
    sessions_lost: Annotated[int, Meta(description="How often the broker had forgotten the session.")]
    waiting: Annotated[int, Meta(description="Received messages that wait to be committed.")]
    unpublished: Annotated[str | UnsetType, Meta(description="Why readers get nothing new; only while it is so.")] = (
        UNSET
    )
    lake: Annotated[Lake | UnsetType, Meta(description="Only with [lake] in mill.toml.")] = UNSET


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
                said: Opened | Closed = Opened(
                    downtime=fact.downtime_id,
                    kind=str(fact.kind),
                    section=fact.section,
                    started_at=instant(fact.started_ms),
                    grade=fact.grade,
                    shade=fact.shade,
                )
            case DowntimeClosed():
                said = Closed(downtime=fact.downtime_id, ended_at=instant(fact.ended_ms))
            case _:
                continue
        yield Announcement(topic=f"{root}/{fact.machine}/runnability/break", payload=_encode(said))


def state(root: str, machine: str, now: State, *, as_of_ms: int) -> Announcement:
    """The machine's provisional state: what the rows will say may differ, once all is decided."""
    said = MachineState(state=str(now), as_of=instant(as_of_ms))
    return Announcement(topic=state_topic(root, machine), payload=_encode(said))


def state_topic(root: str, machine: str) -> str:
    """Where a machine's provisional state is said."""
    return f"{root}/{machine}/runnability/state"


def receipt(root: str, machine: str, note_id: str, *, accepted: bool, reason: str | None) -> Announcement:
    """The answer to a crew note."""
    said = Receipt(note_id=note_id, accepted=accepted, reason=reason)
    return Announcement(topic=f"{root}/{machine}/note/receipt", payload=_encode(said), retain=False)


def refusals(root: str, machines: Iterable[str], rejected: Iterable[Rejected]) -> Iterator[Announcement]:
    """The answers to notes that could not be decoded: to those about a machine of the mill that bear an id."""
    topics = {f"{root}/{machine}/note": machine for machine in machines}
    for item in rejected:
        machine = topics.get(item.topic)
        if machine is not None and (note_id := note_id_in(item.payload)) is not None:
            yield receipt(root, machine, note_id, accepted=False, reason=item.reason)


def health_topic(root: str) -> str:
    """Where the collector says how it is; also the topic of its last will."""
    return f"{root}/collector/health"


def health(root: str, said: Health | Mapping[str, object]) -> Announcement:
    """How the collector is."""
    return Announcement(topic=health_topic(root), payload=_encode(said))


def last_will(root: str) -> tuple[str, bytes]:
    """What the broker says for us when we are gone without a word."""
    return health_topic(root), _encode({"status": "gone"})
