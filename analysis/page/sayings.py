"""What people have said of a downtime: what the store has, and what is on its way there. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from analysis.page.desk import said_ms
from analysis.page.outbox import Kept, Way

CAUSE, KIND, MISSED, MERGE, WITHDRAWAL = "cause", "kind", "missed", "merge", "withdrawal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Saying:
    """One note about one downtime.

    way
        How far it has come; None once the store has it.
    reason
        Why it was refused, or changes nothing.
    withdrawn
        Whether a later note takes it back; ``withdrawal`` is that one's way then, None if the store has it.
    """

    note_id: str
    kind: str
    downtime_id: str
    noted_ms: int
    cause: str | None = None
    certainty: str | None = None
    comment: str | None = None
    by: str | None = None
    new_kind: str | None = None
    withdrawn: bool = False
    withdrawal: Way | None = None
    way: Way | None = None
    reason: str | None = None

    @property
    def counts(self) -> bool:
        """Whether it says something that was neither refused nor taken back."""
        return not self.withdrawn and self.way is not Way.REFUSED


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """A loss of the sheet that somebody has added, on its way to the store. [ms]"""

    note_id: str
    started_ms: int
    ended_ms: int
    way: Way
    reason: str | None


def sayings(stored: Iterable[Saying], kept: Sequence[Kept]) -> tuple[Saying, ...]:
    """Everything that was said of some downtimes, oldest first.

    stored
        Of those downtimes, as the store has it.
    kept
        All that is on its way, of whatever downtime; what the store has already counts once.
    """
    found = {one.note_id: one for one in stored}
    for one in kept:
        if one.note.get("kind") in (CAUSE, KIND, MERGE) and one.note_id not in found:
            found[one.note_id] = _saying(one)
    for one in kept:
        taken_back = found.get(str(one.note.get("withdraws")))
        if taken_back is not None and one.way is not Way.REFUSED:
            found[taken_back.note_id] = replace(taken_back, withdrawn=True, withdrawal=one.way)
    return tuple(sorted(found.values(), key=lambda s: s.noted_ms))


def of_downtime(found: Iterable[Saying], downtime_id: str) -> tuple[Saying, ...]:
    """What was said of one downtime, oldest first."""
    return tuple(one for one in found if one.downtime_id == downtime_id)


def holding(found: Sequence[Saying], kind: str) -> Saying | None:
    """The note that holds, or will once the store has it: the newest of its kind that counts."""
    return next((one for one in reversed(found) if one.kind == kind and one.counts), None)


def added(kept: Sequence[Kept], topic_end: str, within: Callable[[int], bool]) -> list[Added]:
    """The losses of one machine that were added within some time and are not in the store yet, oldest first."""
    taken_back = {str(one.note["withdraws"]) for one in kept if "withdraws" in one.note and one.way is not Way.REFUSED}
    found = [
        Added(
            note_id=one.note_id,
            started_ms=_ms(one.note["started"]),
            ended_ms=_ms(one.note["ended"]),
            way=one.way,
            reason=one.reason,
        )
        for one in kept
        if one.note.get("kind") == MISSED and one.topic.endswith(topic_end) and one.note_id not in taken_back
    ]
    return sorted((one for one in found if within(one.started_ms)), key=lambda one: one.started_ms)


def on_its_way(found: Sequence[Saying]) -> bool:
    """Whether anything that was said is not in the store yet."""
    return any((one.way is not None and one.way is not Way.REFUSED) or one.withdrawal is not None for one in found)


def _ms(said: str) -> int:
    return round(datetime.fromisoformat(said).timestamp() * 1000)


def _saying(kept: Kept) -> Saying:
    note = kept.note
    return Saying(
        note_id=kept.note_id,
        kind=note["kind"],
        downtime_id=note["downtime"],
        noted_ms=said_ms(kept),
        cause=note.get("cause"),
        certainty=note.get("certainty"),
        comment=note.get("comment"),
        by=note.get("by"),
        new_kind=note.get("new_kind"),
        way=kept.way,
        reason=kept.reason,
    )
