"""A folder of loss sheets, one of each machine and shift: whole files only, however often it is asked."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from analysis.history import ShiftSpan
from analysis.loss_sheet.tell import is_settled

_UNFINISHED = ".unfinished"


class Due(StrEnum):
    """What is to be done about the sheet of one machine and shift."""

    WRITE = "write"
    WRITE_UNFINISHED = "write unfinished"
    WAIT = "wait"
    KEEP = "keep"
    NOTHING_KNOWN = "nothing known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the sheet of one machine and shift is kept; an unfinished one has a name that says so."""

    folder: Path
    name: str

    def file(self, kind: str, *, finished: bool = True) -> Path:
        """The file of a kind, such as ``pdf``."""
        return self.folder / f"{self.name}{'' if finished else _UNFINISHED}.{kind}"

    def has(self, kinds: Iterable[str]) -> bool:
        """Whether a finished sheet is there, in every kind."""
        return all(self.file(kind).exists() for kind in kinds)

    def put(self, kind: str, content: bytes, *, finished: bool) -> Path:
        """Put a sheet in its place; a finished one takes that of an unfinished one."""
        file = self.file(kind, finished=finished)
        write_whole(file, content)
        if finished:
            self.file(kind, finished=False).unlink(missing_ok=True)
        return file


def place_of(folder: Path, machine: str, shift: ShiftSpan) -> Place:
    """Where a sheet is kept: ``pm2-2026-03-01-night``; what no file name should hold becomes a hyphen."""
    plain = (re.sub(r"[^\w.]+", "-", part).strip("-.") for part in (machine, str(shift.shift_date), shift.shift))
    return Place(folder=folder, name="-".join(plain))


def newest_ended(shifts: Sequence[ShiftSpan], now_ms: int) -> ShiftSpan | None:
    """The newest shift that is over; None if there is none yet. [ms]"""
    return max((s for s in shifts if s.ended_ms <= now_ms), key=lambda s: s.started_ms, default=None)


def due(shift: ShiftSpan, *, last_ms: int, now_ms: int, unfinished_after_ms: int, kept: bool) -> Due:
    """What is to be done about the sheet of a shift.

    last_ms
        Newest data of the machine. [ms]
    now_ms
        By the clock. [ms]
    unfinished_after_ms
        So long after the end of the shift one no longer waits for its data. [ms]
    kept
        Whether the finished sheet is there.
    """
    if kept:
        return Due.KEEP
    if is_settled(shift, last_ms):
        return Due.WRITE
    if now_ms < shift.ended_ms + unfinished_after_ms:
        return Due.WAIT
    return Due.WRITE_UNFINISHED if last_ms > shift.started_ms else Due.NOTHING_KNOWN


def write_whole(file: Path, content: bytes) -> None:
    """Write a file so that nobody ever sees half of it, and a power cut leaves the old one or the new."""
    spare = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        with spare.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.replace(spare, file)
    finally:
        spare.unlink(missing_ok=True)
