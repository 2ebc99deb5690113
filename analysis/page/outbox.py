"""Notes on their way to the store: on the disk, in order, until the store has them or somebody has read why not."""

from __future__ import annotations

import fcntl
import json
import logging
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from analysis.page.kept import remove, write_whole

log = logging.getLogger("breakhorn.page")

MOST = 10_000
"""More notes than a mill writes in a year; a broker that is gone for longer than that is no longer just away."""


class Way(StrEnum):
    """How far a note has come."""

    WAITING = "waiting"
    """Kept here only: the broker is away."""
    SENT = "sent"
    """The broker has it; the collector has not answered."""
    TAKEN = "taken"
    """The collector has it, and answered so; it is not published yet, or it changes nothing (then with a reason)."""
    REFUSED = "refused"
    """The collector or the broker would not have it, with a reason: a person must see that."""


class OutboxFull(Exception):
    """The outbox holds as many notes as it may: the broker must have been away for months."""


class OutboxTaken(Exception):
    """Another page uses the same folder: end it, or give this one a [page] folder of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One note on its way.

    place
        Notes go out in this order.
    note
        The payload, as ``…/note`` takes it.
    reason
        Why it was refused, or changes nothing.
    """

    place: int
    topic: str
    note: Mapping[str, Any]
    way: Way = Way.WAITING
    reason: str | None = None

    @property
    def note_id(self) -> str:
        """Id of the note."""
        return str(self.note["note_id"])

    @property
    def payload(self) -> bytes:
        """As it goes over the wire: the same bytes each time."""
        return json.dumps(self.note, ensure_ascii=False, sort_keys=True).encode()


class Outbox:
    """Keeps notes in a folder, a file each. A note that ``add`` has returned outlasts any end of the process."""

    def __init__(self, folder: Path) -> None:
        """Take up what an earlier process left.

        Raises
        ------
        OutboxTaken
            If another process has the folder.
        """
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._held = _taken_alone(folder)
        self._lock = threading.Lock()
        found = [kept for file in folder.glob("*.json") if (kept := _read(file)) is not None]
        self._kept = {kept.note_id: kept for kept in sorted(found, key=lambda k: k.place)}
        self._next = max((kept.place for kept in found), default=0) + 1
        self._revision = 0

    def close(self) -> None:
        """Let another process have the folder."""
        os.close(self._held)

    @property
    def revision(self) -> int:
        """Another number whenever anything has changed."""
        return self._revision

    def all(self) -> tuple[Kept, ...]:
        """Every note on its way, in order."""
        with self._lock:
            return tuple(self._kept.values())

    def add(self, topic: str, note: Mapping[str, Any]) -> Kept:
        """Keep a note, on the disk before this returns; one that is here already is given back as it is.

        Raises
        ------
        OutboxFull
            If there is no room for more.
        OSError
            If it cannot be written; then it is not kept.
        """
        with self._lock:
            if (here := self._kept.get(str(note["note_id"]))) is not None:
                return here
            if len(self._kept) >= MOST:
                raise OutboxFull(f"{len(self._kept)} notes wait for the broker; no more are taken before it is back")
            kept = Kept(place=self._next, topic=topic, note=dict(note))
            self._write(kept)
            self._next += 1
            return kept

    def mark(self, note_id: str, way: Way, reason: str | None = None) -> None:
        """Say how far a note has come; one that is no longer here is of no concern, and what was answered stays so."""
        with self._lock:
            kept = self._kept.get(note_id)
            if kept is None or (kept.way, kept.reason) == (way, reason):
                return
            # The collector's answer may overtake the broker's.
            if not (way is Way.SENT and kept.way in (Way.TAKEN, Way.REFUSED)):
                self._write(replace(kept, way=way, reason=reason))

    def drop(self, note_id: str) -> None:
        """Let go of a note that the store has, or of which somebody has read why it has not."""
        with self._lock:
            kept = self._kept.get(note_id)
            if kept is not None:
                remove(self._file(kept))
                del self._kept[note_id]
                self._revision += 1

    def _write(self, kept: Kept) -> None:
        content = {"place": kept.place, "topic": kept.topic, "note": kept.note, "way": kept.way, "reason": kept.reason}
        write_whole(self._file(kept), json.dumps(content, ensure_ascii=False, indent=1).encode())
        self._kept[kept.note_id] = kept
        self._revision += 1

    def _file(self, kept: Kept) -> Path:
        return self._folder / f"{kept.place:09d}.json"


def _read(file: Path) -> Kept | None:
    """A note as it was kept; what is none is left alone and logged: it was not put there by us."""
    try:
        found = json.loads(file.read_bytes())
        kept = Kept(
            place=int(found["place"]),
            topic=str(found["topic"]),
            note=dict(found["note"]),
            way=Way(found["way"]),
            reason=found["reason"],
        )
    except (OSError, ValueError, TypeError, KeyError) as error:
        log.error("%s is no note of ours and is left alone (%s)", file, error)
        return None
    if not isinstance(kept.note.get("note_id"), str):
        log.error("%s is no note of ours and is left alone (it has no note_id)", file)
        return None
    return kept


def _taken_alone(folder: Path) -> int:
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        raise OutboxTaken(f"{folder} is used by another page; end that one, or set [page] folder") from error
    return descriptor
