"""The values that travel from the wire to the store. Imports nothing of ours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntFlag, StrEnum

Value = float | bool | str | None
"""A number, a truth (stored as 1 or 0), a text, or None: bad, the source says it does not know."""


class Names:
    """Tags that many scans hold in the same order. Two are never equal: what is known of one is looked up by it."""

    __slots__ = ("__weakref__", "place", "tags")

    def __init__(self, tags: tuple[str, ...]) -> None:
        """Each tag once."""
        self.tags = tags
        self.place = {tag: place for place, tag in enumerate(tags)}


class Row(Mapping[str, Value]):
    """The values of a scan as a tuple, beside names that it shares with others: half the cost of a dictionary."""

    __slots__ = ("cells", "names")

    def __init__(self, names: Names, cells: tuple[Value, ...]) -> None:
        """A cell for each name."""
        self.names, self.cells = names, cells

    def __getitem__(self, tag: str) -> Value:
        """The value of a tag."""
        return self.cells[self.names.place[tag]]

    def __iter__(self) -> Iterator[str]:
        """The tags."""
        return iter(self.names.tags)

    def __len__(self) -> int:
        """How many."""
        return len(self.cells)

    def __repr__(self) -> str:
        """As the dictionary that it stands for."""
        return repr(dict(self))


class Flag(IntFlag):
    """What is special about one sample. The numbers are stored and never change meaning; views.sql explains each.

    INITIAL
        The broker had kept it and it bears no time of its own: for the tracker's first state only.
    THINNED
        Stands for all values of its minute: their mean by time. See the setting thin_after_days.
    """

    NONE = 0
    TIMED_ON_ARRIVAL = 1
    OUT_OF_RANGE = 2
    BAD_QUALITY = 4
    LATE = 8
    HISTORICAL = 16
    INITIAL = 32
    THINNED = 64


KEPT_OF_TOO_LARGE = 4_096
"""How much is kept of a payload that is too large to be looked at. [bytes]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message as it came from a broker or a stream file.

    received_ms
        When it was received. [ms since 1970-01-01 UTC]
    stamped_ms
        The recorded time that a replay sent along, for messages without a time of their own. [ms]
    retained
        True for a message that the broker had kept: it may be old.
    cut_from
        How large the payload was, if only its beginning is here. [bytes]
    """

    received_ms: int
    topic: str
    payload: bytes
    stamped_ms: int | None = None
    retained: bool = False
    cut_from: int | None = None


@dataclass(frozen=True, slots=True)
class Scan:
    """The values of some tags of one machine at one source time.

    source
        Index of the ``[[source]]`` in mill.toml that brought it.
    heard_ms
        When it was received: no source moves the watermark past this. [ms]
    flags
        Flags that hold for every value of the scan.
    initial
        True for a retained message without a time of its own: it only sets the initial state.
    heard_before_ms
        The machine was heard until this time, by scans that said nothing new and were left out; None if none was. [ms]
    """

    machine: str
    at_ms: int
    values: Mapping[str, Value]
    source: int
    heard_ms: int
    flags: int = 0
    initial: bool = False
    heard_before_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A message, or the part of one, that could not be used. It is kept with its reason."""

    received_ms: int
    topic: str
    reason: str
    payload: bytes


class NoteKind(StrEnum):
    """What a crew note does.

    CAUSE
        Says what caused a downtime, how certain that is, or only a comment.
    KIND
        Corrects the kind of a downtime; what the tracker found stays beside it.
    MISSED
        Adds a break that no detector showed.
    MERGE
        Says that a downtime belongs to another one.
    WITHDRAWAL
        Takes an earlier note back.
    """

    CAUSE = "cause"
    KIND = "kind"
    MISSED = "missed"
    MERGE = "merge"
    WITHDRAWAL = "withdrawal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A crew note. The newest by ``at_ms``, then by receipt, holds until it is withdrawn.

    downtime
        Id of the downtime it speaks of; for ``missed`` None.
    new_kind
        The corrected kind, for ``kind`` notes: break, stop, planned or unknown.
    started_ms, ended_ms
        The missed break's clock, for ``missed`` notes. [ms]
    section
        Where the sheet was lost, for ``missed`` notes.
    merge_into
        Id of the downtime that absorbs this one, for ``merge`` notes.
    """

    note_id: str
    machine: str
    at_ms: int
    received_ms: int
    kind: NoteKind
    downtime: str | None = None
    cause: str | None = None
    certainty: str | None = None
    comment: str | None = None
    by: str | None = None
    new_kind: str | None = None
    started_ms: int | None = None
    ended_ms: int | None = None
    merge_into: str | None = None
    withdraws: str | None = None
    section: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothingChange:
    """A fabric or felt was put in. The one before it at the same position was taken out then.

    withdrawn
        It was not, and what was said of it before was a mistake.
    """

    machine: str
    position: str
    installed_ms: int
    received_ms: int
    comment: str | None = None
    by: str | None = None
    withdrawn: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LabResult:
    """One laboratory result, by the time the sample was taken; ``withdrawn``: taken back."""

    machine: str
    sampled_ms: int
    received_ms: int
    test: str
    value: float
    unit: str | None = None
    reel: str | None = None
    withdrawn: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeOrder:
    """An order of a grade: what was to be made and how much of it; ``withdrawn``: taken back."""

    machine: str
    order_id: str
    at_ms: int
    received_ms: int
    grade: str
    shade: str | None = None
    basis_weight_g_m2: float | None = None
    tonnes_t: float | None = None
    withdrawn: bool = False


Context = Note | ClothingChange | LabResult | GradeOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a source must be asked for before it can be understood again. To be published once, and not retained."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """All that one message held. ``rejected`` may stand beside scans: the good part of an array is kept.

    ours
        True for one of the collector's own messages coming back: it is not counted.
    """

    scans: list[Scan] = field(default_factory=list)
    context: list[Context] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)
    ours: bool = False
