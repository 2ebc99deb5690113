"""What people and other systems say beside the machine's values: crew notes, clothing changes, lab results, orders."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from collector.decode.instant import instant_ms, plausible
from collector.decode.parts import NOT_DECODABLE, Shape, convert_or_reason, decode_parts
from collector.decode.place import Place, Time
from collector.decode.unusable import Unusable, shown
from collector.fact import Kind
from collector.message import (
    ClothingChange,
    Context,
    Decoded,
    GradeOrder,
    LabResult,
    Message,
    Note,
    NoteKind,
)

CERTAINTIES = ("suspected", "likely", "confirmed")

_UUID = re.compile(r"[0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{12}", re.ASCII)

Name = Annotated[str, Meta(min_length=1, max_length=200)]
Remark = Annotated[str, Meta(max_length=2000)]
Label = Name | int
"""A reel or an order: some systems send its number without quotes."""


By = Annotated[Name | None, Meta(description="Who says so.")]
Comment = Annotated[Remark | None, Meta(description="In free words.")]
Withdrawn = Annotated[bool, Meta(description="true: it was not so; takes back what was said of the same before.")]
Past = int | float | str
"""A time that must be given."""


class NotePart(msgspec.Struct):
    """What the crew says of a downtime; what each kind needs stands in ``NEEDED``."""

    note_id: Annotated[str, Meta(description="A UUID of the sender's making; the same note sent again is one note.")]
    kind: Annotated[str | None, Meta(description="What it does; may be missing in a withdrawal.")] = None
    downtime: Annotated[Name | None, Meta(description="Id of the downtime that it speaks of.")] = None
    cause: Annotated[Name | None, Meta(description="Code of a [[cause]] in mill.toml.")] = None
    certainty: Annotated[str | None, Meta(description="suspected, likely or confirmed.")] = None
    comment: Comment = None
    by: By = None
    new_kind: Annotated[str | None, Meta(description="The right kind: break, stop, planned or unknown.")] = None
    started: Annotated[Time, Meta(description="Loss of the sheet, of a missed break.")] = None
    ended: Annotated[Time, Meta(description="Sheet back on the reel, of a missed break.")] = None
    merge_into: Annotated[Name | None, Meta(description="Id of the downtime that this one belongs to.")] = None
    withdraws: Annotated[str | None, Meta(description="note_id of the note that is taken back.")] = None
    section: Annotated[Name | None, Meta(description="Where a missed break was lost: section of a detector.")] = None
    ts: Annotated[Time, Meta(description="When it was said; of several the newest holds.")] = None


class ClothingPart(msgspec.Struct):
    """A fabric or felt was put in; the one before it at the same position was taken out then."""

    position: Annotated[Name, Meta(description="Where it runs, by the mill's own name.")]
    installed: Annotated[Past, Meta(description="When it was put in.")]
    by: By = None
    comment: Comment = None
    withdrawn: Withdrawn = False
    ts: Annotated[Time, Meta(description="When it was said.")] = None


class LabPart(msgspec.Struct):
    """One laboratory result; sent again for the same test and time, it corrects the one before."""

    test: Annotated[Name, Meta(description="What was measured.")]
    value: Annotated[float, Meta(description="The result, in its unit.")]
    sampled: Annotated[Past, Meta(description="When the sample was taken.")]
    unit: Annotated[Name | None, Meta(description="Unit of the value.")] = None
    reel: Annotated[Label | None, Meta(description="Number of the reel that it was taken from.")] = None
    withdrawn: Withdrawn = False
    ts: Annotated[Time, Meta(description="When it was said.")] = None


class OrderPart(msgspec.Struct):
    """An order of a grade; sent again under the same id, it replaces the one before."""

    order_id: Annotated[Label, Meta(description="Number of the order.")]
    grade: Annotated[Name, Meta(description="What is to be made.")]
    shade: Annotated[Name | None, Meta(description="Its shade.")] = None
    basis_weight: Annotated[float | None, Meta(description="More than 0. [g/m²]")] = None
    tonnes: Annotated[float | None, Meta(description="How much, more than 0. [t]")] = None
    withdrawn: Withdrawn = False
    ts: Annotated[Time, Meta(description="When it was given.")] = None


@dataclass(frozen=True, slots=True)
class _Clock:
    """Reads the times of one message."""

    place: Place
    message: Message

    def own(self, time: Time) -> int:
        """When it was said: the part's own time, else that of the message. [ms]"""
        return self.place.moment(time, self.message)[0]

    def past(self, name: str, time: int | float | str) -> int:
        """When something happened that must have happened by now. [ms]"""
        try:
            return plausible(
                instant_ms(time), received_ms=self.message.received_ms, max_ahead_ms=self.place.max_ahead_ms
            )
        except Unusable as error:
            raise Unusable(f'"{name}": {error}') from None


def context_decoder(
    word: str, place: Place, causes: frozenset[str], sections: tuple[str, ...]
) -> Callable[[Message], Decoded]:
    """A function that decodes the messages of ``<root>/<machine>/<word>``.

    causes, sections
        The codes that mill.toml gives causes, and the sections of the machine.
    """
    match word:
        case "note":
            return _decoder(NotePart, partial(_note, causes, sections), place)
        case "clothing":
            return _decoder(ClothingPart, _clothing, place)
        case "lab":
            return _decoder(LabPart, _lab, place)
        case "order":
            return _decoder(OrderPart, _order, place)
        case _:
            raise ValueError(f"no context message is called {word}")


def _decoder(
    kind: type[msgspec.Struct], make: Callable[[Any, _Clock], Context], place: Place
) -> Callable[[Message], Decoded]:
    def use(part: Any, message: Message, decoded: Decoded) -> None:
        decoded.context.append(make(part, _Clock(place, message)))

    decoder: msgspec.json.Decoder[Any] = msgspec.json.Decoder(kind | list[kind])  # type: ignore[valid-type]
    shape: Shape[Any] = Shape(decoder, partial(convert_or_reason, kind))
    return partial(decode_parts, shape=shape, use=use)


def _clothing(part: ClothingPart, clock: _Clock) -> ClothingChange:
    return ClothingChange(
        machine=clock.place.machine,
        position=part.position,
        installed_ms=clock.past("installed", part.installed),
        received_ms=clock.message.received_ms,
        comment=part.comment,
        by=part.by,
        withdrawn=part.withdrawn,
    )


def _lab(part: LabPart, clock: _Clock) -> LabResult:
    return LabResult(
        machine=clock.place.machine,
        sampled_ms=clock.past("sampled", part.sampled),
        received_ms=clock.message.received_ms,
        test=part.test,
        value=part.value,
        unit=part.unit,
        reel=None if part.reel is None else str(part.reel),
        withdrawn=part.withdrawn,
    )


def _order(part: OrderPart, clock: _Clock) -> GradeOrder:
    for name, amount in (("basis_weight", part.basis_weight), ("tonnes", part.tonnes)):
        if amount is not None and amount <= 0:
            raise Unusable(f'"{name}" must be more than 0')
    return GradeOrder(
        machine=clock.place.machine,
        order_id=str(part.order_id),
        at_ms=clock.own(part.ts),
        received_ms=clock.message.received_ms,
        grade=part.grade,
        shade=part.shade,
        basis_weight_g_m2=part.basis_weight,
        tonnes_t=part.tonnes,
        withdrawn=part.withdrawn,
    )


def _note(causes: frozenset[str], sections: tuple[str, ...], part: NotePart, clock: _Clock) -> Note:
    kind = _kind(part)
    _check_note(kind, part, causes)
    if part.section is not None:
        _check_section(kind, part.section, sections)
    started = None if part.started is None else clock.past("started", part.started)
    ended = None if part.ended is None else clock.past("ended", part.ended)
    if started is not None and ended is not None and ended <= started:
        raise Unusable('"ended" must be later than "started"')
    return Note(
        note_id=_uuid("note_id", part.note_id),
        machine=clock.place.machine,
        at_ms=clock.own(part.ts),
        received_ms=clock.message.received_ms,
        kind=kind,
        downtime=part.downtime,
        cause=part.cause,
        certainty=part.certainty,
        comment=part.comment,
        by=part.by,
        new_kind=part.new_kind,
        started_ms=started,
        ended_ms=ended,
        merge_into=part.merge_into,
        withdraws=None if part.withdraws is None else _uuid("withdraws", part.withdraws),
        section=part.section,
    )


def _kind(part: NotePart) -> NoteKind:
    """What the note does; one that names another to withdraw is a withdrawal, whatever kind it repeats."""
    if part.withdraws is not None:
        return NoteKind.WITHDRAWAL
    return NoteKind(_one_of("kind", part.kind, [kind.value for kind in NoteKind]))


def _check_note(kind: NoteKind, part: NotePart, causes: frozenset[str]) -> None:
    """Raises ``Unusable`` for a note that lacks what its kind needs, or says what mill.toml does not know."""
    for name in NEEDED[kind]:
        if getattr(part, name) is None:
            raise Unusable(f'a note of kind "{kind}" needs "{name}"')
    if kind is NoteKind.CAUSE and part.cause is None and part.comment is None:
        raise Unusable('a note of kind "cause" needs "cause" or "comment"')
    if kind is NoteKind.MERGE and part.merge_into == part.downtime:
        raise Unusable('"merge_into" must name another downtime')
    if part.cause is not None and part.cause not in causes:
        raise Unusable(_unknown_cause(part.cause, causes))
    if part.certainty is not None:
        _one_of("certainty", part.certainty, CERTAINTIES)
    if part.new_kind is not None:
        _one_of("new_kind", part.new_kind, [kind.value for kind in Kind])


def _check_section(kind: NoteKind, section: str, sections: tuple[str, ...]) -> None:
    """Raises ``Unusable`` where a section says nothing, or is none of the machine's."""
    if kind is not NoteKind.MISSED:
        raise Unusable('"section" belongs to a missed break: a downtime that was found has its own')
    _one_of("section", section, sections)


NEEDED: dict[NoteKind, tuple[str, ...]] = {
    NoteKind.CAUSE: ("downtime",),
    NoteKind.KIND: ("downtime", "new_kind"),
    NoteKind.MISSED: ("started",),
    NoteKind.MERGE: ("downtime", "merge_into"),
    NoteKind.WITHDRAWAL: ("withdraws",),
}
"""What a note of each kind cannot do without; one of kind cause needs a cause or a comment besides."""


def _unknown_cause(cause: str, causes: frozenset[str]) -> str:
    near = get_close_matches(cause, causes, n=1)
    hint = f'did you mean "{near[0]}"?' if near else "add it there as a [[cause]], or use one of its codes"
    return f"mill.toml has no cause {shown(cause)}: {hint}"


def _one_of(name: str, word: str | None, words: Sequence[str]) -> str:
    if word is not None and word in words:
        return word
    given = "is missing" if word is None else f"is {shown(word)}"
    if len(words) == 1:
        raise Unusable(f'"{name}" {given}: use {words[0]}')
    raise Unusable(f'"{name}" {given}: use {", ".join(words[:-1])} or {words[-1]}')


class _Named(msgspec.Struct):
    note_id: str


def note_id_in(payload: bytes) -> str | None:
    """The id of a note that could not be used, so that its sender can be answered; None if it bears no readable one."""
    try:
        return _uuid("note_id", msgspec.json.decode(payload, type=_Named).note_id)
    except (Unusable, *NOT_DECODABLE):
        return None


def _uuid(name: str, text: str) -> str:
    """Lower case, so that the same note sent in capitals is the same note."""
    if not _UUID.fullmatch(text.lower()):
        raise Unusable(f'"{name}" must be a UUID, not {shown(text)}')
    return text.lower()
