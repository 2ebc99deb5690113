"""What readers may count: the files that a manifest names, and no others. A manifest is swapped by one rename.

It is JSON Lines: a head, then a line a file. The head says how many lines follow and their digest, so that one that
arrived in part is told from one that is whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from typing import Annotated

import msgspec

from collector.lake.place import LAKE_VERSION, Lake, LakeFault, lake_errors, part_of

FOLDER = "manifest"

Inside = Annotated[
    str,
    msgspec.Meta(pattern=r"\A(?!([^/]*/)*\.\.?(/|\Z))[A-Za-z0-9_.~%=-]+(/[A-Za-z0-9_.~%=-]+)+\Z", max_length=2000),
]
"""A path as ``part_of`` makes them: others may write to the lake, too, and what a manifest lets go of is deleted."""


class File(msgspec.Struct, kw_only=True, frozen=True):
    """One file of a table.

    day, year, machine
        What its rows are of; None where the table is not cut by it. Days are UTC.
    columns
        Their names, in order, with commas: files with the same ones can be read in one go.
    time, until
        The columns that say when a row begins and ends.
    first_at, last_at
        The oldest and newest ``time`` in it. [RFC 3339, UTC]
    """

    table: str
    mill: str
    machine: str | None = None
    year: int | None = None
    day: str | None = None
    writer: str
    path: Inside
    rows: int
    bytes: int
    sha256: str
    columns: str
    time: str | None = None
    until: str | None = None
    first_at: str | None = None
    last_at: str | None = None
    written_at: str


class Head(msgspec.Struct, kw_only=True):
    """The first line of a manifest.

    retired
        Files that are named no more, and since when: they stay a while for queries under way.
    """

    lake_version: int
    writer: str
    writer_id: str
    mill: str
    machine: str | None = None
    year: int | None = None
    files: int = 0
    digest: str = ""
    retired: list[tuple[Inside, str]] = msgspec.field(default_factory=list)


class Manifest:
    """The files of one writer, mill and (where cut so) machine and year.

    changed
        Whether it has to be written.
    """

    def __init__(self, path: str, head: Head, files: Iterable[File] = ()) -> None:
        """Begin with what is there."""
        self.path = path
        self.head = head
        self.files: dict[tuple[str, str | None], File] = {(file.table, file.day): file for file in files}
        self.changed = False

    def take(self, file: File, *, now: str) -> None:
        """Name a file in the place of the one before of the same table and day."""
        self._retire((file.table, file.day), now)
        self.files[file.table, file.day] = file
        self.head.retired = [(path, since) for path, since in self.head.retired if path != file.path]

    def drop(self, table: str, day: str | None, *, now: str) -> None:
        """Name no file of a table and day any more."""
        self._retire((table, day), now)

    def _retire(self, key: tuple[str, str | None], now: str) -> None:
        before = self.files.pop(key, None)
        if before is not None:
            self.head.retired.append((before.path, now))
        self.changed = True

    def encoded(self) -> bytes:
        """The whole file."""
        lines = b"".join(msgspec.json.encode(self.files[key]) + b"\n" for key in sorted(self.files, key=_by_day))
        self.head.files, self.head.digest = len(self.files), hashlib.sha256(lines).hexdigest()
        return msgspec.json.encode(self.head) + b"\n" + lines

    def write(self, lake: Lake) -> None:
        """Put it in place, if it has changed."""
        if self.changed:
            lake.put_text(self.encoded(), self.path, writer_id=self.head.writer_id)
            self.changed = False


def _by_day(key: tuple[str, str | None]) -> tuple[str, str]:
    return key[0], key[1] or ""


def writer_folder(mill: str, writer: str) -> str:
    """Where the manifests of one writer lie: nobody else writes there."""
    return f"{FOLDER}/{part_of('mill', mill)}/{part_of('writer', writer)}"


def manifest_name(machine: str | None, year: int | None) -> str:
    """A manifest's file name."""
    if machine is None:
        return "mill.jsonl"
    return f"{part_of('machine', machine)}{'' if year is None else f',year={year}'}.jsonl"


def manifest_names(lake: Lake, mill: str, writer: str) -> set[str]:
    """The file names of all manifests of a writer and mill."""
    folder = lake.folder / writer_folder(mill, writer)
    with lake_errors(folder):
        return {path.name for path in folder.glob("*.jsonl")}


def read_manifest(
    lake: Lake, *, mill: str, writer: str, writer_id: str, machine: str | None = None, year: int | None = None
) -> Manifest:
    """A manifest as it stands in the lake; one without files if there is none.

    Raises
    ------
    LakeFault
        It is torn, or of a newer layout.
    """
    path = f"{writer_folder(mill, writer)}/{manifest_name(machine, year)}"
    with lake_errors(lake.folder / path):
        try:
            data = (lake.folder / path).read_bytes()
        except FileNotFoundError:
            head = Head(
                lake_version=LAKE_VERSION, writer=writer, writer_id=writer_id, mill=mill, machine=machine, year=year
            )
            return Manifest(path, head)
    head, files = decoded(data, path)
    head.writer_id = writer_id
    return Manifest(path, head, files)


def decoded(data: bytes, path: str) -> tuple[Head, list[File]]:
    """Head and files of a manifest; LakeFault if it is not whole."""
    first, _, lines = data.partition(b"\n")
    try:
        head = msgspec.json.decode(first, type=Head)
        if head.lake_version > LAKE_VERSION:
            raise LakeFault(f"{path} has layout {head.lake_version}, this Breakhorn knows {LAKE_VERSION}: update it")
        if hashlib.sha256(lines).hexdigest() != head.digest:
            raise LakeFault(f"{path} is torn: remove it, and its writer copies everything it names again")
        return head, list(_files(lines))
    except msgspec.MsgspecError as error:
        raise LakeFault(f"{path} is no manifest ({error}): remove it, and its writer copies again") from error


def _files(lines: bytes) -> Iterator[File]:
    decoder = msgspec.json.Decoder(File)
    for line in lines.splitlines():
        yield decoder.decode(line)
