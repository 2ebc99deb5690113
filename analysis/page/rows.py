"""The downtimes of a shift as people see them: what the store knows, with what they have said since laid over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from analysis.figures.shift_review import ShiftDowntime
from analysis.history import Downtime, Machine
from analysis.page.outbox import Kept
from analysis.page.sayings import CAUSE, KIND, MERGE, Saying, holding, of_downtime, on_its_way, sayings
from analysis.page.shift_facts import ShiftFacts, habits
from analysis.page.site import Site
from analysis.page.targets import Targets, targets


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The loss of the sheet before another one; ``between_ms`` the sheet was on the reel. [ms]"""

    downtime_id: str
    kind: str
    section: str | None
    started_ms: int
    between_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One downtime.

    cause, certainty, comment, by
        As the note says that holds, or will hold once the store has it.
    kind
        How it began, corrections on their way included.
    cause_note
        The note of the cause, if it is known by its id: what can be taken back.
    said
        Everything that was said of it, oldest first; only what stands in the store may be missing (``whole``).
    merging
        The note that makes it one with the loss before it, until the store has that.
    pending
        Whether any of that is not in the store yet.
    """

    seen: ShiftDowntime
    number: int
    kind: str
    cause: str | None
    certainty: str | None
    comment: str | None
    by: str | None
    cause_note: Saying | None
    said: tuple[Saying, ...]
    merging: Saying | None
    pending: bool

    @property
    def downtime(self) -> Downtime:
        """The downtime itself."""
        return self.seen.downtime

    @property
    def to_code(self) -> bool:
        """Whether it is a break that began in this shift and that nobody has said a cause of."""
        return self.seen.began_here and self.kind == "break" and self.cause is None

    @property
    def refused(self) -> tuple[Saying, ...]:
        """Notes that a person must see the fate of."""
        return tuple(one for one in self.said if one.reason is not None)


def rows(site: Site, facts: ShiftFacts, kept: Sequence[Kept], *, whole: bool = False) -> list[Row]:
    """Every downtime of a shift, in order of time.

    whole
        Read what the store has of notes also where nothing is on its way.
    """
    machine = facts.history.machine
    ids = tuple(facts.numbers)
    concerned = whole or any(_concerns(one, ids) for one in kept)
    stored = stored_sayings(site, machine, ids) if concerned and ids else ()
    found = sayings(stored, kept)
    return [
        _row(facts, seen, of_downtime(found, seen.downtime.downtime_id))
        for seen in sorted(facts.review.downtimes, key=lambda r: r.downtime.started_ms)
    ]


def targets_of(site: Site, facts: ShiftFacts, row: Row) -> Targets:
    """Which causes a downtime is offered first."""
    usual, downtime = habits(site, facts.history.machine.machine), row.downtime
    suggestion = facts.suggestions.get(downtime.downtime_id)
    section = downtime.section
    return targets(section, usual.causes, usual.of(section), suggestion, least=usual.least_to_lead(section))


def before(site: Site, downtime_id: str) -> Before | None:
    """The loss before a downtime; None for the first one."""
    return site.reader.answer(
        ("before", downtime_id),
        lambda store: next((Before(**row) for row in store.rows(_sql("before"), id=downtime_id)), None),
    )


def stored_sayings(site: Site, machine: Machine, ids: Sequence[str]) -> tuple[Saying, ...]:
    """What the store has of notes about some downtimes."""
    key = ("sayings", machine.machine, tuple(ids))
    return site.reader.answer(
        key,
        lambda store: tuple(Saying(**row) for row in store.rows(_sql("note"), machine=machine.machine, ids=list(ids))),
    )


def _concerns(kept: Kept, ids: Sequence[str]) -> bool:
    return kept.note.get("downtime") in ids or kept.note.get("withdraws") is not None


def _row(facts: ShiftFacts, seen: ShiftDowntime, said: tuple[Saying, ...]) -> Row:
    downtime = seen.downtime
    note, kind = holding(said, CAUSE), holding(said, KIND)
    # Where no note of a cause is known by its id, the downtime itself says what holds.
    holds: Saying | Downtime | None = note if any(one.kind == CAUSE for one in said) else downtime
    return Row(
        seen=seen,
        number=facts.numbers[downtime.downtime_id],
        kind=(kind.new_kind if kind else None) or downtime.kind,
        cause=holds.cause if holds else None,
        certainty=holds.certainty if holds else None,
        comment=holds.comment if holds else None,
        by=note.by if note else None,
        cause_note=note,
        said=said,
        merging=None if (merge := holding(said, MERGE)) is None or merge.way is None else merge,
        pending=on_its_way(said),
    )


@cache
def _sql(name: str) -> str:
    return (files("analysis.page") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
