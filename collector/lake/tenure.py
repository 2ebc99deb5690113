"""Whose a machine is, and since when. Two collectors that write one machine are refused until somebody says so.

A handover is one line in a file of the machine. Nobody rewrites the other's files: readers take from each writer what
lies in its time, and cut what reaches over the end of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from urllib.parse import unquote

import msgspec

from collector.lake.manifest import FOLDER, manifest_name
from collector.lake.place import Lake, LakeFault, LakeRefused, lake_errors, part_of


class Tenure(msgspec.Struct, kw_only=True, frozen=True):
    """From when on a writer has a machine, until the next line's. The first has no beginning. [RFC 3339, UTC]"""

    writer: str
    from_at: str | None = None
    said_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A time in which a machine is one writer's; None: without beginning, or without end."""

    start: datetime | None
    end: datetime | None

    def touches(self, first: datetime, last: datetime) -> bool:
        """Whether it shares any time with [first, last)."""
        return (self.start is None or self.start < last) and (self.end is None or self.end > first)


ALWAYS = (Span(start=None, end=None),)


def tenure_path(mill: str, machine: str) -> str:
    """Where the handovers of a machine are said."""
    return f"tenure/{part_of('mill', mill)}/{part_of('machine', machine)}.jsonl"


def tenures(lake: Lake, mill: str, machine: str) -> list[Tenure]:
    """Every line of a machine, in order of time; none if it was never handed over."""
    path = lake.folder / tenure_path(mill, machine)
    with lake_errors(path):
        try:
            lines = path.read_bytes().splitlines()
        except FileNotFoundError:
            return []
    try:
        return [msgspec.json.decode(line, type=Tenure) for line in lines]
    except msgspec.MsgspecError as error:
        raise LakeFault(f"{path} cannot be understood ({error}): say the handover again") from error


def other_writers(lake: Lake, mill: str, machine: str, writer: str) -> list[str]:
    """Who else has files of a machine in the lake."""
    folder = lake.folder / FOLDER / part_of("mill", mill)
    mine = part_of("writer", writer)
    name = manifest_name(machine, None)
    with lake_errors(folder):
        found = sorted(path.parent.name for path in folder.glob(f"writer=*/{name}"))
    return [_name_of(one) for one in found if one != mine]


def _name_of(folder: str) -> str:
    return unquote(folder.removeprefix("writer="))


def spans_of(lake: Lake, mill: str, machine: str, writer: str) -> tuple[Span, ...]:
    """The times in which a machine is the writer's; none if it is no longer.

    Raises
    ------
    LakeRefused
        Somebody else writes it too, and no handover was said.
    """
    said = tenures(lake, mill, machine)
    if not said:
        others = other_writers(lake, mill, machine, writer)
        if others:
            raise LakeRefused(
                f"{machine} is in the lake already, written by {' and '.join(map(repr, others))}: if it has moved "
                f"here, say so with 'breakhorn lake take {machine}'; if not, take it out of this mill.toml"
            )
        return ALWAYS
    if writer not in {tenure.writer for tenure in said}:
        raise LakeRefused(
            f"{machine} belongs to {said[-1].writer!r} in the lake: if it has moved here, say so with "
            f"'breakhorn lake take {machine}'; if not, take it out of this mill.toml"
        )
    ends = [*(_instant(tenure.from_at) for tenure in said), None]
    return tuple(
        Span(start=start, end=end)
        for tenure, (start, end) in zip(said, pairwise(ends), strict=True)
        if tenure.writer == writer
    )


def hand_over(
    lake: Lake,
    *,
    mill: str,
    machine: str,
    writer: str,
    writer_id: str,
    from_at: datetime,
    had_by: str | None = None,
    now: str,
) -> list[Tenure]:
    """Say that a machine is the writer's from a time on; gives all its lines.

    had_by
        Who had it before, where that is not clear.

    Raises
    ------
    LakeRefused
        It was handed over later than that already, or nobody else has it.
    """
    said = tenures(lake, mill, machine) or [
        Tenure(writer=_had_by(other_writers(lake, mill, machine, writer), machine, had_by), said_at=now)
    ]
    last = _instant(said[-1].from_at)
    if last is not None and from_at <= last:
        raise LakeRefused(f"{machine} was handed to {said[-1].writer!r} at {said[-1].from_at}: name a later time")
    if said[-1].writer == writer:
        raise LakeRefused(f"{machine} is {writer!r}'s already, since {said[-1].from_at or 'ever'}")
    said.append(Tenure(writer=writer, from_at=from_at.astimezone(UTC).isoformat(), said_at=now))
    data = b"".join(msgspec.json.encode(tenure) + b"\n" for tenure in said)
    lake.put_text(data, tenure_path(mill, machine), writer_id=writer_id)
    return said


def _had_by(others: list[str], machine: str, said: str | None) -> str:
    """Whose a machine was that was never handed over."""
    if not others:
        raise LakeRefused(f"nobody else has {machine} in the lake: there is nothing to take over")
    if said in others:
        return said
    if said is not None or len(others) > 1:
        named = " or ".join(map(repr, others))
        raise LakeRefused(f"{machine} is in the lake of {named}: say with --had-by who had it before")
    return others[0]


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
