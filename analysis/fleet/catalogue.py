"""What of a lake may be counted: the files its manifests name, in the time in which the machine was their writer's.

Readers of a plain glob would count what is half written, what was replaced, and a machine that moved twice.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated
from urllib.parse import unquote

import msgspec

from analysis.read import CannotRead

LAKE_VERSION = 1
"""The layout that is understood; a manifest of a newer one is refused rather than half understood."""


HEARD = ("machine", "tag", "note", "message_count")
"""Tables in which every writer of a machine is heard: an earlier one may be the only one that knows an old tag or note,
and each counts what it received itself."""


# Who may write to a lake is not who reads it: what stands in a path or in SQL later is held to its form here.
Word = Annotated[str, msgspec.Meta(pattern=r"\A[a-z][a-z0-9_]*\Z", max_length=100)]
Instant = Annotated[
    str, msgspec.Meta(pattern=r"\A\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,9})?)?(Z|[+-]\d\d:\d\d)\Z", max_length=40)
]
Inside = Annotated[
    str,
    msgspec.Meta(pattern=r"\A(?!([^/]*/)*\.\.?(/|\Z))[A-Za-z0-9_.~%=-]+(/[A-Za-z0-9_.~%=-]+)+\Z", max_length=2000),
]
"""A path within the lake as its writers make them: no way out of it, and nothing that names several files."""


class NoLake(CannotRead):
    """There is no lake where one was looked for."""


class TornLake(CannotRead):
    """A manifest is not whole, or of a newer version: nothing is counted rather than something wrong."""


class _Marker(msgspec.Struct):
    lake_version: int


class _Head(msgspec.Struct):
    lake_version: int
    digest: str


class _Tenure(msgspec.Struct):
    writer: str
    from_at: Instant | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A time to which the rows of a file are cut; None: no cut there. [RFC 3339, UTC]"""

    start: str | None = None
    end: str | None = None


UNCUT = Clip()


class File(msgspec.Struct, frozen=True, kw_only=True):
    """One file, as its manifest tells of it (``collector/lake`` writes it; FLEET.md describes it).

    clips
        The times in which its machine is its writer's: several where it left and came back. Empty: it does not count.
    """

    table: Word
    mill: str
    machine: str | None = None
    year: int | None = None
    day: Annotated[str, msgspec.Meta(pattern=r"\A\d{4}-\d\d-\d\d\Z")] | None = None
    writer: str
    path: Inside
    rows: int
    bytes: int
    columns: str
    time: Word | None = None
    until: Word | None = None
    first_at: Instant | None = None
    last_at: Instant | None = None
    written_at: Instant
    clips: tuple[Clip, ...] = (UNCUT,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """A lake at one moment.

    faults
        What is not counted though somebody wrote it, and why; for people.
    """

    folder: Path
    files: tuple[File, ...]
    faults: tuple[str, ...]

    def of(self, table: str) -> list[File]:
        """The files of a table that count."""
        return [file for file in self.files if file.table == table and file.clips]


def read_catalogue(folder: Path, *, first: date | None = None, last: date | None = None) -> Catalogue:
    """Everything that a lake's manifests name.

    first, last
        Name only the samples of these days (UTC), both included: a large lake opens sooner.

    Raises
    ------
    NoLake, TornLake
        With the way out.
    """
    folder = folder.absolute()
    _check_marker(folder)
    files = [file for path in sorted(folder.glob("manifest/*/*/*.jsonl")) for file in _files_of(path)]
    files = [file for file in files if file.day is None or _within(file.day, first, last)]
    placed, faults = _placed(folder, files)
    return Catalogue(folder=folder, files=tuple(placed), faults=tuple(faults))


def _check_marker(folder: Path) -> None:
    path = folder / "lake.json"
    try:
        marker = msgspec.json.decode(path.read_bytes(), type=_Marker)
    except FileNotFoundError:
        raise NoLake(f"{folder} is no lake; say where one is with --lake FOLDER, and whether it is mounted") from None
    except (OSError, msgspec.MsgspecError) as error:
        raise TornLake(f"{path} cannot be read ({error})") from error
    _refuse_newer(marker.lake_version, path)


def _refuse_newer(version: int, path: Path) -> None:
    if version > LAKE_VERSION:
        raise TornLake(f"{path} has layout {version}, this Breakhorn knows {LAKE_VERSION}: update it here")


def _files_of(path: Path) -> Iterator[File]:
    """The lines of a manifest, read in one go: a rename meanwhile leaves either the one before or the one after."""
    try:
        first, _, lines = path.read_bytes().partition(b"\n")
        head = msgspec.json.decode(first, type=_Head)
        _refuse_newer(head.lake_version, path)
        if hashlib.sha256(lines).hexdigest() != head.digest:
            raise TornLake(f"{path} is not whole; if it stays so, its writer must copy it again")
        decoder = msgspec.json.Decoder(File)
        yield from [decoder.decode(line) for line in lines.splitlines()]
    except (OSError, msgspec.MsgspecError) as error:
        raise TornLake(f"{path} cannot be read ({error})") from error


def _within(day: str, first: date | None, last: date | None) -> bool:
    return (first is None or day >= first.isoformat()) and (last is None or day <= last.isoformat())


def _placed(folder: Path, files: Iterable[File]) -> tuple[list[File], list[str]]:
    """Each file with the times in which it counts."""
    by_machine: defaultdict[tuple[str, str | None], list[File]] = defaultdict(list)
    for file in files:
        by_machine[file.mill, file.machine].append(file)
    tenures = _tenures(folder)
    placed, faults = [], []
    for (mill, machine), some in by_machine.items():
        said = tenures.get((mill, machine)) if machine is not None else None
        writers = sorted({file.writer for file in some})
        if machine is None or (said is None and len(writers) == 1):
            placed += some
            continue
        if said is None:
            first = min(some, key=lambda file: (file.first_at or "9", file.writer)).writer
            said = [_Tenure(first)]
            named = " and ".join(map(repr, writers))
            faults.append(
                f"{machine} of {mill} is written by {named}, and no handover was said: only what {first!r} wrote counts"
            )
        placed += [_with_clips(file, _clips(file, said)) for file in some]
    return placed, faults


def _tenures(folder: Path) -> dict[tuple[str, str], list[_Tenure]]:
    """By mill and machine, whose it was since when."""
    found = {}
    for path in sorted(folder.glob("tenure/*/*.jsonl")):
        key = unquote(path.parent.name.partition("=")[2]), unquote(path.stem.partition("=")[2])
        try:
            found[key] = [msgspec.json.decode(line, type=_Tenure) for line in path.read_bytes().splitlines()]
        except (OSError, msgspec.MsgspecError) as error:
            raise TornLake(f"{path} cannot be read ({error})") from error
    return found


def _clips(file: File, said: list[_Tenure]) -> tuple[Clip, ...]:
    """The times in which a file's machine is its writer's, as far as they touch the file; uncut where they hold all."""
    ends = [*(tenure.from_at for tenure in said[1:]), None]
    times = [(tenure.writer, Clip(start=tenure.from_at, end=end)) for tenure, end in zip(said, ends, strict=True)]
    mine = [clip for writer, clip in times if writer == file.writer]
    if file.table in HEARD:
        return (UNCUT,)
    if file.time is None:
        # A table that is no event: the writer that has the machine now speaks of it.
        return (UNCUT,) if said[-1].writer == file.writer else ()
    if file.day is None:
        return tuple(mine)
    return tuple(clip for clip in (_in_day(clip, file) for clip in mine) if clip is not None)


def _in_day(clip: Clip, file: File) -> Clip | None:
    """A clip as far as it cuts a day's file; None if it leaves nothing of it."""
    if file.first_at is None or file.last_at is None:
        return None
    first, last = datetime.fromisoformat(file.first_at), datetime.fromisoformat(file.last_at)
    start = None if clip.start is None else datetime.fromisoformat(clip.start)
    end = None if clip.end is None else datetime.fromisoformat(clip.end)
    if (start is not None and last < start) or (end is not None and first >= end):
        return None
    return replace(
        clip,
        start=clip.start if start is not None and first < start else None,
        end=clip.end if end is not None and last >= end else None,
    )


def _with_clips(file: File, clips: tuple[Clip, ...]) -> File:
    """The same file with other times."""
    return msgspec.structs.replace(file, clips=clips)
